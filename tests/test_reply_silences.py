"""Reasons for silence: true, added up by kind, and naming a setting that changes them."""

from __future__ import annotations

import re

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reply_helpers import call, heard_scores, note, score_of

from callresp.commands.reply import figures, without_striker
from callresp.io.resources import shipped
from callresp.io.score import HeardScore, ReplyNote, phrases
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.reply.live import LiveReplier
from callresp.reply.replier import answer
from callresp.reply.rules import Manners, Rule, RuleSet, When, load_rules
from callresp.reply.silences import kind_of

FETTLE = load_palette("fettle")
SHIPPED = [load_rules(name) for name in shipped("rules")]
STRUCTS = (Manners, Rule, When)


def rules(manners: Manners, **rule: object) -> RuleSet:
    return RuleSet(
        name="bench",
        description="for this test",
        rule=(Rule(name="r", **rule),),  # type: ignore[arg-type]
        manners=manners,
    )


def whys(heard: HeardScore, chosen: RuleSet) -> list[str]:
    return [silence.why for silence in answer(heard, FETTLE, chosen).unanswered]


def first_strokes(notes: tuple[ReplyNote, ...]) -> dict[int, float]:
    starts: dict[int, float] = {}
    for made in notes:
        starts[made.heard_phrase] = min(starts.get(made.heard_phrase, 1e9), made.onset_s)
    return starts


@settings(max_examples=150)
@given(heard_scores(), st.sampled_from(SHIPPED), st.integers(0, 9))
def test_reasons_about_the_machine_itself_are_true(
    heard: HeardScore, chosen: RuleSet, seed: int
) -> None:
    """At the end of a call left alone, the reply in question waits, sounds, or has sounded."""
    reply = answer(heard, FETTLE, chosen, seed)
    starts = first_strokes(reply.notes)
    ends_s = {phrase.id: phrase.offset_s for phrase in phrases(heard.notes)}
    for silence in reply.unanswered:
        other = re.search(r"call (\d+)", silence.why)
        if other is None or int(other[1]) not in starts:
            continue
        ended_s, began_s = ends_s[silence.unanswered], starts[int(other[1])]
        if "was waiting" in silence.why:
            assert ended_s < began_s
        else:
            assert began_s <= ended_s + 0.35  # a rule may leave out its first tones
        until = re.search(r"until ([\d.]+) s", silence.why)
        if "still answering" in silence.why:
            assert until is not None
            assert float(until[1]) >= ended_s - 0.06
        if "resting after" in silence.why:
            assert until is not None
            assert float(until[1]) - chosen.manners.rest_s <= ended_s + 0.06


@settings(max_examples=60)
@given(heard_scores(), st.sampled_from(SHIPPED))
def test_every_reason_names_settings_that_there_are(heard: HeardScore, chosen: RuleSet) -> None:
    names = {field.encode_name for kind in STRUCTS for field in msgspec.structs.fields(kind)}
    for why in whys(heard, chosen):
        named = re.findall(r"\(([a-z_.0-9]+)\)", why)
        assert named, why
        for setting in named:
            assert setting.split(".")[-1] in names, why


def test_a_call_that_ends_before_the_first_stroke_is_told_that_a_reply_was_waiting() -> None:
    """What was said to be "still answering" seconds before anything was struck."""
    first, second = call([1200, 1500, 1300]), call([2000, 2500, 2100], 2.0, voice="B", phrase=1)
    manners = Manners(wait_s=(3.0, 3.0), patience_s=0.1, give_way="nobody", share_max=1.0)
    (why,) = whys(score_of(*first, *second), rules(manners))
    assert kind_of(why) == "another call was waiting for its answer (manners.patience_s)"
    assert "call 0, answered from 4.7 s on" in why


@pytest.mark.parametrize(
    ("changed", "rule", "kind", "remedy"),
    [
        ({"rest_s": 30.0}, {}, "it was resting after a reply", {"rest_s": 0.0}),
        (
            {"give_way": "everyone", "patience_s": 0.1},
            {},
            "no rest to answer in",
            {"patience_s": 9.0},
        ),
        ({"share_max": 0.005}, {}, "it has had its share of this minute", {"share_max": 1.0}),
        ({"quiet_share": 0.95}, {}, "the quiet end of the hour", {"quiet_share": 0.0}),
    ],
)
def test_the_setting_that_a_reason_names_changes_it(
    changed: dict[str, object], rule: dict[str, object], kind: str, remedy: dict[str, object]
) -> None:
    start_s = 200.0 if "quiet_share" in changed else 1.0
    first = call([1200, 1500, 1300], start_s, 0.2)
    # Somebody else sings on through every rest that the second call could be answered in.
    other = [note(20, start_s + 8.0, 3.0, 5000, voice="B", phrase=2)]
    second = call([2000, 2500, 2100], start_s + 8.0, 0.2, phrase=1)
    heard = score_of(*first, *second, *other)
    base = Manners(
        wait_s=(0.2, 0.2), patience_s=0.5, give_way="nobody", share_max=1.0, rest_s=0.0,
        leave_off=False, quiet_share=0.0,
    )  # fmt: skip
    strict = msgspec.structs.replace(base, **changed)
    mild = msgspec.structs.replace(strict, **remedy)
    alone = [
        s for s in answer(heard, FETTLE, rules(strict, **rule)).unanswered if s.unanswered == 1
    ]
    assert len(alone) == 1
    assert alone[0].why.startswith(kind)
    (setting,) = re.findall(r"\(manners\.(\w+)\)", alone[0].why)
    assert setting in remedy
    assert 1 not in {s.unanswered for s in answer(heard, FETTLE, rules(mild, **rule)).unanswered}


def test_conditions_are_named_with_their_rule() -> None:
    chosen = rules(Manners(), when=When(notes=(5, 9)))
    (why,) = whys(score_of(*call([1200, 1500])), chosen)
    assert why == ("no rule fits (when): r, notes 2 is outside 5 to 9 (rule.1.when.notes)")
    chosen = rules(Manners(), when=When(clock=("04:00", "05:00")))
    (why,) = whys(score_of(*call([1200, 1500])), chosen)
    assert "the time of day is not known (rule.1.when.clock)" in why


def bells_alone() -> Palette:
    """Fettle without its block and box: nothing is there for a sound of no pitch."""
    tubes = tuple(striker for striker in FETTLE.striker if striker.pitch_hz is not None)
    return msgspec.structs.replace(FETTLE, striker=tubes)


def test_notes_without_pitch_that_no_striker_is_for_are_told() -> None:
    heard = score_of(*call([None, None, None, 2000.0]))
    at_most_three = {"pitch": "rank", "at_most": 3}
    silent = answer(heard, bells_alone(), rules(Manners(), **at_most_three)).unanswered
    # What is pitched lies beyond the most notes of a reply: no choice of strikers changes that.
    assert silent[0].why == (
        "no striker for any of its notes (unpitched): by rule 'r' (rule.1.unpitched)"
    )
    named = rules(Manners(), **at_most_three, unpitched=("tube 1",))
    assert answer(heard, bells_alone(), named).notes
    assert without_striker(heard, rules(Manners()), bells_alone()) == (
        "3 of 4 heard notes have no pitch, and no striker of Fettle is without one:"
        " rule.1.unpitched can name some for them"
    )
    assert not without_striker(heard, named, bells_alone())
    bare = msgspec.structs.replace(FETTLE, striker=())
    assert without_striker(heard, named, bare) == "Fettle has no strikers: nothing can be answered"
    assert not without_striker(heard, rules(Manners()), FETTLE)
    assert not without_striker(score_of(*call([2000.0])), rules(Manners()), bells_alone())


def test_a_reply_cut_off_before_its_first_stroke_is_a_silence() -> None:
    """A table leaves out the first tones; a call begins before the first that is left."""
    table = [{"from_hz": 2000, "to_hz": 9000, "striker": "tube 1"}]
    chosen = msgspec.convert(
        {
            "name": "t", "description": "for this test",
            "manners": {"wait_s": [0.2, 0.2], "share_max": 1.0},
            "rule": [{"name": "r", "pitch": "table", "table": table}],
        },
        RuleSet,
    )  # fmt: skip
    first = call([1200, 1300, 2500], step_s=0.5)
    heard = score_of(*first, note(9, 2.6, 0.1, 1200, phrase=1))
    reply = answer(heard, FETTLE, chosen)
    cut = [s for s in reply.unanswered if s.unanswered == 0]
    assert [kind_of(s.why) for s in cut] == [
        "it left off before its first stroke (manners.leave_off)"
    ]


def test_the_summary_adds_up_kinds() -> None:
    """Tiredness differs in its figure each time; so do the times of other replies."""
    notes = [
        n for k in range(60) for n in call([1200 + 10 * k, 1500, 1900], 1 + 2.5 * k, 0.2, phrase=k)
    ]
    notes = [msgspec.structs.replace(n, id=number) for number, n in enumerate(notes)]
    for name in shipped("rules"):
        score = answer(score_of(*notes), FETTLE, load_rules(name))
        counts = figures(score)["silences"]
        assert isinstance(counts, dict)
        assert sum(counts.values()) == len(score.unanswered)
        assert len(counts) <= 7
    tired = answer(score_of(*notes), FETTLE, load_rules("double-time"))
    assert len({s.why for s in tired.unanswered}) > 7


def test_live_tells_a_waiting_reply_from_its_own_rest() -> None:
    chosen = rules(Manners(wait_s=(0.1, 0.1), patience_s=0.3, rest_s=5.0, give_way="nobody"))
    live = LiveReplier(FETTLE, chosen)
    now = 0.0
    coming = [*call([1200, 1500, 1300], 1.0, 0.2), *call([1400, 1500, 1300], 4.0, 0.2, phrase=1)]
    while now < 12:
        while coming and coming[0].offset_s <= now:
            live.heard(coming.pop(0))
        live.tick(now)
        now += 0.01
    assert [kind_of(s.why) for s in live.silences] == [
        "it was resting after a reply (manners.rest_s)"
    ]

"""Turns: a reply waits for the call's end, and for a caller that begins again."""

from __future__ import annotations

import msgspec
import pytest
from reply_helpers import call, note, score_of

from callresp.io.score import HeardScore, Note, ReplyNote, Unanswered
from callresp.listen.voices.phrases import REST_S, endings, phrased
from callresp.listen.voices.rests import SingersGaps
from callresp.palette.files import load_palette
from callresp.reply.live import LiveReplier
from callresp.reply.replier import answer
from callresp.reply.rules import Manners, Rule, RuleSet, When
from callresp.reply.silences import kind_of
from callresp.reply.turn_taking import SETTLE_S

FETTLE = load_palette("fettle")
PROMPT = Manners(wait_s=(0.05, 0.05), share_max=1.0, rest_s=0.0, quiet_share=0.0, return_s=0.0)


def rules(**changed: object) -> RuleSet:
    manners = msgspec.structs.replace(PROMPT, **changed)
    short = Rule(name="r", at_most=3, damping="short")
    return RuleSet(name="bench", description="for this test", rule=(short,), manners=manners)


def run(first: int, start_s: float, count: int, voice: str = "A") -> list[Note]:
    """Notes of 0.1 s, 0.15 s apart."""
    return [note(first + n, start_s + 0.25 * n, 0.1, 1500 + 40 * n, voice) for n in range(count)]


def heard(*notes: Note) -> HeardScore:
    score = score_of(*notes)
    return msgspec.structs.replace(score, notes=phrased(score.notes))


def live(score: HeardScore, chosen: RuleSet) -> tuple[list[ReplyNote], list[Unanswered]]:
    replier = LiveReplier(FETTLE, chosen)
    out: list[ReplyNote] = []
    coming = sorted(
        [(one.onset_s, 0, one) for one in score.notes]
        + [(one.offset_s, 1, one) for one in score.notes],
        key=lambda event: event[:2],
    )
    for step in range(int(200 * (score.header.duration_s + 5))):
        now = 0.005 * step
        while coming and coming[0][0] <= now:
            _, ended, one = coming.pop(0)
            if ended:
                replier.heard(one, one.id)
            elif (stop_s := replier.began(one.id, one.voice, now)) is not None:
                out = [made for made in out if made.onset_s < stop_s]
        out += replier.tick(now)
    return out, replier.silences


def both(score: HeardScore, chosen: RuleSet) -> list[tuple[list[float], dict[int, str]]]:
    """First strokes, and silences by phrase: as at the desk, and live."""
    desk = answer(score, FETTLE, chosen)
    found = []
    for notes, left in ((desk.notes, desk.unanswered), live(score, chosen)):
        first: dict[int, float] = {}
        for made in notes:
            first.setdefault(made.heard_phrase, made.onset_s)
        whys = {one.unanswered: kind_of(one.why) for one in left}
        found.append((sorted(first.values()), whys))
    return found


def rest_after(count: int) -> float:
    """The rest that ends a run of so many notes."""
    gaps = SingersGaps(REST_S)
    for _ in range(count - 1):
        gaps.heard(0.15)
    return gaps.rest_s


def test_no_reply_begins_before_the_call_is_known_to_be_over() -> None:
    score = heard(*run(0, 1.0, 4))
    for starts, _ in both(score, rules()):
        assert starts == pytest.approx([1.85 + rest_after(4)], abs=0.006)


def test_a_reply_is_held_while_its_caller_sings_again_and_dropped_after_patience() -> None:
    # Between the two runs there is a rest that ends the first call, but 1.6 s are waited for.
    again = heard(*run(0, 1.0, 4), *run(4, 3.0, 4))
    assert {one.phrase for one in again.notes} == {0, 1}
    for starts, _ in both(again, rules(wait_s=(1.6, 1.6), patience_s=2.0)):
        assert 3.85 + REST_S < starts[0] < 3.85 + 1.01
    for starts, whys in both(again, rules(wait_s=(1.6, 1.6), patience_s=0.2)):
        assert whys[0] == "its singer began again (manners.patience_s)"
        assert starts == pytest.approx([5.45], abs=0.006)


def test_a_gap_within_a_call_of_its_caller_is_no_rest_to_answer_in() -> None:
    """Twice as long as others must be silent for: the caller has just begun again."""
    again = heard(*run(0, 1.0, 4), *[note(4 + n, 2.9 + 0.45 * n, 0.1) for n in range(4)])
    assert {one.phrase for one in again.notes} == {0, 1}
    for starts, _ in both(again, rules(wait_s=(1.1, 1.1), patience_s=9.0)):
        assert starts[0] >= 4.35 + REST_S - 0.006


def lark(seconds: float, voice: str = "A") -> list[Note]:
    """Song without a rest, its pitch a slow rise and fall."""
    return [
        note(n, 1.0 + 0.2 * n, 0.12, 2500 + 300 * abs(n % 40 - 20), voice)
        for n in range(int(5 * seconds))
    ]


@pytest.mark.parametrize("give_way", ["everyone", "caller", "nobody"])
def test_who_hardly_rests_is_answered_beneath_or_waited_for(give_way: str) -> None:
    score = heard(*lark(60.0))
    assert len({one.phrase for one in score.notes}) >= 4
    for starts, _ in both(score, rules(give_way=give_way)):
        assert len(starts) >= 2
        assert 16.0 < starts[0] < 35.0  # a bout of some 20 s is no song without a rest
    for starts, whys in both(score, rules(give_way=give_way, sings_on="wait")):
        assert starts  # once it has rested
        assert starts[0] > 60.0
        assert "its singer did not rest (manners.sings_on)" in whys.values()


def test_others_are_answered_over_one_who_hardly_rests_unless_told_to_wait() -> None:
    caller = [msgspec.structs.replace(n, id=900 + n.id, voice="B") for n in call([900] * 4, 40.0)]
    score = heard(*lark(60.0), *caller)
    (theirs,) = {one.phrase for one in score.notes if one.voice == "B"}
    desk = answer(score, FETTLE, rules(patience_s=4.0))
    assert theirs in {made.heard_phrase for made in desk.notes}
    _, whys = both(score, rules(sings_on="wait"))[0]
    assert whys[theirs] == "no rest to answer in (manners.patience_s)"


def test_beneath_it_is_still_given_way_to_others() -> None:
    score = heard(*lark(60.0), note(901, 31.0, 6.0, 900, "B"))
    for starts, _ in both(score, rules(patience_s=20.0)):
        assert not any(31.0 < start_s < 37.0 for start_s in starts)
        assert len(starts) >= 2


def test_once_it_has_rested_it_is_given_way_to_again() -> None:
    first = lark(30.0)
    then = run(500, 35.0, 4)
    score = heard(*first, *then)
    for starts, _ in both(score, rules(patience_s=9.0, wait_s=(4.0, 4.0))):
        assert not any(35.0 < start_s < 35.85 + REST_S for start_s in starts)


@pytest.mark.parametrize("give_way", ["everyone", "caller", "nobody"])
def test_a_long_bout_is_not_sounded_into_and_its_silence_says_why(give_way: str) -> None:
    score = heard(*lark(22.0))
    assert {one.phrase for one in score.notes} == {0, 1}
    for starts, whys in both(score, rules(give_way=give_way)):
        assert whys == {0: "its singer did not rest (manners.patience_s)"}
        assert starts[0] > 23.0


@pytest.mark.parametrize(("after_s", "played"), [(1.3, 3), (2.5, 1)])
def test_the_rest_of_a_call_brings_its_whole_answer(after_s: float, played: int) -> None:
    """One note more 1.3 s after a call breaks off the answer: three strokes over 1.4 s."""
    score = heard(*run(0, 1.0, 4), note(4, 1.85 + after_s, 0.1, 1500))
    assert {one.phrase for one in score.notes} == {0, 1}
    wait_s = after_s - 0.1
    slow = msgspec.structs.replace(rules(wait_s=(wait_s, wait_s)).rule[0], stretch=3.0)
    chosen = msgspec.structs.replace(rules(wait_s=(wait_s, wait_s)), rule=(slow,))
    for notes in (answer(score, FETTLE, chosen).notes, live(score, chosen)[0]):
        by_call = [sum(one.heard_phrase == call_id for one in notes) for call_id in (0, 1)]
        assert by_call == [1, played]


def test_phrases_marked_by_hand_are_over_when_their_voice_goes_on() -> None:
    notes = [*run(0, 1.0, 2), *run(2, 1.5, 2)]
    marked = [msgspec.structs.replace(n, phrase=n.id // 2) for n in notes]
    found = endings(marked)
    assert found[0].known_s == pytest.approx(1.5)
    assert found[1].known_s == pytest.approx(1.85 + REST_S)
    assert not found[0].goes_on


def test_a_rest_that_the_machine_itself_sounded_in_is_not_told_as_none() -> None:
    """A second call is followed by a rest, in which the machine rests; then another bird sings."""
    score = heard(*run(0, 1.0, 4), *run(4, 2.9, 4, "B"), note(8, 5.2, 3.0, 5000, "C"))
    manners = {"leave_off": False, "patience_s": 1.5}
    for starts, whys in both(score, rules(rest_s=2.0, **manners)):
        assert whys[1].startswith(("it was resting", "it was still answering"))
        assert len(starts) == 2
    for starts, whys in both(score, rules(rest_s=0.0, **manners)):
        assert 1 not in whys
        assert len(starts) == 3
    # Where the other bird sings at once, and on, there is no rest.
    on = [note(8 + n, 4.0 + 0.25 * n, 0.2, 5000, "C") for n in range(20)]
    score = heard(*run(0, 1.0, 4), *run(4, 2.9, 4, "B"), *on)
    for _, whys in both(score, rules(rest_s=2.0, **manners)):
        assert whys[1] == "no rest to answer in (manners.patience_s)"


def test_a_call_is_not_known_to_be_over_while_a_sound_lasts_that_may_be_its_next_note() -> None:
    score = heard(*run(0, 1.0, 4), note(8, 2.2, 3.0, 5000, "C"))
    for starts, whys in both(score, rules(give_way="nobody")):
        assert not whys
        assert starts[0] == pytest.approx(5.2, abs=0.006)


@pytest.mark.parametrize(("patience_s", "answered"), [(4.0, "BA"), (1.0, "B")])
def test_calls_that_wait_for_one_rest_are_answered_from_the_latest_on(
    patience_s: float, answered: str
) -> None:
    """Two calls end while a third bird sings on, for some 3 s: each has its own patience."""
    on = [note(20 + n, 1.9 + 0.25 * n, 0.2, 5000, "C") for n in range(12)]
    score = heard(*run(0, 1.0, 4), *run(4, 2.9, 4, "B"), *on)
    voice = {one.id: one.voice for one in score.notes}
    chosen = rules(patience_s=patience_s)
    for notes in (answer(score, FETTLE, chosen).notes, live(score, chosen)[0]):
        order = dict.fromkeys(voice[made.heard] for made in notes if made.heard is not None)
        assert [one for one in order if one != "C"] == list(answered)


def test_a_rest_that_another_call_was_answered_in_is_not_told_as_none() -> None:
    """Two calls wait for one rest; the answer to one is broken off, and no other rest comes."""
    on = [[note(20 + 40 * k + n, at_s + 0.25 * n, 0.2, 5000, "C") for n in range(count)]
          for k, (at_s, count) in enumerate([(1.9, 10), (4.8, 20)])]  # fmt: skip
    score = heard(*run(0, 1.0, 4), *run(4, 1.1, 4, "B"), *on[0], *on[1])
    for starts, whys in both(score, rules(patience_s=4.0)):
        assert starts[0] == pytest.approx(4.35 + SETTLE_S, abs=0.006)
        assert whys[0] == "another call was waiting for its answer (manners.patience_s)"


def test_conditions_hold_when_an_answer_begins_not_only_when_its_call_ends() -> None:
    """Two calls wait for one rest, and at most one in ten seconds is to be answered."""
    on = [note(20 + n, 1.9 + 0.25 * n, 0.2, 5000, "C") for n in range(10)]
    score = heard(*run(0, 1.0, 4), *run(4, 1.1, 4, "B"), *on)
    seldom = msgspec.structs.replace(rules().rule[0], when=When(since_reply_s=10.0))
    chosen = msgspec.structs.replace(rules(patience_s=5.0), rule=(seldom,))
    for starts, whys in both(score, chosen):
        assert len(starts) == 1
        assert whys[0] == whys[2] == "no rule fits (when)"

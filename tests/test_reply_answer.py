"""Answers: in the rests, explained, repeatable, polite."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reply_helpers import call, heard_scores, note, score_of

from callresp.io.resources import shipped
from callresp.io.score import HeardScore, Note, phrases
from callresp.listen.voices.phrases import phrased
from callresp.palette.files import load_palette
from callresp.plan.planner import make_plan
from callresp.reply.replier import answer
from callresp.reply.rules import Manners, Rule, RuleSet, load_rules

FETTLE = load_palette("fettle")
PITCHED = {s.name for s in FETTLE.striker if s.pitch_hz is not None}


def rules(manners: Manners | None = None, **rule: object) -> RuleSet:
    return RuleSet(
        name="bench",
        description="for this test",
        rule=(Rule(name="r", **rule),),  # type: ignore[arg-type]
        manners=manners or Manners(wait_s=(0.2, 0.2), share_max=1.0, rest_s=0.0),
    )


SHIPPED = [load_rules(name) for name in shipped("rules")]


@settings(max_examples=80)
@given(heard_scores(), st.sampled_from(SHIPPED), st.integers(0, 9))
def test_every_phrase_is_answered_or_its_silence_explained(
    heard: HeardScore, chosen: RuleSet, seed: int
) -> None:
    reply = answer(heard, FETTLE, chosen, seed)
    answered = {n.heard_phrase for n in reply.notes}
    silent = {s.unanswered for s in reply.unanswered}
    every = {phrase.id for phrase in phrases(heard.notes)}
    assert silent <= every
    assert answered <= every
    assert not answered & silent
    # A reply that had to leave off before its first note is neither.
    assert all(s.why for s in reply.unanswered)
    ids = {n.id for n in heard.notes}
    for made in reply.notes:
        assert made.heard is None or made.heard in ids
        assert made.why
        assert made.rule in {rule.name for rule in chosen.rule}
    make_plan(reply, FETTLE)


@settings(max_examples=40)
@given(heard_scores(), st.sampled_from(SHIPPED), st.integers(0, 9))
def test_the_same_seed_gives_the_same_reply(heard: HeardScore, chosen: RuleSet, seed: int) -> None:
    assert answer(heard, FETTLE, chosen, seed) == answer(heard, FETTLE, chosen, seed)


@settings(max_examples=60)
@given(heard_scores())
def test_nothing_is_answered_before_it_has_ended(heard: HeardScore) -> None:
    ends = {phrase.id: phrase.offset_s for phrase in phrases(heard.notes)}
    for made in answer(heard, FETTLE, load_rules("answer")).notes:
        assert made.onset_s >= ends[made.heard_phrase]


@settings(max_examples=100)
@given(heard_scores(), st.floats(1.0, 15.0), st.sampled_from(SHIPPED))
def test_the_future_changes_nothing_that_was_struck(
    heard: HeardScore, cut_s: float, chosen: RuleSet
) -> None:
    """Causal: by whichever rules, what was struck by a moment hangs on nothing that begins later.

    Of phrases as the listener closes them; one marked by hand counts as over by another rule.
    """
    heard = msgspec.structs.replace(heard, notes=tuple(phrased(heard.notes)))
    future = {p.id for p in phrases(heard.notes) if p.onset_s > cut_s}
    early = score_of(*(n for n in heard.notes if n.phrase not in future))
    whole, first = (
        [(n.onset_s, n.instrument, n.force, n.heard_phrase) for n in reply.notes]
        for reply in (answer(heard, FETTLE, chosen), answer(early, FETTLE, chosen))
    )
    assert [n for n in first if n[0] <= cut_s] == [n for n in whole if n[0] <= cut_s]


@settings(max_examples=60)
@given(heard_scores(), st.floats(0.05, 0.5))
def test_no_minute_holds_more_than_its_share(heard: HeardScore, share: float) -> None:
    manners = Manners(wait_s=(0.1, 0.1), share_max=share, rest_s=0.0, give_way="nobody")
    reply = answer(heard, FETTLE, rules(manners, damping="short"))
    spans: dict[int, list[float]] = {}
    for n in reply.notes:
        spans.setdefault(n.phrase, []).extend((n.onset_s, n.offset_s or n.onset_s))
    sounding = [(min(times), max(times)) for times in spans.values()]
    for _, end in sounding:
        used = sum(min(b, end) - max(a, end - 60) for a, b in sounding if b > end - 60 and a < end)
        assert used <= share * 60 + 1e-6


def test_gives_way_to_the_caller_and_leaves_off() -> None:
    first = call([1200, 1500, 1300, 1600, 1200, 1500])
    second = [note(9, 4.0, 0.2, 1400, phrase=1)]
    reply = answer(score_of(*first, *second), FETTLE, rules(damping="ring"))
    mine = [n for n in reply.notes if n.heard_phrase == 0]
    assert mine
    assert max(n.onset_s for n in mine) < 4.0 + 0.08
    assert len(mine) < len(first)
    told = [n.why.endswith("leaves off for a call") for n in mine]
    assert told == [False] * (len(mine) - 1) + [True]


def test_waits_for_everyone_if_told_to() -> None:
    mine = call([1200, 1500])
    other = [note(7, 1.2, 2.0, 3000, voice="B", phrase=1)]
    manners = Manners(wait_s=(0.1, 0.1), give_way="everyone", rest_s=0.0, share_max=1.0)
    reply = answer(score_of(*mine, *other), FETTLE, rules(manners))
    assert min(n.onset_s for n in reply.notes) >= 3.2
    impatient = msgspec.structs.replace(manners, patience_s=0.2)
    silent = answer(score_of(*mine, *other), FETTLE, rules(impatient))
    assert any("no rest" in s.why for s in silent.unanswered)


def test_rhythm_is_kept_or_stretched_to_what_the_striker_can_repeat() -> None:
    heard = score_of(*call([1200.0] * 6, step_s=0.05))
    kept = answer(heard, FETTLE, rules(rhythm="kept"))
    steps = [b.onset_s - a.onset_s for a, b in zip(kept.notes, kept.notes[1:], strict=False)]
    assert steps == pytest.approx([0.05] * 5, abs=1e-5)
    assert any(c.change == "dropped" for c in make_plan(kept, FETTLE).plan.changes)
    stretched = answer(heard, FETTLE, rules(rhythm="stretched"))
    plan = make_plan(stretched, FETTLE).plan
    assert not plan.changes
    steps = [
        b.onset_s - a.onset_s for a, b in zip(stretched.notes, stretched.notes[1:], strict=False)
    ]
    assert max(steps) - min(steps) < 1e-5


def test_rhythm_on_the_pulse() -> None:
    times = [0.0, 0.26, 0.49, 0.76, 1.0, 1.25]
    heard = score_of(*(note(n, 1 + t, 0.05) for n, t in enumerate(times)))
    starts = np.array([n.onset_s for n in answer(heard, FETTLE, rules(rhythm="pulse")).notes])
    # Four to the second, as it was made; every step of the answer is one beat exactly.
    steps = np.diff(starts)
    assert steps == pytest.approx(np.full(5, steps[0]), abs=1e-5)
    assert steps[0] == pytest.approx(0.25, abs=0.005)


def test_a_phrase_without_a_pulse_keeps_its_rhythm() -> None:
    times = [0.0, 0.31, 0.4, 1.07, 1.18, 1.9]
    heard = score_of(*(note(n, 1 + t, 0.05) for n, t in enumerate(times)))
    starts = [n.onset_s for n in answer(heard, FETTLE, rules(rhythm="pulse")).notes]
    assert [start - starts[0] for start in starts] == pytest.approx(times, abs=1e-5)


def test_louder_calls_are_struck_harder() -> None:
    soft = [note(0, 1.0, level_db=-50, phrase=0)]
    loud = [note(1, 5.0, level_db=-20, phrase=1)]
    quiet = [note(2, 9.0, level_db=-45, phrase=2)]
    reply = answer(score_of(*soft, *loud, *quiet), FETTLE, rules())
    force = {n.heard_phrase: n.force for n in reply.notes}
    assert force[1] == 1.0
    assert force[2] < force[1]


def test_longer_notes_are_damped_later() -> None:
    heard = score_of(note(0, 1.0, 0.1, phrase=0), note(1, 5.0, 0.8, phrase=1))
    reply = answer(heard, FETTLE, rules(damping="as heard"))
    lengths = [(n.offset_s or 0) - n.onset_s for n in reply.notes]
    assert lengths == pytest.approx([0.1, 0.8], abs=1e-5)
    free = answer(heard, FETTLE, rules(damping="ring"))
    assert all(n.offset_s is None for n in free.notes)


def test_drums_are_answered_on_what_has_no_pitch() -> None:
    reply = answer(score_of(*call([None] * 5, step_s=0.1)), FETTLE, rules())
    assert reply.notes
    assert not {n.instrument for n in reply.notes} & PITCHED
    assert all("no pitch" in n.why for n in reply.notes)


def hisses(bands_hz: list[tuple[float, float]], step_s: float = 0.2) -> HeardScore:
    """Calls without pitch, each in a band."""
    plain = call([None] * len(bands_hz), step_s=step_s)
    return score_of(
        *(
            msgspec.structs.replace(n, low_hz=low, high_hz=high)
            for n, (low, high) in zip(plain, bands_hz, strict=True)
        )
    )


def test_brighter_sounds_without_pitch_go_to_higher_drums() -> None:
    low, high = (800.0, 1500.0), (4000.0, 9000.0)
    reply = answer(hisses([low, high, high, low]), FETTLE, rules())
    # The tin box's modes are counted from 310 Hz, the oak block's from 820.
    wanted = ["tin box", "oak block", "oak block", "tin box"]
    assert [n.instrument for n in reply.notes] == wanted
    alike = answer(hisses([low, (850.0, 1450.0), low, low]), FETTLE, rules())
    assert len({n.instrument for n in alike.notes}) == 1
    on_tubes = answer(hisses([low, high, (2000.0, 3000.0)]), FETTLE, rules(unpitched=PITCHED))
    pitches = [FETTLE.striker_named(n.instrument).pitch_hz for n in on_tubes.notes]  # type: ignore[union-attr]
    assert pitches[0] < pitches[2] < pitches[1]  # type: ignore[operator]


def test_one_close_pair_does_not_slow_or_thin_a_whole_reply() -> None:
    """Two parts of a syllable on one striker are one stroke, not a reason to stretch."""
    steps = [0.0, 0.2, 0.412, 0.6, 0.8]
    near = [note(k, 1 + t, 0.02, 1200.0) for k, t in enumerate(steps)]
    pair = note(9, 1.4, 0.02, 1205.0)
    plain = answer(score_of(*near), FETTLE, rules(rhythm="stretched")).notes
    reply = answer(score_of(*near, pair), FETTLE, rules(rhythm="stretched")).notes
    assert len(reply) == len(plain) == 5
    assert reply[-1].onset_s - reply[0].onset_s == pytest.approx(0.8, abs=1e-6)
    # Twice as fast, 40 ms become 20: one stroke as well.
    quick = score_of(*(note(k, 1 + 0.04 * k, 0.02, 1200.0) for k in range(6)))
    fast = answer(quick, FETTLE, rules(rhythm="kept", treatments=("diminish",))).notes
    assert len(fast) == 3


def test_a_turner_runs_along() -> None:
    reply = answer(score_of(*call([1200, 1300, 1400])), FETTLE, rules(turner="bead shaker"))
    turns = [n for n in reply.notes if n.instrument == "bead shaker"]
    assert len(turns) == 1
    assert turns[0].offset_s is not None


def test_a_turner_follows_the_wind() -> None:
    def floor(start_s: float, floor_db: float, phrase: int) -> list[Note]:
        return [
            msgspec.structs.replace(n, id=100 * phrase + n.id, snr_db=n.level_db - floor_db)
            for n in call([1200, 1300, 1400], start_s, phrase=phrase)
        ]

    notes = [*floor(1, -60, 0), *floor(30, -60, 1), *floor(60, -45, 2)]
    chosen = rules(turner="bead shaker", turner_force=0.2, turner_follows="place")
    reply = answer(score_of(*notes), FETTLE, chosen)
    force = [n.force for n in reply.notes if n.instrument == "bead shaker"]
    assert force[0] == force[1] == 0.2
    assert force[2] > 0.6

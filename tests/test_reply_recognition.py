"""Picking the call from its reply: by hand, at any tempo, and against every alignment."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_helpers import reply_note
from reply_helpers import call, note, score_of

from callresp.io.score import Note, Phrase, ReplyNote, phrases
from callresp.palette.files import load_palette
from callresp.reply.metrics import measure
from callresp.reply.recognition import (
    INNER_STEP,
    OUTER_STEP,
    OWN_STEP,
    TEMPOS,
    Line,
    distance,
    line_of,
    picked,
    unlike,
)
from callresp.reply.replier import answer
from callresp.reply.rules import load_rules

FETTLE = load_palette("fettle")
TUBES = sorted((s for s in FETTLE.striker if s.pitch_hz), key=lambda s: s.pitch_hz or 0)
UP, DOWN = [0, 1, 2, 3], [3, 2, 1, 0]
ARCH = [0, 2, 3, 1]


def sung(places: list[int], start_s: float, step_s: float, phrase: int) -> list[Note]:
    """A call on the tubes' pitches, two octaves up."""
    pitches: list[float | None] = [4 * (TUBES[place].pitch_hz or 0) for place in places]
    notes = call(pitches, start_s, step_s, phrase=phrase)
    return [note(100 * phrase + k, n.onset_s, 0.1, n.pitch_hz, phrase=phrase)
            for k, n in enumerate(notes)]  # fmt: skip


def struck(places: list[int], start_s: float, step_s: float, answers: int) -> list[ReplyNote]:
    return [
        reply_note(100 * answers + k, start_s + k * step_s, None, TUBES[place].name, 0.5, answers)
        for k, place in enumerate(places)
    ]


CALLS = phrases([*sung(UP, 1.0, 0.2, 0), *sung(DOWN, 4.0, 0.2, 1), *sung(ARCH, 7.0, 0.2, 2)])


def _found(calls: tuple[Phrase, ...], strokes: list[ReplyNote]) -> tuple[float, float, int] | None:
    """Share, chance and replies."""
    told = picked(calls, strokes, FETTLE)
    return None if told is None else (told.share, round(told.chance, 4), told.replies)


@pytest.mark.parametrize("step_s", [0.08, 0.2, 0.5])
@pytest.mark.parametrize(("places", "answers"), [(UP, 0), (DOWN, 1), (ARCH, 2)])
def test_an_echo_at_any_tempo_is_picked(places: list[int], answers: int, step_s: float) -> None:
    """Three calls to pick from: chance is a third."""
    assert _found(CALLS, struck(places, 10.0, step_s, answers)) == (1.0, 0.3333, 1)


def test_a_reply_with_another_calls_notes_is_not_picked() -> None:
    assert _found(CALLS, struck(DOWN, 10.0, 0.2, 0)) == (0.0, 0.3333, 1)


def test_calls_that_are_alike_share_a_pick() -> None:
    same = phrases([*sung(UP, 1.0, 0.2, 0), *sung(UP, 4.0, 0.2, 1), *sung(DOWN, 7.0, 0.2, 2)])
    assert _found(same, struck(UP, 10.0, 0.2, 0)) == (0.5, 0.3333, 1)


def test_only_the_minute_before_counts_and_there_must_be_a_choice() -> None:
    """At 62 s the first call has ended 60.4 s ago: two are left; at 66 s there is one."""
    assert _found(CALLS, struck(ARCH, 62.0, 0.2, 2)) == (1.0, 0.5, 1)
    assert picked(CALLS, struck(ARCH, 66.0, 0.2, 2), FETTLE) is None


def test_leaving_notes_out_costs_less_than_adding_them() -> None:
    whole = line_of([(0.0, 1.0), (0.2, 2.0), (0.4, 3.0), (0.6, 2.0), (0.8, 4.0)])
    head, other = whole[:2], line_of([(0.0, 3.0), (0.2, 2.0), (0.3, 1.0)])
    assert distance(whole, whole) == 0.0
    assert distance(head, whole) < distance(whole, head)
    assert distance(head, whole) < distance(other, whole)


def test_steps_are_unlike_half_by_direction_and_half_by_time() -> None:
    up, down, hiss = (1, 0.0), (-1, 0.0), (None, 0.0)
    (near, level, far, one), (_, _, _, both) = unlike((up, hiss), (up, (0, 0.0), down, hiss))
    middle = len(TEMPOS) // 2
    assert [costs[middle] for costs in (near, level, far, one, both)] == [0, 0.25, 0.5, 0.25, 0]
    # An octave of time apart is half of what counts, two and more are all of it.
    ((octave, two, four),) = unlike((up,), ((1, 1.0), (1, 2.0), (1, 4.0)))
    assert [costs[middle] for costs in (octave, two, four)] == [0.25, 0.5, 0.5]
    ((worst,),) = unlike((up,), ((-1, 4.0),))
    assert worst[middle] == 1.0


lines = st.lists(
    st.tuples(st.sampled_from([None, -1, 0, 1]), st.floats(-3, 1)), min_size=1, max_size=4
).map(tuple)


@settings(max_examples=60, deadline=None)
@given(lines, lines)
def test_the_distance_is_that_of_the_best_of_all_alignments(reply: Line, call: Line) -> None:
    """Every way of pairing steps in order, at every tempo, tried one by one."""
    costs = unlike(reply, call)
    best = float("inf")
    for count in range(min(len(reply), len(call)) + 1):
        for own in combinations(range(len(reply)), count):
            for theirs in combinations(range(len(call)), count):
                left = [k for k in range(len(call)) if k not in theirs]
                for tempo in range(len(TEMPOS)):
                    total = sum(costs[a, b, tempo] for a, b in zip(own, theirs, strict=True))
                    total += OWN_STEP * (len(reply) - count)
                    total += _left_out(left, own, theirs, len(reply))
                    best = min(best, float(total))
    assert distance(reply, call) == pytest.approx(best / len(reply), abs=1e-9)


def _left_out(left: list[int], own: tuple[int, ...], theirs: tuple[int, ...], length: int) -> float:
    """What the call's own steps cost: little before the first pair and after the reply's end."""
    total = 0.0
    for step in left:
        before = not theirs or step < theirs[0]
        # After the last pair, steps of the reply that are left may be passed first.
        after = not theirs or step > theirs[-1]
        total += OUTER_STEP if before or after else INNER_STEP
    return total


def test_audition_measures_say_picked_and_chance() -> None:
    notes = [n for k, places in enumerate([UP, DOWN, ARCH, [1, 3, 0, 2]] * 3)
             for n in sung(places, 1 + 4.0 * k, 0.2, k)]  # fmt: skip
    heard = score_of(*notes)
    measures = measure(heard, answer(heard, FETTLE, load_rules("shadow")), FETTLE)
    assert measures.picked is not None
    assert measures.picked_chance is not None
    assert 0.0 <= measures.picked <= 1.0
    assert 0.05 < measures.picked_chance < 0.6

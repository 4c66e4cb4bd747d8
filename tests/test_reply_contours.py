"""Contours and distances against their definitions and against another library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reply_helpers import call, note, score_of

from callresp.io.score import Phrase, phrases
from callresp.palette.files import load_palette
from callresp.reply.mapping import csim, fits, octave_off_cents
from callresp.reply.memory import SAME, Memory, Signature, difference, signature
from callresp.reply.metrics import measure, overlap
from callresp.reply.replier import answer
from callresp.reply.rules import load_rules

FETTLE = load_palette("fettle")


def hz(contour: list[int]) -> list[float]:
    return [440 * 2 ** (step / 6) for step in contour]


@pytest.mark.parametrize(
    ("first", "second", "similar"),
    [
        ([0, 2, 3, 1], [3, 1, 0, 2], 0.0),
        ([1, 0, 4, 3, 2], [3, 0, 4, 2, 1], 0.8),
        ([0, 1, 2, 3, 4, 5, 6], [2, 6, 5, 4, 1, 0, 3], 6 / 21),
    ],
)
def test_csim_of_worked_contours(first: list[int], second: list[int], similar: float) -> None:
    """Values of Marvin & Laprade's CSIM that a library of contour theory checks itself by."""
    assert csim(hz(first), hz(second)) == pytest.approx(similar)
    assert csim(hz(first), hz(first)) == 1.0


def librosa_edit_distance(first: Signature, second: Signature) -> float:
    """Edit distance as a warping path of librosa's: steps aside cost 1, a mismatch 1."""
    from librosa.sequence import dtw

    # Steps count as the same where neither pitch nor time differs by more than 1.
    a, b = np.array([(0, 0), *first]), np.array([(0, 0), *second])
    cost = (np.abs(a[:, None] - b[None]) > 1).any(axis=2).astype(float)
    total = dtw(
        C=cost,
        step_sizes_sigma=np.array([[1, 1], [0, 1], [1, 0]]),
        weights_add=np.array([0.0, 1.0, 1.0]),
        weights_mul=np.array([1.0, 0.0, 0.0]),
        backtrack=False,
    )
    return float(total[-1, -1])


steps = st.lists(st.tuples(st.integers(-4, 4), st.integers(0, 5)), max_size=8).map(tuple)


@settings(max_examples=40)
@given(steps, steps)
def test_difference_agrees_with_librosas_dynamic_programming(
    first: Signature, second: Signature
) -> None:
    longer = max(len(first), len(second), 1)
    assert difference(first, second) == pytest.approx(librosa_edit_distance(first, second) / longer)


@given(steps, steps, st.floats(0, 1))
def test_a_limit_changes_only_what_lies_above_it(
    first: Signature, second: Signature, limit: float
) -> None:
    exact, limited = difference(first, second), difference(first, second, limit)
    assert exact == difference(second, first)
    assert difference(first, first) == 0.0
    assert limited == exact if exact <= limit else limited > limit


def phrase_of(pitches: list[float | None], step_s: float = 0.3, number: int = 0) -> Phrase:
    return phrases(call(pitches, step_s=step_s, phrase=number))[0]


def test_memory_knows_a_song_again_and_a_new_one_apart() -> None:
    memory = Memory()
    song, other = [1200.0, 1800.0, 1500.0, 2400.0], [3000.0, 1000.0, 3000.0, 900.0]
    first = memory.recall(phrase_of(song))  # type: ignore[arg-type]
    assert first.novelty == 1.0
    memory.heard("A", first, "answer")
    again = memory.recall(phrase_of([hz * 1.01 for hz in song], 0.31, 1))
    assert again.novelty < 0.3
    assert again.last_rule == "answer"
    strange = memory.recall(phrase_of(other, 0.1, 2))  # type: ignore[arg-type]
    assert strange.novelty > 0.5
    assert strange.last_rule == ""


def test_a_tune_at_twice_the_pace_is_another_one() -> None:
    song: list[float | None] = [1200.0, 1800.0, 1500.0, 2400.0, 1300.0]
    slow, fast = (signature(phrase_of(song, step_s)) for step_s in (0.2, 0.1))
    assert difference(slow, fast) > 0.5
    memory = Memory()
    memory.heard("A", memory.recall(phrase_of(song, 0.2)), "answer")
    assert memory.recall(phrase_of(song, 0.1, 1)).last_rule == ""


@given(
    st.lists(st.floats(0.04, 0.6), min_size=2, max_size=12),
    st.floats(0.92, 1.08),
    st.integers(0, 2**31),
)
def test_a_rendition_a_little_off_in_time_is_the_same(
    gaps_s: list[float], tempo: float, seed: int
) -> None:
    """8 % of tempo and 4 ms of jitter: what a bird's renditions differ by (common practice)."""
    jitter_s = np.random.default_rng(seed).uniform(-0.004, 0.004, len(gaps_s) + 1)
    plain = np.cumsum([0.0, *gaps_s])
    again = np.sort(tempo * plain + jitter_s - jitter_s[0])
    lines = [
        phrases([note(k, 1 + float(t), 0.02, 1500.0 + 90 * k) for k, t in enumerate(times)])[0]
        for times in (plain, again)
    ]
    first, second = (signature(line) for line in lines)
    assert difference(first, second) <= SAME


def test_the_signature_forgets_key_but_not_shape() -> None:
    song: list[float | None] = [1200.0, 1800.0, 1500.0]
    assert signature(phrase_of(song)) == signature(phrase_of([2 * (p or 0) for p in song]))
    assert signature(phrase_of(song)) != signature(phrase_of(song[::-1]))


def test_a_fit_prefers_what_keeps_the_line() -> None:
    pitches: list[float | None] = [5000.0, 5600.0, 4500.0, 6800.0]
    found = fits(phrases(call(pitches)), FETTLE.striker)
    assert found[0].fit == max(one.fit for one in found)
    assert found[0].contour == 1.0
    nearest = next(f for f in found if f.mapping == "nearest" and f.transpose_cents == 0)
    # All of it lies above the tubes: by nearest every note falls on the highest one.
    assert nearest.strikers == 1
    assert nearest.distinct == 0.0


@pytest.mark.parametrize(
    ("heard", "struck", "off"), [(440, 880, 0.0), (440, 466.1638, 100.0), (1000, 490, -34.98)]
)
def test_octaves_count_as_on_pitch(heard: float, struck: float, off: float) -> None:
    assert octave_off_cents(heard, struck) == pytest.approx(off, abs=0.01)


def test_measures_by_hand() -> None:
    heard = score_of(*call([1200, 1500, 1300], phrase=0), note(5, 30.0, 2.0, voice="B", phrase=1))
    reply = answer(heard, FETTLE, load_rules("answer"))
    figures = measure(heard, reply, FETTLE)
    assert figures.phrases == 2
    assert figures.answered_share == len({n.heard_phrase for n in reply.notes}) / 2
    first = min(n.onset_s for n in reply.notes if n.heard_phrase == 0)
    assert first - 1.7 >= 0.3
    made = [n for n in reply.notes if n.heard_phrase == 0]
    assert overlap(heard, made) == 0.0

"""Treatments and pitch against counterpoint, set theory and published interval sizes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from reply_helpers import note

from callresp.io.score import phrases
from callresp.palette.files import load_palette
from callresp.palette.model import Striker
from callresp.reply.mapping import cents, choose, folded
from callresp.reply.transformations import (
    Tone,
    Tones,
    contour,
    from_phrase,
    invert,
    ostinato,
    retrograde,
    settled,
)

FETTLE = load_palette("fettle")
TUBES = [striker for striker in FETTLE.striker if striker.pitch_hz is not None]
NAMES = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"]

# The row of Schoenberg's Suite for Piano, op. 25, and its forms, as set-theory texts print
# them (for instance Straus, Introduction to Post-Tonal Theory; from memory).
PRIME = ["E", "F", "G", "C#", "F#", "D#", "G#", "D", "B", "C", "A", "A#"]
INVERSION = ["E", "D#", "C#", "G", "D", "F", "C", "F#", "A", "G#", "B", "A#"]


def row(names: list[str]) -> Tones:
    keys = [NAMES.index(name) for name in names]
    return tuple(Tone(n * 0.5, 0.4, 440 * 2 ** (k / 12), -20, n) for n, k in enumerate(keys))


def names_of(tones: Tones) -> list[str]:
    return [NAMES[round(12 * math.log2((t.pitch_hz or 0) / 440)) % 12] for t in tones]


def test_retrograde_and_inversion_of_a_published_row() -> None:
    assert names_of(retrograde(row(PRIME))) == PRIME[::-1]
    assert names_of(invert(row(PRIME))) == INVERSION
    assert names_of(invert(retrograde(row(PRIME))))[0] == "A#"


@pytest.mark.parametrize(
    ("ratio", "size"),
    [
        (2 / 1, 1200.000),
        (3 / 2, 701.955),
        (4 / 3, 498.045),
        (5 / 4, 386.314),
        (6 / 5, 315.641),
        (9 / 8, 203.910),
        (81 / 80, 21.506),
        (531441 / 524288, 23.460),
        (2 ** (1 / 12), 100.000),
    ],
)
def test_published_sizes_of_intervals(ratio: float, size: float) -> None:
    """Ellis, appendix XX to Helmholtz, On the Sensations of Tone (1885): sizes in cents."""
    assert cents(100.0, 100.0 * ratio) == pytest.approx(size, abs=0.001)


tones = st.lists(
    st.builds(
        Tone,
        st.floats(0, 20),
        st.floats(0.01, 1),
        st.none() | st.floats(100, 9000),
        st.floats(-60, 0),
        st.integers(0, 99),
    ),
    min_size=1,
    max_size=12,
).map(settled)


@given(tones)
def test_twice_backwards_is_forwards(run: Tones) -> None:
    again = retrograde(retrograde(run))
    assert sorted(t.at_s for t in again) == pytest.approx(sorted(t.at_s for t in run), abs=1e-9)


@given(tones)
def test_inversion_keeps_sizes_and_turns_directions(run: Tones) -> None:
    pitched = [t.pitch_hz for t in run if t.pitch_hz is not None]
    turned = [t.pitch_hz for t in invert(run) if t.pitch_hz is not None]
    for n in range(1, len(pitched)):
        assert cents(turned[0], turned[n]) == pytest.approx(
            -cents(pitched[0], pitched[n]), abs=1e-6
        )


@given(tones)
def test_a_contour_keeps_first_last_and_every_turn(run: Tones) -> None:
    pitched = [t.pitch_hz for t in run if t.pitch_hz is not None]
    if len(pitched) < 3:
        return
    kept = [t.pitch_hz for t in contour(run) if t.pitch_hz is not None]
    assert kept[0] == pitched[0]
    assert kept[-1] == pitched[-1]
    assert max(kept) == max(pitched)
    assert min(kept) == min(pitched)


@given(st.floats(60, 16000), st.floats(100, 2000), st.floats(1.0, 4.0))
def test_folding_moves_by_octaves_and_as_near_as_can_be(
    pitch: float, low: float, span: float
) -> None:
    high = low * span
    moved = folded(pitch, low, high)
    octaves = math.log2(moved / pitch)
    assert octaves == pytest.approx(round(octaves), abs=1e-9)
    outside = max(cents(moved, low), cents(high, moved), 0)
    for other in (moved * 2, moved / 2):
        assert outside <= max(cents(other, low), cents(high, other), 0) + 1e-6


def pitch_of(striker: Striker | None) -> float:
    assert striker is not None
    assert striker.pitch_hz is not None
    return striker.pitch_hz


@given(st.lists(st.floats(200, 9000), min_size=1, max_size=10))
def test_nearest_is_nearest(pitches: list[float]) -> None:
    for pitch, striker in zip(pitches, choose(pitches, TUBES, "nearest"), strict=True):
        best = min(abs(cents(pitch_of(s), pitch)) for s in TUBES)
        assert abs(cents(pitch_of(striker), pitch)) == best


@given(st.lists(st.floats(200, 9000), min_size=2, max_size=10))
def test_rank_never_crosses(pitches: list[float]) -> None:
    chosen = choose(pitches, TUBES, "rank")
    for a, one in zip(pitches, chosen, strict=True):
        for b, other in zip(pitches, chosen, strict=True):
            spread = max(pitches) / min(pitches) >= 2 ** (50 / 1200)
            if a < b and spread:
                assert pitch_of(one) <= pitch_of(other)


@given(st.lists(st.floats(200, 9000), min_size=2, max_size=10))
def test_contour_never_steps_the_other_way(pitches: list[float]) -> None:
    """In the terms of contour theory (Morris 1987): no COM entry changes its sign."""
    chosen = choose(pitches, TUBES, "contour")
    for n in range(1, len(pitches)):
        asked = pitches[n] - pitches[n - 1]
        given_ = pitch_of(chosen[n]) - pitch_of(chosen[n - 1])
        assert asked * given_ >= 0


def test_leaps_of_octaves_are_spread_over_the_strikers() -> None:
    """A bird's line leaps over octaves; held at the outer strikers it would be two notes."""
    line: list[float | None] = [1200, 4800, 1500, 6000, 3000, 800, 2600, 2000]
    struck = [pitch_of(s) for s in choose(line, TUBES, "contour")]
    assert len(set(struck)) >= 4
    outer = {min(map(pitch_of, TUBES)), max(map(pitch_of, TUBES))}
    assert sum(hz in outer for hz in struck) <= 5
    # A small line keeps its place: a step is the next striker, where the pitch is nearest.
    small: list[float | None] = [1180, 1390, 1180]
    assert [pitch_of(s) for s in choose(small, TUBES, "contour")] == [1178.9, 1392.6, 1178.9]


def test_a_beat_is_kept_on_a_pitch_where_there_are_some() -> None:
    """By the lowest pitch: what has none was taken for the lowest, and drums played it all."""
    line = [None, 3000.0, None, 1800.0, None]
    mixed = [Tone(0.3 * k, 0.1, hz, -20, k) for k, hz in enumerate(line)]
    assert {tone.pitch_hz for tone in ostinato(tuple(mixed))} == {1800.0}
    drum = [Tone(0.3 * k, 0.1, 1500.0 if k == 0 else None, -20, k) for k in range(8)]
    assert {tone.pitch_hz for tone in ostinato(tuple(drum))} == {None}


@pytest.mark.parametrize(("step_s", "beat_s"), [(0.05, 0.2), (0.09, 0.36), (0.15, 0.3), (0.4, 0.4)])
def test_a_beat_can_be_followed_and_keeps_to_the_calls_own(step_s: float, beat_s: float) -> None:
    """Times two or four, never by what lies between."""
    run = tuple(Tone(step_s * k, 0.03, 1500.0, -20, k) for k in range(6))
    assert [tone.at_s for tone in ostinato(run)] == pytest.approx([beat_s * k for k in range(4)])


def test_parts_of_a_syllable_are_one_tone_and_chords_stay() -> None:
    heard = [
        note(0, 1.0, 0.05, None, level_db=-10),
        note(1, 1.02, 0.05, 1800.0, level_db=-30),  # a pitch stands for the syllable
        note(2, 1.2, 0.05, 1500.0, level_db=-30),
        note(3, 1.225, 0.05, 2500.0, level_db=-20),  # the louder part
        note(4, 1.4, 0.05, 1500.0),
        note(5, 1.405, 0.05, 2500.0),  # sung at once: a chord
        note(6, 1.6, 0.05, 2000.0, level_db=-20),
        note(7, 1.62, 0.05, None, level_db=-10),
        note(8, 1.64, 0.05, 2000.0),  # far enough for a tone of its own
    ]
    (phrase,) = phrases(heard)
    assert [tone.heard for tone in from_phrase(phrase)] == [1, 3, 4, 5, 6, 8]

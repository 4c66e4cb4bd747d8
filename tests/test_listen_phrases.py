"""Phrases close at rests that are long for their singer, and never last for ever."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from listen_helpers import row, table
from scipy.stats import norm

from callresp.listen.voices.phrases import ClosedPhrase, PhraseCloser, close_phrases
from callresp.listen.voices.rests import SingersGaps
from callresp.listen.voices.themes import PhraseNote


def sung(number: int, at_s: float, length_s: float = 0.08, hertz: float = 3000.0) -> PhraseNote:
    return PhraseNote(number, at_s, at_s + length_s, float(np.log2(hertz)), -30.0)


def heard(
    closer: PhraseCloser[str], starts_s: list[float], length_s: float = 0.08
) -> list[ClosedPhrase[str]]:
    found = []
    for n, at_s in enumerate(starts_s):
        found += closer.heard("A", sung(n, at_s, length_s))
    return [*found, *closer.finish()]


def test_a_change_of_syllable_closes_nothing() -> None:
    rows = [row(0.15 * k, hertz) for k, hertz in enumerate([900.0, 7000.0, 2000.0, 4000.0] * 5)]
    notes, _ = table(rows)
    assert set(close_phrases(notes, 0.4)["phrase"].tolist()) == {0}


def test_a_rest_closes_and_overlap_does_not() -> None:
    notes, _ = table([row(0.0, 3000.0, length_s=1.0), row(0.2, 900.0), row(1.2, 3000.0)])
    assert close_phrases(notes, 0.4)["phrase"].tolist() == [0, 0, 0]
    notes, _ = table([row(0.0, 3000.0), row(1.2, 3000.0), row(1.35, 3000.0)])
    assert close_phrases(notes, 0.4)["phrase"].tolist() == [0, 1, 1]


def test_a_slow_singer_is_waited_for_longer() -> None:
    # Two notes 0.55 s apart, a rest of two seconds, and so on.
    starts, at_s = [], 0.0
    for _ in range(12):
        starts += [at_s, at_s + 0.8, at_s + 1.6]
        at_s += 4.0
    closer = PhraseCloser[str](0.4)
    found = heard(closer, starts, 0.25)
    later = [len(one.notes) for one in found[4:]]
    assert later == [3] * len(later)
    assert 0.55 < closer._voices["A"].gaps.rest_s < 2.0


def test_a_fast_singer_of_short_phrases_is_hardly_waited_for() -> None:
    closer = PhraseCloser[str](0.4)
    heard(closer, [2.5 * k + 0.12 * n for k in range(20) for n in range(4)])
    assert closer._voices["A"].gaps.rest_s < 0.5


def test_a_stranger_is_waited_for_longer_than_one_known_to_sing_without_pauses() -> None:
    """All three kinds of gaps log-normal: the criterion, worked with scipy's distributions."""
    gaps = SingersGaps(0.4)
    within = norm(math.log(0.06), 1.1 * math.sqrt(1 + 1 / 4))
    pause, between = norm(math.log(0.55), 0.4), norm(math.log(3.0), 1.0)

    def chance(rest_s: float) -> float:
        x = math.log(rest_s)
        more = 39 * within.sf(x) + pause.sf(x)
        return float(more / (more + between.sf(x)))

    assert chance(1.0) > 0.1  # so a second is waited, the longest
    assert gaps.rest_s == 1.0
    for _ in range(60):
        gaps.heard(0.06)
    assert 0.4 < gaps.rest_s < 1.0


def test_who_often_pauses_is_waited_for_longer_than_who_often_rests() -> None:
    """A pause of 0.6 s in the song of one, a rest of 3 s in that of the other."""
    pausing, resting = SingersGaps(0.4), SingersGaps(0.4)
    for n in range(100):
        pausing.heard(0.06 if n % 8 else 0.6)
        resting.heard(0.06 if n % 8 else 3.0)
    assert resting.rest_s < 0.65
    assert pausing.rest_s > 0.9


def test_of_two_singers_the_one_with_longer_gaps_is_waited_for_longer() -> None:
    rests_s = []
    for usual_s in (0.04, 0.12, 0.3):
        rng, gaps = np.random.default_rng(1), SingersGaps(0.4)
        for gap_s in usual_s * np.exp(0.5 * rng.standard_normal(80)):
            gaps.heard(float(gap_s))
        rests_s.append(gaps.rest_s)
    assert rests_s == sorted(rests_s)
    assert rests_s[0] < rests_s[2]


def test_rests_between_phrases_do_not_count_as_gaps_within() -> None:
    """A few rests of seconds among many gaps leave the criterion where it was."""
    steady, resting = SingersGaps(0.4), SingersGaps(0.4)
    for n in range(120):
        for gaps in (steady, resting):
            gaps.heard(0.06)
        if n % 20 == 19:
            resting.heard(4.0)
    assert resting.rest_s <= steady.rest_s + 0.05


def test_a_rest_of_the_profile_beyond_a_second_is_all_that_is_waited() -> None:
    assert SingersGaps(1.5).rest_s == pytest.approx(1.5)


def test_what_sounds_keeps_open_only_whom_it_may_belong_to() -> None:
    closer = PhraseCloser[str](0.4)
    closer.heard("A", sung(0, 1.0))
    over_s = 1.08 + closer._voices["A"].gaps.rest_s
    assert closer.due(over_s - 0.01) == []
    assert closer.due(over_s + 0.01) == ["A"]
    # Something began 0.2 s after the note, and still sounds: it may be A's next.
    assert closer.due(over_s + 2.0, [1.28]) == []
    # This began when A had rested for long.
    assert closer.due(over_s + 2.0, [over_s + 0.1]) == ["A"]


def test_a_singer_without_rest_is_cut_where_it_pauses_longest() -> None:
    gaps = np.full(400, 0.05)
    gaps[100::100] = 0.3
    starts = np.concatenate([[0.0], np.cumsum(0.08 + gaps)]).tolist()
    found = heard(PhraseCloser[str](0.4, longest_s=15.0), starts)
    assert len(found) > 2
    assert all(one.goes_on for one in found[:-1])
    assert not found[-1].goes_on
    # The pause before note 101 lies within the later half of 15 s.
    assert found[0].notes[-1] == 100


def test_a_singer_without_rest_is_cut_where_its_song_turns() -> None:
    closer = PhraseCloser[str](0.4, longest_s=15.0)
    found: list[ClosedPhrase[str]] = []
    for n in range(200):
        found += closer.heard("A", sung(n, 0.12 * n, hertz=2000.0 if n < 90 else 6000.0))
    assert found[0].notes[-1] == 89


def lark(seed: int, themes: bool, total_s: float = 400.0) -> tuple[list[PhraseNote], list[float]]:
    """Song without a rest, in themes of 4 to 12 s or all of one, and where each begins."""
    rng, notes, turns, at_s = random.Random(seed), list[PhraseNote](), list[float](), 0.0
    while at_s < total_s:
        turns.append(at_s)
        end_s = at_s + rng.uniform(4.0, 12.0) if themes else total_s
        motif = [
            (rng.uniform(11.0, 12.8), rng.uniform(0.03, 0.15), rng.uniform(0.02, 0.12))
            for _ in range(rng.randint(1, 4))
        ]
        level_db = rng.uniform(-36.0, -26.0)
        while at_s < end_s:
            place, length_s, gap_s = motif[len(notes) % len(motif)]
            length_s *= math.exp(0.1 * rng.gauss(0, 1))
            pitch = place + 0.03 * rng.gauss(0, 1)
            level = level_db + 1.5 * rng.gauss(0, 1)
            notes.append(PhraseNote(len(notes), at_s, at_s + length_s, pitch, level))
            at_s += length_s + gap_s * math.exp(0.2 * rng.gauss(0, 1))
    return notes, turns


@pytest.mark.parametrize("seed", range(3))
def test_song_that_goes_on_is_cut_where_its_themes_change(seed: int) -> None:
    closer = PhraseCloser[str](0.4)
    notes, turns = lark(seed, themes=True)
    found = [one for note in notes for one in closer.heard("A", note)]
    starts = [notes[one.notes[0]].onset_s for one in found][1:]
    near = [min(abs(at_s - turn_s) for turn_s in turns) < 0.5 for at_s in starts]
    assert sum(near) >= 0.65 * len(near)
    lengths = np.diff(starts)
    assert np.std(lengths) > 1.5
    assert lengths.max() <= 15.5


@pytest.mark.parametrize("seed", range(3))
def test_song_of_one_theme_is_cut_by_its_length_alone(seed: int) -> None:
    closer = PhraseCloser[str](0.4)
    notes, _ = lark(seed, themes=False, total_s=150.0)
    found = [one for note in notes for one in closer.heard("A", note)]
    starts = [notes[one.notes[0]].onset_s for one in found]
    assert np.diff(starts).min() > 7.0


def test_a_note_of_an_open_phrase_can_be_given_to_another_voice() -> None:
    closer = PhraseCloser[str](0.4)
    for n in range(3):
        closer.heard("A", sung(n, 0.15 * n))
    closer.heard("B", sung(3, 0.1))
    assert closer.moved(1, "B") == []
    phrases = {one.voice: one.notes for one in closer.finish()}
    assert phrases == {"A": (0, 2), "B": (3, 1)}
    # What has ended stays.
    assert closer.moved(0, "B") == []


@given(
    st.lists(st.tuples(st.floats(0.0, 1.5), st.floats(0.01, 0.4), st.integers(0, 2)), max_size=60),
    st.floats(0.1, 1.0),
)
def test_every_note_is_in_one_phrase_of_its_voice(
    made: list[tuple[float, float, int]], rest_s: float
) -> None:
    closer, at_s = PhraseCloser[int](rest_s, 5.0), 0.0
    found: list[ClosedPhrase[int]] = []
    voices: dict[int, int] = {}
    for n, (wait_s, length_s, voice) in enumerate(made):
        at_s += wait_s
        voices[n] = voice
        found += closer.heard(voice, sung(n, at_s, length_s))
    found += closer.finish()
    assert sorted(n for one in found for n in one.notes) == list(range(len(made)))
    assert all(voices[n] == one.voice for one in found for n in one.notes)
    assert len({one.phrase for one in found}) == len(found)
    assert all(one.rest_s >= rest_s - 1e-9 for one in found)


@given(st.lists(st.floats(0.02, 3.0), min_size=1, max_size=50))
def test_offline_and_online_close_alike(waits: list[float]) -> None:
    starts = np.cumsum(np.array(waits) + 0.08)
    rows = [row(float(at_s), 3000.0) for at_s in starts]
    notes, _ = table(rows)
    offline = close_phrases(notes, 0.4)["phrase"].tolist()
    closer, clock = PhraseCloser[int](0.4), 0.0
    told: list[ClosedPhrase[int]] = []
    for n, at_s in enumerate(starts.tolist()):
        while clock < at_s:
            told += closer.silent(clock)
            clock += 0.01
        told += closer.heard(0, sung(n, at_s))
    told += closer.finish()
    online = [next(one.phrase for one in told if n in one.notes) for n in range(len(starts))]
    assert online == offline

"""Rhythm: pulse, trills, changes of pace; held against madmom, librosa and scipy."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from conftest import need_madmom
from hypothesis import given
from hypothesis import strategies as st
from pulse_peers import comb_period_s, tempogram_period_s
from scipy import stats

from callresp import rhythm
from callresp.io.score import HeardHeader, HeardScore, Note, phrases
from callresp.io.score_files import write_heard
from callresp.listen.detectors.madmom import why_missing
from callresp.verbs.rhythm import command


@given(st.floats(0.05, 1.0), st.integers(6, 40), st.floats(0, 1000))
def test_a_clock_has_its_own_period_phase_and_full_strength(
    period_s: float, count: int, start_s: float
) -> None:
    found = rhythm.find_pulse(start_s + period_s * np.arange(count))
    assert found is not None
    assert found.period_s == pytest.approx(period_s, rel=1e-6)
    assert found.phase_s == pytest.approx(start_s, abs=1e-6)
    assert found.strength > 0.98


@given(st.integers(0, 10_000), st.floats(0.06, 0.5))
def test_beats_left_out_do_not_hide_the_pulse(seed: int, period_s: float) -> None:
    rng = np.random.default_rng(seed)
    beats = np.cumsum(np.r_[0, 1, 1, 2, rng.choice([1, 2, 3], 10)])
    onsets = beats * period_s + rng.normal(0, 0.01 * period_s, len(beats))
    found = rhythm.find_pulse(onsets)
    assert found is not None
    assert found.period_s == pytest.approx(period_s, rel=0.02)


def test_random_onsets_rarely_have_a_pulse() -> None:
    rng = np.random.default_rng(0)
    runs = [np.cumsum(rng.lognormal(-2, 0.6, 20)) for _ in range(200)]
    assert sum(rhythm.find_pulse(run) is not None for run in runs) < 30


def test_resultant_length_is_that_of_circular_statistics() -> None:
    # Outside: scipy.stats.circvar is 1 - R (Mardia & Jupp, Directional Statistics).
    onsets = np.random.default_rng(1).uniform(0, 5, 30)
    own = abs(rhythm.resultant(onsets, np.array([3.0]))[0])
    assert own == pytest.approx(1 - stats.circvar((2 * np.pi * 3.0 * onsets) % (2 * np.pi)))


@pytest.mark.parametrize("period_s", [0.06, 0.09, 0.14, 0.25])
def test_two_published_methods_hear_the_same_pulse(period_s: float) -> None:
    # Outside: madmom's comb filters (Böck, Krebs & Widmer 2015), librosa's tempogram.
    onsets = period_s * np.arange(20) + np.random.default_rng(2).normal(0, 0.01 * period_s, 20)
    own = rhythm.find_pulse(onsets)
    assert own is not None
    assert tempogram_period_s(onsets) == pytest.approx(own.period_s, rel=0.05)
    need_madmom()
    assert comb_period_s(onsets) == pytest.approx(own.period_s, rel=0.05)


def test_opinions_on_hardly_anything() -> None:
    assert tempogram_period_s([]) is None
    if why_missing() is None:
        assert comb_period_s([]) is None


def test_npvi_as_defined() -> None:
    # Grabe & Low (2002): 100 / (m - 1) * sum |(d_k - d_k+1) / ((d_k + d_k+1) / 2)|, by hand:
    # (0.1 / 0.15 + 0.2 / 0.3) / 2 * 100.
    assert rhythm.npvi([0.1, 0.2, 0.4]) == pytest.approx(66.6667, abs=1e-3)
    # Daniele & Patel (2013), Music Perception 31(1), appendix: a theme in crotchets, nPVI 42.2.
    third = [1 / 3] * 3
    theme = [1, 0.5, 0.5, 1, 0.5, 0.5, *third, 2, *third, *third, 1.5, 1, 0.5]
    assert rhythm.npvi(theme) == pytest.approx(42.2, abs=0.05)
    assert rhythm.npvi([0.1]) is None


def test_a_trill_is_found_where_it_stands() -> None:
    onsets = np.r_[0.0, 0.4, 0.9, 1.2 + np.arange(10) / 16, 3.0, 3.5]
    (trill,) = rhythm.find_trills(onsets)
    assert (trill.first, trill.last) == (3, 12)
    assert trill.rate_hz == pytest.approx(16)


@given(st.floats(1.5, 8.0), st.integers(8, 30))
def test_hurrying_and_slowing(factor: float, count: int) -> None:
    hurrying = np.cumsum(np.r_[0, np.geomspace(0.3, 0.3 / factor, count)])
    pace, name = rhythm.pace_change(hurrying)
    assert name == "accelerando"
    assert pace == pytest.approx(factor, rel=1e-6)
    pace, name = rhythm.pace_change(hurrying[-1] - hurrying[::-1])
    assert name == "ritardando"
    assert pace == pytest.approx(1 / factor, rel=1e-6)


def test_a_steady_phrase_does_not_hurry() -> None:
    onsets = 0.2 * np.arange(20) + np.random.default_rng(3).normal(0, 0.01, 20)
    assert rhythm.pace_change(onsets)[1] == ""


@given(st.lists(st.floats(0, 100), max_size=30))
def test_anything_has_a_rhythm_of_some_kind(onsets: list[float]) -> None:
    found = rhythm.rhythm_of(sorted(onsets))
    assert found.onsets <= len(onsets)
    if found.pulse is not None:
        assert 0 < found.pulse.strength <= 1
        assert found.pulse.period_s > 0


def _score() -> HeardScore:
    notes = [
        Note(id=i, onset_s=1 + 0.1 * i, offset_s=1.05 + 0.1 * i, pitch_hz=None, level_db=-20,
             voice="A", tonality=0.0, phrase=0)
        for i in range(12)
    ]  # fmt: skip
    return HeardScore(header=HeardHeader(duration_s=4.0), notes=tuple(notes))


def test_the_voice_has_the_pulse_of_its_phrases() -> None:
    found = rhythm.phrase_rhythms(phrases(_score().notes))
    pulse = rhythm.voice_pulse([own for _, own in found])
    assert pulse is not None
    assert pulse.period_s == pytest.approx(0.1)
    assert pulse.nearest_s(1.34) == pytest.approx(1.3)
    assert rhythm.voice_pulse([]) is None


def test_the_command_tells_and_emits(tmp_path: Path) -> None:
    path = tmp_path / "x.heard.jsonl"
    write_heard(path, _score())
    told = CliRunner().invoke(command, [str(path)])
    assert "pulse 100.0 ms" in told.stdout
    assert "trill of 12 at 10.0 a second" in told.stdout
    emitted = json.loads(CliRunner().invoke(command, [str(path), "--json"]).stdout)
    assert emitted["pulse_s"] == pytest.approx(0.1)
    none = CliRunner().invoke(command, [str(path), "--voice", "Z"])
    assert none.exit_code == 1

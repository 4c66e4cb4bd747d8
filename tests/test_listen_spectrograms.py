"""Coarse spectrograms of notes, and what they tell of singers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from listen_helpers import recorded, row, table, tone

from callresp.io.audio import open_recording
from callresp.listen.notes import BANDS, BANDS_FROM_HZ, BANDS_TO_HZ, PARTS, Rows
from callresp.listen.offline import note_table
from callresp.listen.profile import Profile
from callresp.listen.voices.looks import looks_of
from callresp.listen.voices.online_voices import VoiceTracker
from callresp.listen.voices.pair_evidence import (
    Pairs,
    pairs_of,
)

EDGES_HZ = np.geomspace(BANDS_FROM_HZ, BANDS_TO_HZ, BANDS + 1)
HANN_SUM_DB = 10 * np.log10(1.5)  # Harris 1978: noise bandwidth of a Hann window, in bins


@pytest.mark.parametrize(("hertz", "peak_db"), [(1050.0, -20.0), (3000.0, -12.0), (8200.0, -26.0)])
def test_a_tone_stands_in_its_own_band_at_its_own_level(
    hertz: float, peak_db: float, tmp_path: Path
) -> None:
    rate_hz = 44100
    wave = 1e-4 * np.random.default_rng(3).standard_normal(3 * rate_hz)
    wave[rate_hz : rate_hz + rate_hz // 5] += tone(hertz, 0.2, peak=10 ** (peak_db / 20))
    heard = note_table(open_recording(recorded(tmp_path, wave)), Profile())[0]
    (loudest,) = heard.features[[int(np.argmax(heard.notes["level_db"]))]]
    middle_db = loudest["spectrogram_db"][1:3].astype(float)
    band = int(np.searchsorted(EDGES_HZ, hertz)) - 1
    assert np.all(middle_db.argmax(axis=1) == band)
    # The skirts of a tone fall into the bands beside its own.
    near_db = 10 * np.log10(np.sum(10 ** (middle_db[:, band - 1 : band + 2] / 10), axis=1))
    assert near_db == pytest.approx(peak_db + HANN_SUM_DB, abs=1.0)
    assert np.all(middle_db[:, band - 5] < peak_db - 40)


def _cells(bands: list[int]) -> np.ndarray:
    """A spectrogram of noise in some bands, 30 dB over what lies beside them."""
    cells = np.full((PARTS, BANDS), -70)
    cells[:, bands] = -40
    return cells


def _buzzes(
    rng: np.random.Generator, repertoires: list[list[list[int]]], bouts: int = 6
) -> tuple[Rows, Rows]:
    """Bouts in turns of buzzes alike in all but how their power is spread in their band."""
    rows, at_s = [], 0.0
    for bout in range(bouts):
        repertoire = repertoires[bout % len(repertoires)]
        for k in range(18):
            note, features = row(at_s, 3000.0, knock=True)
            note["low_hz"], note["high_hz"] = 500.0, 12000.0
            note["offset_s"] = at_s + 0.06
            cells = _cells(repertoire[k % len(repertoire)])
            features["spectrogram_db"] = cells + np.round(rng.normal(0, 1, cells.shape))
            rows.append((note, features))
            at_s += 0.06 + rng.uniform(0.03, 0.08)
        at_s += rng.uniform(1.2, 2.0)
    return table(rows)


def _pairs(notes: Rows, features: Rows) -> Pairs:
    return pairs_of(looks_of(notes, features), notes["onset_s"], notes["offset_s"])


FIRST = [[3, 4, 5], [9, 10], [14, 15, 16, 17]]
SECOND = [[6, 7], [11, 12, 13], [1, 2, 18]]


def test_buzzes_that_differ_only_in_their_spectrum_are_unlike_in_timbre() -> None:
    notes, features = _buzzes(np.random.default_rng(1), [FIRST, SECOND], bouts=2)
    timbre = _pairs(notes, features).timbre
    again = timbre[np.arange(15), np.arange(3, 18)]
    assert again.min() > 0.7
    assert timbre[:18, 18:].max() < 0.1
    # As if all spectrograms were unknown, as with other detectors.
    features["spectrogram_db"] = 0
    assert _pairs(notes, features).timbre.min() > 0.9


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000))
def test_what_faint_noise_does_to_notes_hardly_changes_their_timbre(seed: int) -> None:
    # Noise 30 dB below a song moves bounds by a millisecond or two, levels by some tenths of a
    # decibel, and what lies near the noise floor by more: no truth is needed to ask for this.
    notes, features = _buzzes(np.random.default_rng(3), [FIRST, SECOND], bouts=2)
    before = _pairs(notes, features).timbre
    rng = np.random.default_rng(seed)
    for name, spread in (("onset_s", 0.001), ("offset_s", 0.002), ("level_db", 0.3)):
        notes[name] += rng.normal(0, spread, len(notes))
    cells = features["spectrogram_db"].astype(float)
    noise_db = -70.0 + rng.normal(0, 2.0, cells.shape)
    features["spectrogram_db"] = 10 * np.log10(10 ** (cells / 10) + 10 ** (noise_db / 10))
    assert np.abs(_pairs(notes, features).timbre - before).max() < 0.15


def test_notes_are_held_against_each_other_online_as_offline() -> None:
    notes, features = _buzzes(np.random.default_rng(4), [FIRST, SECOND], bouts=2)
    whole = _pairs(notes, features)
    tracker = VoiceTracker(regroup=False)
    for n in range(len(notes)):
        tracker.assign(notes[n], features[n])
    online = tracker._pairs
    count = len(notes)
    assert online.like[:count, :count] == pytest.approx(whole.like, abs=1e-6)
    assert online.timbre[:count, :count] == pytest.approx(whole.timbre, abs=1e-6)

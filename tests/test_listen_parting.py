"""Several singers at once, and what a place gives back of one: sounds made up for it.

What is true of each sound is known exactly, since it is made here.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from listen_helpers import RATE_HZ, Wave, recorded, rung, sung

from callresp.io.audio import open_recording
from callresp.io.score import Note
from callresp.listen.offline import transcribe
from callresp.listen.profile import Profile


def _quiet(seconds: float) -> Wave:
    return 0.0005 * np.random.default_rng(3).standard_normal(round(seconds * RATE_HZ))


def _heard(folder: Path, wave: Wave) -> tuple[Note, ...]:
    return tuple(transcribe(open_recording(recorded(folder, wave))).notes)


def _at(notes: tuple[Note, ...], onset_s: float, pitch_hz: float) -> list[Note]:
    return [
        note
        for note in notes
        if abs(note.onset_s - onset_s) < 0.02
        and note.pitch_hz
        and abs(1200 * np.log2(note.pitch_hz / pitch_hz)) < 50
    ]


@pytest.mark.parametrize("late_s", [0.0, 0.06])
def test_a_sweep_across_a_stack_of_harmonics_is_another_singers(
    late_s: float, tmp_path: Path
) -> None:
    wave = _quiet(4.0)
    for order in range(1, 7):
        sung(wave, 2.0, 1200.0 * order, 1230.0 * order, 0.25, 0.1 / order)
    sung(wave, 2.0 + late_s, 5700.0, 4300.0, 0.1, 0.1)
    notes = _heard(tmp_path, wave)
    assert _at(notes, 2.0, 1215.0)
    assert _at(notes, 2.0 + late_s, 5000.0)


@pytest.mark.parametrize("below_db", [12.0, 16.0])
def test_what_a_place_gives_back_is_neither_a_note_nor_part_of_one(
    below_db: float, tmp_path: Path
) -> None:
    wave = _quiet(4.0)
    sung(wave, 2.0, 620.0, 650.0, 0.2, 0.3)
    echo = rung(wave - _quiet(4.0), below_db)
    (note,) = _heard(tmp_path, wave + echo)
    assert note.onset_s == pytest.approx(2.0, abs=0.01)
    assert note.offset_s == pytest.approx(2.2, abs=0.05)


@pytest.mark.parametrize("rate_hz", [20.0, 25.0])
@pytest.mark.parametrize("gap_s", [0.008, 0.012, 0.02])
def test_notes_of_a_fast_trill_stay_apart(rate_hz: float, gap_s: float, tmp_path: Path) -> None:
    wave = _quiet(4.0)
    at_s = 1.5 + np.arange(24) / rate_hz
    for moment in at_s:
        sung(wave, moment, 4000.0, 4000.0, 1 / rate_hz - gap_s, 0.003, edge_s=0.003)
    notes = _heard(tmp_path, wave)
    assert len(notes) == len(at_s)
    assert np.abs(np.array([note.onset_s for note in notes]) - at_s).max() < 0.01


def test_a_tone_as_long_as_its_harsh_call_is_its_pitch(tmp_path: Path) -> None:
    wave = _quiet(4.0)
    count = round(0.06 * RATE_HZ)
    hiss = np.random.default_rng(4).standard_normal(count) * np.hanning(count)
    wave[2 * RATE_HZ : 2 * RATE_HZ + count] += 0.02 * hiss
    for order, size in ((1, 0.1), (2, 0.06), (3, 0.03)):
        sung(wave, 2.0, 1230.0 * order, 1200.0 * order, 0.06, size)
    (note,) = _heard(tmp_path, wave)
    assert note.pitch_hz == pytest.approx(1215.0, rel=0.03)


def test_a_chance_peak_under_a_knock_is_no_tone(tmp_path: Path) -> None:
    """A faint tone that is clear only while a knock sounds over it stands by the knock's power."""
    wave = _quiet(4.0)
    sung(wave, 1.96, 9000.0, 9000.0, 0.05, 0.0002)
    knock = np.random.default_rng(2).standard_normal(round(0.03 * RATE_HZ))
    knock *= np.exp(-np.arange(len(knock)) / (0.006 * RATE_HZ))
    wave[2 * RATE_HZ : 2 * RATE_HZ + len(knock)] += 0.2 * knock
    (note,) = _heard(tmp_path, wave)
    assert note.onset_s == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize("steepness", [1.0, 4.0])
def test_the_pieces_of_a_croak_are_one_note(steepness: float, tmp_path: Path) -> None:
    """A croak of less than an octave, rougher than a tone and too narrow for a wide onset."""
    wave = _quiet(4.0)
    count = round(0.12 * RATE_HZ)
    for k, at_s in enumerate((1.0, 1.6, 2.2, 2.8)):
        spectrum = np.fft.rfft(np.random.default_rng(k).standard_normal(count))
        hz = np.fft.rfftfreq(count, 1 / RATE_HZ)
        spectrum[(hz < 1100) | (hz > 2000)] = 0
        croak = np.fft.irfft(spectrum, count) * np.minimum(1, steepness * np.hanning(count))
        wave[round(at_s * RATE_HZ) : round(at_s * RATE_HZ) + count] += 0.1 * croak
    notes = _heard(tmp_path, wave)
    assert [round(note.onset_s, 1) for note in notes] == [1.0, 1.6, 2.2, 2.8]
    # Softly begun, it is 22 dB below its highest 11 ms after its first sample: its onset.
    assert all(note.offset_s - note.onset_s > 0.08 for note in notes)


@pytest.mark.parametrize("seconds", [6.0, 9.0])
def test_what_lasts_longer_than_a_note_may_is_one_and_then_of_the_floor(
    seconds: float, tmp_path: Path
) -> None:
    wave = _quiet(14.0)
    sung(wave, 3.0, 2000.0, 2000.0, seconds, 0.05, edge_s=0.05)
    (note,) = _heard(tmp_path, wave)
    assert note.onset_s == pytest.approx(3.0, abs=0.02)
    assert note.offset_s - note.onset_s > 3.5


@pytest.mark.parametrize("window_ms", [4.0, 10.7, 40.0])
def test_a_group_reopened_before_its_partials_sound_is_heard_out(
    window_ms: float, tmp_path: Path
) -> None:
    wave = _quiet(6.0)
    for order in range(1, 5):
        sung(wave, 1.0, 900.0 * order, 950.0 * order, 4.0, 0.05 / order)
    profile = Profile(window_ms=window_ms, longest_note_s=0.2)
    assert transcribe(open_recording(recorded(tmp_path, wave)), profile).notes

"""A-weighting against the standard's table, and sound pressure from a calibrator."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from listen_helpers import calls, recorded, tone

from callresp.errors import UserError
from callresp.io.audio import level_db, open_recording, power_db, write_wav
from callresp.io.score import Note
from callresp.levels.a_weighting import (
    a_weight_db,
    note_a_level_db,
    pole_frequencies,
    recording_levels_db,
    weighted_power,
)
from callresp.levels.calibration import (
    Calibration,
    calibrate,
    level_report,
    load_calibration,
    write_calibration,
)
from callresp.verbs.levels import calibrate_command, levels_command
from callresp.verbs.transcribe import command as transcribe_command

RATE_HZ = 48000


def a_level_db(samples: npt.ArrayLike, rate_hz: int) -> float:
    return power_db(weighted_power(samples, rate_hz))


# IEC 61672-1:2013, table 3 (design goals), as reprinted with its exact third-octave
# frequencies 1000 * 10**(n/10) at lichtbeeldgeluid.nl, "A, C & U Weighting Table".
TABLE_3_DB = {
    -20: -70.4, -19: -63.4, -18: -56.7, -17: -50.5, -16: -44.7, -15: -39.4, -14: -34.6,
    -13: -30.2, -12: -26.2, -11: -22.5, -10: -19.1, -9: -16.1, -8: -13.4, -7: -10.9, -6: -8.6,
    -5: -6.6, -4: -4.8, -3: -3.2, -2: -1.9, -1: -0.8, 0: 0.0, 1: 0.6, 2: 1.0, 3: 1.2, 4: 1.3,
    5: 1.2, 6: 1.0, 7: 0.5, 8: -0.1, 9: -1.1, 10: -2.5, 11: -4.3, 12: -6.6, 13: -9.3,
}  # fmt: skip


@pytest.mark.parametrize(("step", "weight_db"), TABLE_3_DB.items())
def test_every_third_octave_from_10_hz_to_20_khz(step: int, weight_db: float) -> None:
    assert round(float(a_weight_db(1000 * 10 ** (step / 10))), 1) == weight_db


def test_pole_frequencies_as_the_standard_rounds_them() -> None:
    # IEC 61672-1, annex E: 20.60, 107.7, 737.9 and 12194 Hz.
    f1, f2, f3, f4 = pole_frequencies()
    assert round(f1, 2) == 20.60
    assert (round(f2, 1), round(f3, 1)) == (107.7, 737.9)
    assert round(f4) == 12194


def test_the_rounded_formula_in_common_use_agrees() -> None:
    # Common practice: R_A with rounded poles and +2.00 dB, over the whole table.
    f = 1000 * 10 ** (np.arange(-20, 14) / 10)
    f2 = f**2
    response = (
        12194**2
        * f2**2
        / ((f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194**2))
    )
    assert np.allclose(a_weight_db(f), 20 * np.log10(response) + 2.00, atol=0.01)


@pytest.mark.parametrize("rate_hz", [32000, 44100, 48000, 96000])
@pytest.mark.parametrize("step", [-10, -3, 0, 6, 11])
def test_a_tones_level_is_weighted_as_the_table_says(step: int, rate_hz: int) -> None:
    wave = tone(1000 * 10 ** (step / 10), 0.5, rate_hz, peak=0.1)
    assert a_level_db(wave, rate_hz) == pytest.approx(-20 + TABLE_3_DB[step], abs=0.1)


def test_silence_and_nothing_have_the_lowest_level() -> None:
    assert a_level_db(np.zeros(100), RATE_HZ) == -200
    assert a_level_db(np.zeros(0), RATE_HZ) == -200


def _note(**fields: Any) -> Note:
    return Note(id=0, onset_s=0.0, offset_s=0.1, voice="A", **fields)


@given(st.floats(20, 20000), st.floats(-100, 0))
def test_a_pitched_note_is_weighted_at_its_pitch(hertz: float, level: float) -> None:
    note = _note(pitch_hz=hertz, level_db=level, low_hz=0.0, high_hz=0.0)
    assert note_a_level_db(note) == pytest.approx(level + float(a_weight_db(hertz)))


def test_an_unpitched_note_is_weighted_over_its_band() -> None:
    note = _note(pitch_hz=None, level_db=-30.0, low_hz=100.0, high_hz=10000.0)
    rng = np.random.default_rng(0)
    spectrum = np.fft.rfft(rng.standard_normal(RATE_HZ))
    hertz = np.fft.rfftfreq(RATE_HZ, 1 / RATE_HZ)
    spectrum[(hertz < 100) | (hertz > 10000)] = 0
    wave = np.fft.irfft(spectrum)
    weight = a_level_db(wave, RATE_HZ) - level_db(wave)
    assert note_a_level_db(note) == pytest.approx(-30 + weight, abs=0.3)
    unknown = _note(pitch_hz=None, level_db=-30.0, low_hz=0.0, high_hz=0.0)
    assert note_a_level_db(unknown) == -30.0


def test_a_recordings_levels(tmp_path: Path) -> None:
    path = recorded(tmp_path, tone(100, 3, RATE_HZ, peak=0.1), RATE_HZ)
    plain, weighted = recording_levels_db(open_recording(path))
    assert plain == pytest.approx(-20, abs=0.01)
    assert weighted == pytest.approx(-39.1, abs=0.1)


@pytest.mark.parametrize("sounding", [[1, 1], [1, 0], [0, 1]])
def test_of_several_channels_one_that_sounds_is_not_silent(
    tmp_path: Path, sounding: list[int]
) -> None:
    wave = np.outer(tone(1000, 3, RATE_HZ, peak=0.1), sounding)
    recording = open_recording(recorded(tmp_path, wave, RATE_HZ))
    recording_levels_db(recording)
    assert recording.channels == 2
    assert recording.warnings == []


def _tone_with_handling(tmp_path: Path, peak: float = 0.05, hertz: float = 1000.0) -> Path:
    """A calibrator's tone between the knocks of fitting it and taking it off."""
    rng = np.random.default_rng(1)
    knocks = 0.3 * rng.standard_normal(RATE_HZ // 2)
    calm = 1e-4 * rng.standard_normal(RATE_HZ // 2)
    wave = np.concatenate([knocks, calm, tone(hertz, 4, RATE_HZ, peak), calm, knocks])
    return recorded(tmp_path, np.clip(wave, -0.9, 0.9), RATE_HZ, "tone.wav")


@pytest.mark.parametrize("level", [94.0, 114.0])
def test_a_calibrator_tone_says_what_full_scale_is(tmp_path: Path, level: float) -> None:
    # IEC 60942: 94 dB is 1 Pa, 114 dB is 10 Pa, re 20 µPa.
    assert 20 * math.log10(1 / 20e-6) == pytest.approx(93.98, abs=0.005)
    found = calibrate(open_recording(_tone_with_handling(tmp_path)), level)
    assert found.offset_db == pytest.approx(level - 20 * math.log10(0.05), abs=0.02)
    assert found.tone_hz == pytest.approx(1000, abs=0.2)
    assert found.steady_s > 3.5


def test_the_tone_of_a_pistonphone(tmp_path: Path) -> None:
    path = _tone_with_handling(tmp_path, hertz=250.0)
    assert calibrate(open_recording(path), 124.0, 250.0).tone_hz == pytest.approx(250, abs=0.2)


def test_what_is_no_tone_is_refused(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    noise = recorded(tmp_path, 0.1 * rng.standard_normal(3 * RATE_HZ), RATE_HZ, "noise.wav")
    with pytest.raises(UserError, match="no steady tone at 1000 Hz"):
        calibrate(open_recording(noise), 94)
    drifting = tone(1000, 3, RATE_HZ) * np.geomspace(0.01, 0.9, 3 * RATE_HZ)
    with pytest.raises(UserError, match="no steady tone"):
        calibrate(open_recording(recorded(tmp_path, drifting, RATE_HZ)), 94)
    clipped = np.clip(tone(1000, 3, RATE_HZ, peak=1.3), -1, 1)
    with pytest.raises(UserError, match="clipped"):
        calibrate(open_recording(recorded(tmp_path, clipped, RATE_HZ)), 94)


@given(st.floats(-140, 6), st.floats(60, 140), st.text(max_size=30).filter(str.isprintable))
def test_a_calibration_reads_back(
    tmp_path_factory: pytest.TempPathFactory, tone_db: float, level: float, about: str
) -> None:
    made = Calibration(
        offset_db=level - tone_db, calibrator_level_db=level, tone_level_db=tone_db, about=about
    )
    path = tmp_path_factory.mktemp("chain") / "x.calibration.toml"
    write_calibration(path, made)
    assert load_calibration(path) == made


def test_a_calibration_out_of_range_names_its_line(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text("offset_db = 120.0\ncalibrator_level_db = 20.0\ntone_level_db = -26.0\n")
    with pytest.raises(UserError, match=r"line 2, calibrator_level_db.*60"):
        load_calibration(path)


def test_levels_are_reported_plain_and_weighted() -> None:
    chain = Calibration(offset_db=120.0, calibrator_level_db=94.0, tone_level_db=-26.0)
    report = level_report((-70.0, -75.5), chain)
    assert (report["level_db_spl"], report["level_dba"]) == (50.0, 44.5)


def test_the_command_writes_beside_the_tone(tmp_path: Path) -> None:
    path = _tone_with_handling(tmp_path)
    result = CliRunner().invoke(
        calibrate_command, [str(path), "--level", "94", "--about", "left, gain 30"]
    )
    assert result.exit_code == 0, result.output
    made = load_calibration(tmp_path / "tone.calibration.toml")
    assert made.about == "left, gain 30"
    assert f"add {made.offset_db:.2f} dB" in result.output


def test_levels_and_transcribe_report_sound_pressure(tmp_path: Path) -> None:
    tone_path = _tone_with_handling(tmp_path)
    CliRunner().invoke(calibrate_command, [str(tone_path), "--level", "94"])
    chain = str(tmp_path / "tone.calibration.toml")
    site = recorded(tmp_path, tone(100, 2, RATE_HZ, peak=0.05), RATE_HZ, "site.wav")
    told = CliRunner().invoke(levels_command, [str(site), "--calibration", chain])
    assert "94.0 dB SPL, 74.9 dB(A)" in told.output
    emitted = json.loads(CliRunner().invoke(levels_command, [str(site), "--json"]).stdout)
    assert emitted == {"level_dbfs": -26.0, "a_level_dbfs": -45.2}
    song = recorded(tmp_path, calls((0.5, 1.0, 1.5), 2.0, hertz=1000.0), name="song.wav")
    heard = CliRunner().invoke(transcribe_command, [str(song), "--calibration", chain])
    assert re.search(r"median level (\d+) dB SPL, \1 dB\(A\)", heard.output), heard.output


# IEC 61672-1:2013, table 3, acceptance limits of class 1 (upper, lower), from memory; at 16 and
# 20 kHz and at 10 and 12.5 Hz the lower one is open.
CLASS_1_DB = {
    -20: (3.0, -99.0), -17: (2.0, -2.0), -15: (1.5, -1.5), -10: (1.0, -1.0), 0: (0.7, -0.7),
    6: (1.0, -1.0), 9: (1.5, -2.5), 11: (2.0, -5.0), 13: (3.0, -99.0),
}  # fmt: skip


@pytest.mark.parametrize("step", CLASS_1_DB)
@pytest.mark.parametrize("seconds", [1.0, 5.0])
def test_a_recorded_tone_is_within_class_1(tmp_path: Path, step: int, seconds: float) -> None:
    hertz = 1000 * 10 ** (step / 10)
    path = recorded(tmp_path, tone(hertz, seconds, RATE_HZ, peak=0.5), RATE_HZ)
    plain, weighted = recording_levels_db(open_recording(path))
    upper, lower = CLASS_1_DB[step]
    assert lower <= weighted - plain - TABLE_3_DB[step] <= upper
    # Far nearer than the class asks: what is left is the table's rounding and 24 bits.
    assert weighted - plain == pytest.approx(TABLE_3_DB[step], abs=0.4)


def test_a_steady_offset_is_no_sound(tmp_path: Path) -> None:
    wave = tone(1000, 4, RATE_HZ, peak=0.1) + 0.3
    plain, weighted = recording_levels_db(open_recording(recorded(tmp_path, wave, RATE_HZ)))
    assert plain == pytest.approx(-20, abs=0.02)
    assert weighted == pytest.approx(-20, abs=0.1)


def two_channels(tmp_path: Path, left: Any, right: Any, name: str) -> Path:
    write_wav(tmp_path / name, np.stack([left, right], axis=1), RATE_HZ, "FLOAT")
    return tmp_path / name


@pytest.mark.parametrize("stereo_tone", [True, False])
@pytest.mark.parametrize("stereo_field", [True, False])
def test_a_field_of_74_db_reads_74_whatever_the_channels(
    tmp_path: Path, stereo_tone: bool, stereo_field: bool
) -> None:
    """A calibrator of 94 dB on one microphone of two; a field 20 dB under it, alike at both."""
    rng = np.random.default_rng(1)
    ring, calm = tone(1000, 4, RATE_HZ, 0.2), 1e-5 * rng.standard_normal(4 * RATE_HZ)
    # A field's noise has the same power in both microphones, and is not the same.
    level = 0.2 / np.sqrt(2) / 10
    one, other = (level * rng.standard_normal(8 * RATE_HZ) for _ in range(2))
    tones = two_channels(tmp_path, calm, ring, "tone.wav")
    if not stereo_tone:
        tones = recorded(tmp_path, ring, RATE_HZ, "tone.wav")
    field = two_channels(tmp_path, one, other, "field.wav")
    if not stereo_field:
        field = recorded(tmp_path, one, RATE_HZ, "field.wav")
    told = CliRunner().invoke(calibrate_command, [str(tones), "--level", "94"])
    assert told.exit_code == 0, told.output
    chain = tmp_path / "tone.calibration.toml"
    assert load_calibration(chain).channel == (2 if stereo_tone else None)
    assert ("channel 2 of 2" in told.output) == stereo_tone
    words = [str(field), "--calibration", str(chain)]
    found = CliRunner().invoke(levels_command, words)
    assert "sound pressure: 74.0 dB SPL" in found.output, found.output
    if stereo_field:
        mixed = "channel 2, the one that was" if stereo_tone else "energy mean of 2 channels"
        assert mixed in found.output

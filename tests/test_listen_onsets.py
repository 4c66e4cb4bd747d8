"""Onsets of sounds whose true start is known: attacks of every kind, trills, faint and first ones.

Every sound is made here, so that its truth is exact.
"""

from __future__ import annotations

import io
from pathlib import Path

import numba
import numpy as np
import numpy.typing as npt
import pytest
import scipy.signal
import soundfile
from listen_helpers import sung, tone

from callresp.io.audio import open_recording, write_wav
from callresp.listen.diagnostics import collect_evidence
from callresp.listen.kernels import noise_floor, segmentation
from callresp.listen.notes import Rows
from callresp.listen.offline import note_table
from callresp.listen.online import Listener, NoteEnd, NoteOnset
from callresp.listen.profile import Profile
from callresp.scene.recipe import load_recipe, vary
from callresp.scene.render import render

Wave = npt.NDArray[np.float64]
RATE_HZ = 48000


def heard(wave: Wave, folder: Path, rate_hz: int = RATE_HZ) -> Rows:
    path = folder / "heard.wav"
    write_wav(path, wave, rate_hz)
    return note_table(open_recording(path), Profile())[0].notes


def attack(kind: str, rate_hz: int, number: int, rng: np.random.Generator) -> Wave:
    if kind == "impulse":
        return np.array([0.5])
    if kind == "click":
        return 0.2 * rng.standard_normal(rate_hz // 1000)
    time_s = np.arange(round(0.1 * rate_hz)) / rate_hz
    rise = np.minimum(1.0, time_s / (float(kind) / 1000)) if float(kind) else 1.0
    hertz = (1500, 2200, 3000, 4100, 5200, 6500, 7700)[number % 7]
    return 0.1 * rise * np.minimum(1.0, (0.1 - time_s) / 0.02) * np.sin(2 * np.pi * hertz * time_s)


@pytest.mark.parametrize("rate_hz", [22050, 32000, 44100, 48000])
@pytest.mark.parametrize("kind", ["impulse", "click", "0", "1", "2", "5"])
def test_an_onset_is_neither_early_nor_late_whatever_begins(
    kind: str, rate_hz: int, tmp_path: Path
) -> None:
    rng = np.random.default_rng(1)
    wave = 3e-4 * rng.standard_normal(round(9.5 * rate_hz))
    true_s = []
    for number in range(20):
        first = round((1.0 + 0.4 * number + rng.uniform(0, 0.02)) * rate_hz)
        part = attack(kind, rate_hz, number, rng)
        wave[first : first + len(part)] += part
        true_s.append(first / rate_hz)
    onsets_s = heard(wave, tmp_path, rate_hz)["onset_s"]
    errors_s = [onsets_s[np.abs(onsets_s - at_s).argmin()] - at_s for at_s in true_s]
    assert abs(np.median(errors_s)) < 0.001
    assert np.percentile(np.abs(errors_s), 90) < 0.002


@numba.njit  # type: ignore[untyped-decorator]
def bounds_of(level: Wave, floor_db: float) -> tuple[float, float, float, int]:
    return segmentation.bounds(level, 0, level.size, floor_db, 375.0)


@pytest.mark.parametrize("row", range(4))
@pytest.mark.parametrize("decay_ms", [0.0, 1.0, 4.0, 20.0, np.inf])
@pytest.mark.parametrize("ramp_ms", [0.0, 2.0, 5.0])
def test_the_window_smears_an_onset_as_the_tables_say(
    row: int, decay_ms: float, ramp_ms: float
) -> None:
    """A Hann window of four hops, laid over each kind of sound in samples of 1/48 hop."""
    hop, frame_ms = 48, 32 / 12
    time = np.arange(20 * hop) / hop * frame_ms
    start = np.exp(-time / decay_ms) if decay_ms else (time == 0).astype(np.float64)
    if ramp_ms:
        start = start * np.minimum(1.0, (time + 0.5 * frame_ms / hop) / ramp_ms)
        if ramp_ms > 2 * decay_ms:
            pytest.skip("it would be over before it had risen")
    window = np.hanning(4 * hop + 1)[:-1]
    whole = np.concatenate([np.zeros(8 * hop), start])
    amplitude = np.convolve(whole, window / window.sum())[: len(whole)]
    level_db = 20 * np.log10(amplitude + 1e-4 * amplitude.max())
    floor_db = level_db.max() - segmentation.SMEAR_DB[row] - segmentation.OVER_FLOOR_DB
    depth = 10 ** (-segmentation.SMEAR_DB[row] / 20)
    true_at = 10 + depth * ramp_ms / frame_ms
    errors = []
    for phase in range(0, hop, 4):
        frames = np.ascontiguousarray(level_db[phase::hop])
        _, _, onset, _ = bounds_of(frames, floor_db)
        errors.append(onset + (phase + 1) / hop - true_at)
    # 0.375 of a frame is 1 ms.
    assert abs(np.median(errors)) < 0.375


@pytest.mark.parametrize("notes_a_second", [20, 33, 36, 40, 45])
@pytest.mark.parametrize("peak", [0.1, 0.01])
def test_every_note_of_a_fast_trill_is_heard(
    notes_a_second: float, peak: float, tmp_path: Path
) -> None:
    wave = 3e-4 * np.random.default_rng(2).standard_normal(8 * RATE_HZ)
    on_s = 0.55 / notes_a_second
    true_s = 1.5 + np.arange(80) / notes_a_second
    for at_s in true_s:
        sung(wave, at_s, 4000.0, 4000.0, on_s, peak, RATE_HZ, edge_s=0.002)
    onsets_s = heard(wave, tmp_path)["onset_s"]
    assert max(np.abs(onsets_s - at_s).min() for at_s in true_s) < 0.01
    assert len(onsets_s) <= len(true_s) + 1


@pytest.mark.parametrize("seconds", [1.2, 3.0])
def test_a_hoot_that_fills_its_file_is_one_note(seconds: float, tmp_path: Path) -> None:
    wave = tone(480.0, seconds, RATE_HZ, 0.1)
    wave *= np.minimum(1.0, np.minimum(np.arange(len(wave)), np.arange(len(wave))[::-1]) / 2400)
    wave += 1e-4 * np.random.default_rng(3).standard_normal(len(wave))
    (note,) = heard(wave, tmp_path)
    assert note["onset_s"] < 0.02
    assert note["offset_s"] > seconds - 0.05
    assert note["pitch_hz"] == pytest.approx(480.0, abs=3.0)


def test_a_whine_without_end_is_of_the_place_and_explained(tmp_path: Path) -> None:
    wave = tone(3000.0, 12.0, RATE_HZ, 0.01)
    wave += 1e-3 * np.random.default_rng(3).standard_normal(len(wave))
    assert len(heard(wave, tmp_path)) == 0
    found = collect_evidence(open_recording(tmp_path / "heard.wav"), Profile(), 0.0, 6.0)
    (why,) = {one.why for one in found.left_out if one.setting == "longest_note_s"}
    assert "from the first sample" in why


def test_an_opening_full_of_sound_does_not_hide_the_noise() -> None:
    """Exponential powers: what a spectrum of Gaussian noise has in every bin."""
    rng = np.random.default_rng(4)
    power = rng.exponential(1.0, (800, 60)).astype(np.float32)
    quartile = noise_floor.opening_quantile(power)
    assert np.mean(quartile) == pytest.approx(-np.log(0.75), rel=0.05)
    power[: round(0.85 * 800), 20:40] += 1000.0
    filled = noise_floor.opening_quantile(power)
    # 35 dB too high by the quartile, less than 10 dB by the lowest frames.
    assert np.mean(filled[22:38]) < 10 * -np.log(0.75)


def hiss(rng: np.random.Generator, low_hz: float, high_hz: float, seconds: float) -> Wave:
    """Noise in a band, soft at both ends, RMS 1."""
    count = round(seconds * RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hertz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    spectrum[(hertz < low_hz) | (hertz > high_hz)] = 0
    part = np.fft.irfft(spectrum, count)
    ends = np.minimum(np.arange(count), np.arange(count)[::-1])
    return np.asarray(part / part.std() * np.minimum(1.0, ends / (0.003 * RATE_HZ)))


def test_a_faint_hiss_in_a_quiet_place_is_heard_and_steady_noise_is_not(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    noise = 1e-3 * rng.standard_normal(20 * RATE_HZ)
    assert len(heard(noise, tmp_path)) == 0
    # Noise of RMS 1e-3 over 24 kHz has 0.0005 in 6 kHz; 9.5 dB over that.
    size = 1e-3 * np.sqrt(6000 / 24000) * 10 ** (9.5 / 20)
    wave, true_s = noise.copy(), np.arange(3.0, 19.0, 1.0)
    for at_s in true_s:
        part = size * hiss(rng, 1000.0, 7000.0, 0.09)
        first = round(at_s * RATE_HZ)
        wave[first : first + len(part)] += part
    onsets_s = heard(wave, tmp_path)["onset_s"]
    found = [bool(np.any(np.abs(onsets_s - at_s) < 0.02)) for at_s in true_s]
    assert sum(found) >= 14
    assert len(onsets_s) <= len(true_s) + 2


def test_a_hiss_after_a_louder_call_of_its_band_has_an_attack_and_is_no_tail(
    tmp_path: Path,
) -> None:
    rng = np.random.default_rng(6)
    wave = 1e-4 * rng.standard_normal(6 * RATE_HZ)
    true_s = np.arange(1.0, 5.0, 0.5)
    for at_s in true_s:
        for order in range(1, 9):
            sung(wave, at_s, 800.0 * order, 790.0 * order, 0.08, 0.1 / order, RATE_HZ)
            sung(wave, at_s + 0.16, 800.0 * order, 790.0 * order, 0.05, 0.02 / order, RATE_HZ)
    onsets_s = heard(wave, tmp_path)["onset_s"]
    for at_s in true_s:
        assert np.abs(onsets_s - at_s - 0.16).min() < 0.01


@pytest.mark.parametrize(
    ("container", "codec", "noise_db"),
    [("OGG", "VORBIS", -80.0), ("OGG", "VORBIS", -90.0), ("MP3", "MPEG_LAYER_III", -80.0)],
)
def test_what_a_codec_leaves_beside_calls_is_no_note(
    container: str, codec: str, noise_db: float, tmp_path: Path
) -> None:
    """Two-note calls in a quiet place: the codec lets its noise through in blocks beside them."""
    rng = np.random.default_rng(7)
    wave = scipy.signal.lfilter([1.0], [1.0, -0.98], rng.standard_normal(12 * 44100))
    wave *= 10 ** (noise_db / 20) / wave.std()
    for at_s in np.arange(1.0, 11.0, 1.5):
        sung(wave, at_s, 660.0, 655.0, 0.2, 0.2, 44100, edge_s=0.02)
        sung(wave, at_s + 0.35, 550.0, 548.0, 0.3, 0.2, 44100, edge_s=0.02)
    coded = io.BytesIO()
    soundfile.write(coded, wave, 44100, format=container, subtype=codec)
    coded.seek(0)
    notes = heard(soundfile.read(coded)[0], tmp_path, 44100)
    assert 14 <= len(notes) <= 20


def test_explain_names_the_level_that_is_asked_and_the_setting_it_comes_from(
    tmp_path: Path,
) -> None:
    wave = 2e-3 * np.random.default_rng(5).standard_normal(8 * RATE_HZ)
    for second, peak in enumerate((0.0008, 0.0010, 0.0012, 0.0014, 0.0016), 2):
        whistle = tone(3000.0, 0.15, RATE_HZ, peak) * np.hanning(round(0.15 * RATE_HZ))
        wave[second * RATE_HZ : second * RATE_HZ + len(whistle)] += whistle
    write_wav(tmp_path / "faint.wav", wave, RATE_HZ)
    found = collect_evidence(open_recording(tmp_path / "faint.wav"), Profile(), 1.0, 8.0)
    faint = [one for one in found.left_out if "over the floor" in one.why]
    assert faint
    assert all("12.0 dB here: floor_db, 10 dB, and 2.0 dB more" in one.why for one in faint)


def test_few_onsets_of_croaks_come_to_nothing() -> None:
    pond = render(vary(load_recipe("pond"), seconds=30)).samples.astype(np.float32)
    listener = Listener(RATE_HZ)
    events = [
        event
        for start in range(0, len(pond), 256)
        for event in listener.push(pond[start : start + 256])
    ]
    events += listener.finish()
    begun = {event.key for event in events if isinstance(event, NoteOnset)}
    none = {event.key for event in events if isinstance(event, NoteEnd) and event.note is None}
    assert len(none) < 0.4 * len(begun)

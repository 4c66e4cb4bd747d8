"""Onsets of sounds whose true start is known: attacks of every kind, trills, and first ones.

Every sound is made here, so that its truth is exact.
"""

from __future__ import annotations

from pathlib import Path

import numba
import numpy as np
import numpy.typing as npt
import pytest
import scipy.signal
from listen_helpers import heard, online, sung, tone

from callresp.io.audio import open_recording
from callresp.listen.diagnostics import collect_evidence
from callresp.listen.kernels import segmentation
from callresp.listen.online import NoteEnd, NoteOnset
from callresp.listen.profile import Profile
from callresp.scene.recipe import load_recipe, vary
from callresp.scene.render import render

Wave = npt.NDArray[np.float64]
RATE_HZ = 48000


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
    onsets_s = heard(wave, tmp_path, rate_hz=rate_hz)["onset_s"]
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
@pytest.mark.parametrize(("peak", "share"), [(0.1, 0.55), (0.01, 0.55), (0.1, 0.7)])
def test_every_note_of_a_fast_trill_is_heard(
    notes_a_second: float, peak: float, share: float, tmp_path: Path
) -> None:
    wave = 3e-4 * np.random.default_rng(2).standard_normal(8 * RATE_HZ)
    on_s = share / notes_a_second
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


def test_a_crow_that_fills_its_file_is_one_note(tmp_path: Path) -> None:
    """Its harmonics lie so close that each has others within what counts as its neighbours."""
    at_s = np.arange(round(1.3 * RATE_HZ)) / RATE_HZ
    turns = 2 * np.pi * np.cumsum(420 + 30 * np.sin(2 * np.pi * at_s / 1.3)) / RATE_HZ
    wave = sum(0.03 * np.sin(k * turns + k) / k**0.5 for k in range(1, 9))
    wave = wave * np.minimum(1.0, (at_s + 0.02) / 0.05)
    rng = np.random.default_rng(3)
    (note,) = heard(wave * (1 + 0.05 * rng.standard_normal(len(at_s))), tmp_path)
    assert note["offset_s"] - note["onset_s"] > 1.2


def test_what_fills_its_file_and_became_the_floor_is_explained(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    band = scipy.signal.butter(4, (800, 3000), "bandpass", fs=RATE_HZ, output="sos")
    wave = 0.1 * scipy.signal.sosfilt(band, rng.standard_normal(2 * RATE_HZ))[RATE_HZ // 2 :]
    assert len(heard(wave, tmp_path)) == 0
    recording = open_recording(tmp_path / "heard.wav")
    first = collect_evidence(recording, Profile(), 0.0, 2.0).left_out[0]
    assert "taken for noise of the place" in first.why
    # Down to 20 dB below its loudest bin: the filter falls by 24 dB an octave.
    assert 400 < first.low_hz < 800
    assert 3000 < first.high_hz < 5400


def test_a_whine_without_end_is_of_the_place_and_explained(tmp_path: Path) -> None:
    wave = tone(3000.0, 12.0, RATE_HZ, 0.01)
    wave += 1e-3 * np.random.default_rng(3).standard_normal(len(wave))
    assert len(heard(wave, tmp_path)) == 0
    found = collect_evidence(open_recording(tmp_path / "heard.wav"), Profile(), 0.0, 6.0)
    (why,) = {one.why for one in found.left_out if one.setting == "longest_note_s"}
    assert "from the first sample" in why


def test_few_onsets_of_croaks_come_to_nothing() -> None:
    pond = render(vary(load_recipe("pond"), seconds=30)).samples
    events = [event for _, event in online(pond)]
    begun = {event.key for event in events if isinstance(event, NoteOnset)}
    none = {event.key for event in events if isinstance(event, NoteEnd) and event.note is None}
    assert len(none) < 0.3 * len(begun)

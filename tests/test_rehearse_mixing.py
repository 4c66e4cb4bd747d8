"""The mix: the chorus untouched, the machine beside it, never a clip."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile as sf
from hypothesis import given, settings
from hypothesis import strategies as st
from rehearse_helpers import bar, machine, plan, render, strike

from callresp.errors import UserError
from callresp.io.audio import open_recording, write_wav
from callresp.synthesis.levels import ListeningPoint
from callresp.synthesis.mixing import TAIL_MAX_S, MixSettings, mix, true_peak

RATE = 22050
NEAR = ListeningPoint(distance_m=1.0, air=False, travel=False)
Waves = npt.NDArray[np.float64]


def chorus(
    path: Path, seconds: float = 1.5, gain: float = 0.1, channels: int = 1, rate: int = RATE
) -> Path:
    time_s = np.arange(int(seconds * rate)) / rate
    wave = gain * np.sin(2 * np.pi * 3000 * time_s)
    if channels == 2:
        write_wav(path, np.stack([wave, -0.5 * wave], axis=1), rate, "FLOAT")
    else:
        write_wav(path, wave, rate, "FLOAT")
    return path


def read(path: Path) -> Waves:
    return np.asarray(sf.read(path, dtype="float64")[0])


def test_the_mix_is_the_chorus_plus_the_machine(tmp_path: Path) -> None:
    source = chorus(tmp_path / "x.wav")
    palette, score = machine(bar(t60_s=(0.3,) * 4)), plan(strike(0.2), duration_s=1.5)
    done = mix(source, score, palette, tmp_path / "out.wav", MixSettings(float32=True), NEAR)
    assert done.gain_db == 0.0
    own = render(score, palette, RATE, 1.5, place=NEAR)
    assert np.abs(read(tmp_path / "out.wav") - (read(source) + own)).max() < 1e-6


def test_the_last_stroke_rings_out_after_the_recording(tmp_path: Path) -> None:
    source = chorus(tmp_path / "x.wav")
    palette, score = machine(bar(t60_s=(2.0,) * 4)), plan(strike(1.0), duration_s=1.5)
    done = mix(source, score, palette, tmp_path / "out.wav", place=NEAR)
    assert done.duration_s == pytest.approx(3.01, abs=1e-3)
    endless = machine(bar(t60_s=(100.0,) * 4))
    done = mix(source, score, endless, tmp_path / "out.wav", place=NEAR)
    assert done.duration_s == pytest.approx(1.5 + TAIL_MAX_S, abs=1e-3)


@given(
    gain=st.floats(0.05, 1.0),
    full_scale=st.floats(60.0, 94.0),
    headroom=st.floats(0.0, 12.0),
    pan=st.floats(-1.0, 1.0),
    stereo=st.booleans(),
)
@settings(max_examples=15)
def test_it_never_clips_and_keeps_the_headroom(
    tmp_path_factory: pytest.TempPathFactory,
    gain: float,
    full_scale: float,
    headroom: float,
    pan: float,
    stereo: bool,
) -> None:
    folder = tmp_path_factory.mktemp("mix")
    source = chorus(folder / "x.wav", 0.4, gain)
    palette = machine(bar(t60_s=(0.2,) * 4))
    loud = ListeningPoint(distance_m=0.5, full_scale_db=full_scale, air=False)
    mixing = MixSettings(headroom_db=headroom, stereo=stereo, pan=pan)
    done = mix(source, plan(strike(0.05), strike(0.11)), palette, folder / "out.wav", mixing, loud)
    samples = read(folder / "out.wav")
    ceiling = 10 ** (-headroom / 20)
    assert np.abs(samples).max() <= ceiling + 2**-22
    assert done.gain_db <= 0
    if done.gain_db < 0:
        peak = true_peak(samples.reshape(len(samples), -1), RATE)
        assert peak == pytest.approx(ceiling, rel=0.02), "no more is taken off than is needed"


def test_one_gain_for_both_keeps_the_balance(tmp_path: Path) -> None:
    source = chorus(tmp_path / "x.wav", gain=0.9)
    palette, score = machine(bar(t60_s=(0.3,) * 4)), plan(strike(0.2), duration_s=1.5)
    loud = ListeningPoint(distance_m=1.0, full_scale_db=80.0, air=False, travel=False)
    done = mix(source, score, palette, tmp_path / "out.wav", MixSettings(float32=True), loud)
    assert done.gain_db < 0
    own = render(score, palette, RATE, 1.5, place=loud)
    together = 10 ** (done.gain_db / 20) * (read(source) + own)
    assert np.abs(read(tmp_path / "out.wav") - together).max() < 1e-4


def test_true_peaks_between_samples_are_seen() -> None:
    # ITU-R BS.1770-4, annex 2: a sine at a quarter of the rate, sampled 45° off its peaks,
    # reads 3 dB low by its samples.
    wave = np.sin(2 * np.pi * np.arange(4000) / 4 + np.pi / 4)[:, None]
    assert np.abs(wave).max() == pytest.approx(np.sqrt(0.5))
    assert true_peak(wave, 48000) == pytest.approx(1.0, rel=0.06)


@pytest.mark.parametrize("rate", [8000, 44100, 96000, 192000])
def test_the_rate_is_the_recordings(tmp_path: Path, rate: int) -> None:
    source = chorus(tmp_path / "x.wav", 0.3, rate=rate)
    done = mix(source, plan(strike(0.1)), machine(bar(t60_s=(0.2,) * 4)), tmp_path / "out.wav")
    info = sf.info(tmp_path / "out.wav")
    assert (info.samplerate, info.subtype, info.channels) == (rate, "PCM_24", 1)
    assert done.sample_rate_hz == rate


def test_stereo_keeps_the_two_channels_and_places_the_machine(tmp_path: Path) -> None:
    source = chorus(tmp_path / "x.wav", channels=2)
    palette, score = machine(bar(t60_s=(0.3,) * 4)), plan(strike(0.2), duration_s=1.5)
    mixing = MixSettings(stereo=True, pan=-1.0, float32=True)
    mix(source, score, palette, tmp_path / "out.wav", mixing, NEAR)
    left, right = read(tmp_path / "out.wav").T
    first, second = read(source).T
    own = render(score, palette, RATE, 1.5, place=NEAR)
    assert np.abs(right - second).max() < 1e-6, "nothing of the machine on the far side"
    assert np.abs(left - (first + np.sqrt(2) * own)).max() < 1e-6


@given(pan=st.floats(-1.0, 1.0))
def test_panning_keeps_the_power(pan: float) -> None:
    left, right = MixSettings(stereo=True, pan=pan).gains
    assert left**2 + right**2 == pytest.approx(2.0)
    assert MixSettings(stereo=True).gains == pytest.approx((1.0, 1.0))


def test_the_machine_alone_keeps_its_times(tmp_path: Path) -> None:
    source = chorus(tmp_path / "x.wav")
    palette, score = machine(bar(t60_s=(0.3,) * 4)), plan(strike(0.2), duration_s=1.5)
    mix(source, score, palette, tmp_path / "a.wav", MixSettings(alone=True, float32=True), NEAR)
    own = render(score, palette, RATE, 1.5, place=NEAR)
    assert np.abs(read(tmp_path / "a.wav") - own).max() < 1e-6
    done = mix(None, score, palette, tmp_path / "b.wav", place=NEAR)
    assert done.sample_rate_hz == 48000
    assert done.duration_s == pytest.approx(1.5, abs=1e-3)


def test_a_recording_that_breaks_off_is_said_and_the_rest_is_the_machine(tmp_path: Path) -> None:
    source = chorus(tmp_path / "x.wav", 2.0)
    source.write_bytes(source.read_bytes()[: RATE * 4])
    score = plan(strike(1.5), duration_s=2.0)
    done = mix(source, score, machine(bar(t60_s=(0.3,) * 4)), tmp_path / "out.wav", place=NEAR)
    assert any("breaks off" in warning for warning in done.warnings)
    assert np.abs(read(tmp_path / "out.wav")[int(1.55 * RATE) :]).max() > 0.01


def test_an_empty_plan_alone_is_refused_and_leaves_no_file(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="plan is empty"):
        mix(None, plan(duration_s=0.0), machine(bar()), tmp_path / "out.wav")
    assert list(tmp_path.iterdir()) == []


def test_an_open_recording_may_be_given(tmp_path: Path) -> None:
    recording = open_recording(chorus(tmp_path / "x.wav"))
    shares: list[float] = []
    mix(recording, plan(strike(0.1)), machine(bar()), tmp_path / "o.wav", progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


@pytest.mark.parametrize(("headroom", "pan"), [(-1.0, 0.0), (1.0, 1.5)])
def test_impossible_mixes_are_refused(headroom: float, pan: float) -> None:
    with pytest.raises(UserError):
        MixSettings(headroom_db=headroom, pan=pan)

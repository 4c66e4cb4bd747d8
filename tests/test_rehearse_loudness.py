"""Loudness of a mix: by the published test signals, and as a library measures it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
from rehearse_helpers import bar, machine, plan, strike
from test_rehearse_mixing import NEAR, chorus, read

from callresp.synthesis.loudness import LoudnessMeter
from callresp.synthesis.mixing import MixSettings, mix, true_peak

RATE = 48000


@pytest.mark.parametrize(("level_db", "lufs"), [(-23.0, -23.0), (-33.0, -33.0), (-40.0, -40.0)])
def test_a_stereo_sine_reads_its_level(level_db: float, lufs: float) -> None:
    # EBU Tech 3341, test signals 1 and 2: a stereo sine of 1 kHz at a level reads that, ±0.1 LU.
    wave = 10 ** (level_db / 20) * np.sin(2 * np.pi * 1000 * np.arange(20 * RATE) / RATE)
    meter = LoudnessMeter(RATE, 2)
    meter.push(np.stack([wave, wave], axis=1))
    assert meter.loudness() == pytest.approx(lufs, abs=0.1)


def test_quiet_parts_are_gated_out() -> None:
    # EBU Tech 3341, test signal 3: 10 s at -36, 60 s at -23, 10 s at -36 dB read -23 LUFS, ±0.1 LU.
    parts = [(10, -36.0), (60, -23.0), (10, -36.0)]
    gain = np.concatenate([np.full(seconds * RATE, 10 ** (db / 20)) for seconds, db in parts])
    wave = gain * np.sin(2 * np.pi * 1000 * np.arange(len(gain)) / RATE)
    meter = LoudnessMeter(RATE, 2)
    meter.push(np.stack([wave, wave], axis=1))
    assert meter.loudness() == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("rate", [22050, 44100, 96000])
def test_it_measures_as_the_library_does_whatever_the_blocks(rate: int) -> None:
    rng = np.random.default_rng(rate)
    wave = rng.standard_normal((6 * rate, 1)) * np.repeat([0.001, 0.2, 0.05], 2 * rate)[:, None]
    meter = LoudnessMeter(rate, 1)
    for first in range(0, len(wave), 777):
        meter.push(wave[first : first + 777])
    whole = pyloudnorm.Meter(rate).integrated_loudness(wave)
    assert meter.loudness() == pytest.approx(whole, abs=0.05)


def test_silence_has_no_loudness() -> None:
    meter = LoudnessMeter(RATE, 1)
    meter.push(np.zeros((RATE, 1)))
    assert meter.loudness() is None


@pytest.mark.parametrize("gain", [0.003, 0.2])
def test_a_mix_comes_out_at_the_loudness_asked_for(tmp_path: Path, gain: float) -> None:
    source = chorus(tmp_path / "x.wav", 4.0, gain)
    palette, score = machine(bar(t60_s=(0.3,) * 4)), plan(duration_s=4.0)
    settings = MixSettings(loudness_lufs=-23.0)
    done = mix(source, score, palette, tmp_path / "out.wav", settings, NEAR)
    whole = pyloudnorm.Meter(22050).integrated_loudness(read(tmp_path / "out.wav"))
    assert whole == pytest.approx(-23.0, abs=0.1)
    assert done.loudness_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("lufs", [-60.0, -23.0])
@pytest.mark.parametrize("level_db", [-90.0, -40.0])
def test_the_gate_counts_what_is_turned_up_and_down(lufs: float, level_db: float) -> None:
    # Long rests beneath the absolute gate no longer lower the mean that the relative gate goes by,
    # and soft notes then lie under it.
    steps_db = np.repeat([0.0, -13.0, *[-30.0] * 6] * 3, RATE)
    noise = np.random.default_rng(5).standard_normal(len(steps_db))
    wave = (noise * 10 ** ((steps_db + level_db) / 20))[:, None]
    meter = LoudnessMeter(RATE, 1)
    meter.push(wave)
    gain = meter.gain_to(lufs)
    assert gain is not None
    whole = pyloudnorm.Meter(RATE).integrated_loudness(gain * wave)
    assert whole == pytest.approx(lufs, abs=0.05)
    assert meter.loudness(gain) == pytest.approx(whole, abs=0.05)


def test_true_peaks_go_before_loudness(tmp_path: Path) -> None:
    source = chorus(tmp_path / "x.wav", 4.0, 0.001)
    palette = machine(bar(t60_s=(0.2,) * 4))
    settings = MixSettings(loudness_lufs=-10.0)
    done = mix(source, plan(strike(1.0)), palette, tmp_path / "out.wav", settings, NEAR)
    samples = read(tmp_path / "out.wav")
    assert 20 * np.log10(true_peak(samples[:, None], 22050)) <= -1.0 + 0.05
    assert done.loudness_lufs is not None
    assert done.loudness_lufs < -10.5

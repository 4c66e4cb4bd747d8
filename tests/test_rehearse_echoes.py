"""A rehearsal before a wall: the machine comes back as late and as faint as it was heard."""

from __future__ import annotations

import numpy as np
import pytest

from callresp.echoes.protocol import ask_plan
from callresp.io.place import Echo
from callresp.palette.files import load_palette
from callresp.synthesis.levels import ListeningPoint
from callresp.synthesis.mixing import MixSettings, mixed
from callresp.synthesis.returns import response_of

WALL = Echo(
    delay_s=0.6,
    delay_sd_s=1e-5,
    level_db=-20.0,
    distance_m=101.0,
    distance_sd_m=0.3,
    confidence=0.999,
)


def test_a_stroke_comes_back_at_its_delay_and_level() -> None:
    palette = load_palette("fettle")
    oak = palette.striker_named("oak block")
    assert oak is not None
    plan = ask_plan(palette, oak, 4, name="fettle")
    near = ListeningPoint(distance_m=1.0)
    plain = mixed(None, plan, palette, MixSettings(), near).samples[:, 0]
    walls = mixed(None, plan, palette, MixSettings(echoes=(WALL,)), near).samples[:, 0]
    assert len(walls) >= len(plain)
    back = walls[: len(plain)].astype(np.float64) - plain
    # By correlation: the delay is that of the wall, and so is the level.
    size = 1 << (2 * len(plain)).bit_length()
    spectrum = np.fft.rfft(plain, size)
    like = np.fft.irfft(np.fft.rfft(back, size) * spectrum.conj(), size)[: len(plain)]
    assert int(np.argmax(like)) / 48000 == pytest.approx(0.6, abs=0.0002)
    level_db = 10 * np.log10(np.sum(back**2) / np.sum(plain.astype(np.float64) ** 2))
    assert level_db == pytest.approx(-20.0, abs=2.0)


def test_the_air_takes_the_high_notes() -> None:
    # ISO 9613-2:1996, table 2: at 10 °C and 70 %, 32.8 dB/km at 4 kHz and 3.7 at 1 kHz.
    echo = response_of((WALL,), 48000, 10.0, 70.0)
    gain_db = 20 * np.log10(np.abs(np.fft.rfft(echo, 1 << 17)))
    hertz = np.fft.rfftfreq(1 << 17, 1 / 48000)
    low, high = (float(gain_db[np.argmin(np.abs(hertz - hz))]) for hz in (1000.0, 4000.0))
    assert low - high == pytest.approx(0.202 * (32.8 - 3.7), abs=0.7)
    assert response_of((), 48000, 10.0, 70.0).max() == 0.0

"""A rehearsal before a wall: the machine comes back as late and as faint as it was heard."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
from rehearse_helpers import bar, machine, plan, strike

from callresp.echoes.protocol import ask_plan
from callresp.io.place import Echo
from callresp.palette.files import load_palette
from callresp.plots.excerpt import excerpt_of, with_returns
from callresp.plots.excerpt_picture import draw_excerpt
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
    asking = ask_plan(palette, oak, 4, name="fettle").plan
    near = ListeningPoint(distance_m=1.0)
    plain = mixed(None, asking, palette, MixSettings(), near).samples[:, 0]
    walls = mixed(None, asking, palette, MixSettings(echoes=(WALL,)), near).samples[:, 0]
    assert len(walls) >= len(plain)
    back = walls[: len(plain)].astype(np.float64) - plain
    # By correlation: the delay is that of the wall, and so is the level.
    size = 1 << (2 * len(plain)).bit_length()
    spectrum = np.fft.rfft(plain, size)
    like = np.fft.irfft(np.fft.rfft(back, size) * spectrum.conj(), size)[: len(plain)]
    assert int(np.argmax(like)) / 48000 == pytest.approx(0.6, abs=0.0002)
    level_db = 10 * np.log10(np.sum(back**2) / np.sum(plain.astype(np.float64) ** 2))
    assert level_db == pytest.approx(-20.0, abs=2.0)


def test_returns_stand_under_their_strokes_and_what_joins_is_told() -> None:
    faint = msgspec.structs.replace(WALL, delay_s=1.1, level_db=-32.0)
    struck = plan(strike(1.0), strike(1.604), strike(3.0))
    shown = with_returns(excerpt_of(None, None, struck, machine(bar()), 5.0), (WALL, faint))
    late_s = shown.marks[0].at_s - 1.0
    times_s = [round(back.at_s - late_s, 6) for back in shown.returns]
    assert times_s == [1.6, 2.1, 2.204, 2.704, 3.6, 4.1]
    # The second stroke comes 4 ms behind the first one's return; 12 of 30 dB lighter is 0.6.
    assert [back.joined for back in shown.returns] == [True] + 5 * [False]
    assert [round(back.ink, 3) for back in shown.returns] == 3 * [1.0, 0.6]
    assert with_returns(shown, ()).returns == ()


def test_the_picture_shows_the_returns_and_names_them(tmp_path: Path) -> None:
    struck, drawn = plan(strike(1.0), strike(1.6)), tmp_path / "a.svg"
    draw_excerpt(drawn, plan=struck, palette=machine(bar()), to_s=4.0, echoes=(WALL,))
    assert "from a wall" in drawn.read_text()
    draw_excerpt(drawn, plan=struck, palette=machine(bar()), to_s=4.0)
    assert "from a wall" not in drawn.read_text()


def test_the_air_takes_the_high_notes() -> None:
    # ISO 9613-2:1996, table 2: at 10 °C and 70 %, 32.8 dB/km at 4 kHz and 3.7 at 1 kHz.
    echo = response_of((WALL,), 48000, 10.0, 70.0)
    gain_db = 20 * np.log10(np.abs(np.fft.rfft(echo, 1 << 17)))
    hertz = np.fft.rfftfreq(1 << 17, 1 / 48000)
    low, high = (float(gain_db[np.argmin(np.abs(hertz - hz))]) for hz in (1000.0, 4000.0))
    assert low - high == pytest.approx(0.202 * (32.8 - 3.7), abs=0.7)
    assert response_of((), 48000, 10.0, 70.0).max() == 0.0

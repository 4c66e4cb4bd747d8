"""The level meter against the standards' own figures, and on what a field brings.

Outside figures
---------------
- AES17-2015: a full-scale sine reads 0 dB.
- ITU-R BS.1770-4, annex 2: a sine of a quarter of the sample rate whose samples
  fall 45° beside its crests has sample peaks 3.01 dB under its true peak; the
  meter may read at most 0.688 dB under it with four times oversampling (annex 2,
  attachment 1, from memory).
- An ideal 16-bit converter with triangular dither of two steps has a noise of
  -(6.02 x 16 + 1.76) + 4.77 = -93.3 dB under a full-scale sine (Lipshitz,
  Wannamaker & Vanderkooy, J. Audio Eng. Soc. 40(5), 1992: dither triples the
  power of the rounding error, 4.77 dB).
"""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from callresp.io.audio import write_wav
from callresp.levels import level_meter as meters
from callresp.levels.level_meter import LevelMeter, MeterReading
from callresp.live.sources import PipeSource
from callresp.verbs.set_level import command

RATE = 48000
BAND = (400.0, 12000.0)
Wave = npt.NDArray[np.float32]


def sine(hz: float, peak_db: float, seconds: float = 3.0, phase: float = 0.0) -> Wave:
    t = np.arange(round(seconds * RATE)) / RATE
    wave: Wave = (10 ** (peak_db / 20) * np.sin(2 * np.pi * hz * t + phase)).astype(np.float32)
    return wave


def noise(level_db: float, seconds: float = 3.0, seed: int = 1) -> Wave:
    """White noise of a level re a full-scale sine."""
    rng = np.random.default_rng(seed)
    made = rng.standard_normal(round(seconds * RATE)) * 10 ** (level_db / 20) * np.sqrt(0.5)
    return np.asarray(made, dtype=np.float32)


def calls(peak_db: float, seconds: float = 6.0) -> Wave:
    """A whistle of a fifth of a second, twice a second."""
    t = np.arange(round(seconds * RATE)) / RATE
    gate = np.clip(np.sin(2 * np.pi * 2 * t), 0, None) ** 2 * (t % 0.5 < 0.25)
    wave = 10 ** (peak_db / 20) * gate * np.sin(2 * np.pi * 3000 * t)
    return np.asarray(wave, dtype=np.float32)


def read(wave: Wave, block: int = 240) -> MeterReading:
    meter = LevelMeter(RATE, BAND)
    for first in range(0, len(wave), block):
        meter.push(wave[first : first + block])
    return meter.reading()


@pytest.mark.parametrize("peak_db", [0.0, -6.0, -20.0, -60.0])
def test_a_sine_reads_its_peak(peak_db: float) -> None:
    reading = read(sine(997.0, peak_db))
    # AES17: level and peak of a sine are one figure.
    assert reading.level_db == pytest.approx(peak_db, abs=0.05)
    assert reading.peak_db == pytest.approx(peak_db, abs=0.25)


def test_peaks_between_the_samples_are_seen() -> None:
    wave = sine(RATE / 4, -0.5, phase=np.pi / 4)
    assert 20 * np.log10(np.abs(wave).max()) == pytest.approx(-0.5 - 3.01, abs=0.01)
    reading = read(wave)
    assert reading.peak_db >= -0.5 - 0.688
    assert reading.word == "clipping", "over the ceiling of EBU R 128, between the samples"


def test_the_floor_of_a_dithered_16_bit_silence() -> None:
    rng = np.random.default_rng(2)
    step = 2.0**-15
    dither = step * (rng.random(5 * RATE) - rng.random(5 * RATE))
    wave = (np.round(dither / step) * step).astype(np.float32)
    whole = LevelMeter(RATE, (0.0, RATE / 2))
    whole.push(wave)
    assert whole.reading().level_db == pytest.approx(-93.3, abs=0.3)
    floor_db = whole.reading().floor_db
    assert floor_db is not None
    assert floor_db == pytest.approx(-93.3, abs=0.8)
    # So near to the converter the gain is too low, whatever sings.
    assert read(wave + calls(-30.0, 5.0)).word == "too quiet"


@pytest.mark.parametrize(
    ("wave", "word", "gain_db"),
    [
        (calls(-12.0) + noise(-60.0, 6.0), "good", 0),
        (calls(-25.0) + noise(-70.0, 6.0), "good", 0),
        (calls(-50.0) + noise(-80.0, 6.0), "too quiet", 38),
        (calls(-3.0) + noise(-60.0, 6.0), "good", -9),
        (np.clip(calls(6.0), -1, 1), "clipping", -12),
        (np.zeros(3 * RATE, np.float32), "no sound", 0),
    ],
    ids=["good", "lower", "quiet", "near", "clipping", "nothing"],
)
def test_what_it_says_and_how_far_to_turn(wave: Wave, word: str, gain_db: float) -> None:
    reading = read(wave)
    assert reading.word == word
    assert reading.gain_db == pytest.approx(gain_db, abs=1)
    if gain_db:
        assert f"by {abs(reading.gain_db):.0f} dB" in reading.advice[0]


@settings(max_examples=20, deadline=None)
@given(st.floats(-70.0, 12.0))
def test_what_it_asks_for_makes_it_good(peak_db: float) -> None:
    """Turned as it says, at most three times, the level is good, and stays."""
    for _ in range(3):
        reading = read(np.clip(calls(peak_db, 3.0) + noise(peak_db - 45.0, 3.0), -1, 1))
        if reading.gain_db == 0:
            break
        peak_db += reading.gain_db
    assert reading.word == "good"
    assert reading.gain_db == 0


@settings(max_examples=20, deadline=None)
@given(st.integers(1, 20000))
def test_blocks_of_any_length_read_alike(block: int) -> None:
    wave = calls(-14.0, 2.0) + noise(-60.0, 2.0)
    assert read(wave, block) == read(wave, len(wave))


def test_clipped_samples_are_counted() -> None:
    wave = sine(440.0, 3.0, 1.0)
    over = int(np.count_nonzero(np.abs(wave) >= 1.0))
    assert read(np.clip(wave, -1, 1)).clipped == pytest.approx(over, rel=0.01)
    assert read(sine(440.0, -0.2, 1.0)).clipped == 0


def test_clipping_is_forgiven_after_a_while_but_told() -> None:
    quiet = calls(-14.0, 25.0) + noise(-60.0, 25.0)
    reading = read(np.concatenate([np.clip(sine(440.0, 3.0, 1.0), -1, 1), quiet]))
    assert reading.word == "good"
    assert reading.clipped > 0
    assert reading.highest_db > -1.0


def test_wind_is_told_from_birds() -> None:
    import strike_machine as sm

    gusts = np.sum([sm.gust(RATE, 9.0, at_s, 2.5, -18.0) for at_s in (0.2, 3.0, 6.0)], axis=0)
    still = calls(-16.0, 9.0) + noise(-65.0, 9.0)
    assert any("wind shield" in text for text in read(still + gusts.astype(np.float32)).advice)
    assert not any("wind" in text for text in read(still).advice)


def test_far_singers_are_not_helped_by_gain() -> None:
    meter = LevelMeter(RATE, BAND)
    meter.push(calls(-16.0) + noise(-30.0, 6.0))
    meter.heard([11.0, 12.5, 10.5, 11.0, 13.0, 12.0])
    assert any("go closer" in text for text in meter.reading().advice)
    meter.heard([30.0] * 30)
    assert not any("go closer" in text for text in meter.reading().advice)


@pytest.mark.parametrize("offset", [0.05, 0.3, -0.5])
def test_a_constant_is_no_sound(offset: float) -> None:
    reading = read(np.full(3 * RATE, offset, np.float32))
    assert reading.word == "no sound"
    assert reading.level_db < -100


def test_an_offset_lends_no_level() -> None:
    assert read(calls(-50.0) + noise(-80.0, 6.0) + np.float32(0.1)).word == "too quiet"


def test_an_offset_is_told() -> None:
    assert any("about zero" in t for t in read(calls(-16.0) + np.float32(0.05)).advice)


def run(words: list[str], stdin: bytes | None = None) -> tuple[int, dict[str, Any]]:
    done = CliRunner().invoke(command, [*words, "--json"], standalone_mode=False, input=stdin)
    assert done.exception is None, done.output
    assert isinstance(done.return_value, int)
    return done.return_value, json.loads(done.stdout)


def test_a_recording_with_its_notes(tmp_path: Path) -> None:
    path = tmp_path / "dawn.wav"
    write_wav(path, calls(-14.0, 10.0) + noise(-60.0, 10.0), RATE)
    status, found = run(["--input", str(path)])
    assert (status, found["word"]) == (0, "good")
    # One whistle each half second; the first two seconds may go into learning the floor.
    assert 14 <= found["notes"] <= 21
    assert found["over_floor_db"] > 20
    status, found = run(["--input", str(path), "--plain", "--seconds", "4"])
    assert found["seconds"] == pytest.approx(4.0, abs=0.1)
    assert found["notes"] == 0


def test_raw_pcm_from_a_pipe(monkeypatch: pytest.MonkeyPatch) -> None:
    pcm = (np.clip(calls(8.0, 3.0), -1, 1) * 32767).astype("<i2").tobytes()
    made = PipeSource.__init__

    def fed(self: PipeSource, rate: int, channels: int, **words: Any) -> None:
        made(self, rate, channels, io.BytesIO(pcm), **words)

    monkeypatch.setattr(PipeSource, "__init__", fed)
    status, found = run(["--input", "-", "--plain"])
    assert (status, found["word"]) == (1, "clipping")
    assert found["clipped"] > 100


def test_thresholds_keep_their_order() -> None:
    assert meters.QUIET_DB < meters.AIM_DB < meters.HEADROOM_DB < meters.CEILING_DB < 0
    assert pytest.approx(-98.08) == meters.CONVERTER_DB

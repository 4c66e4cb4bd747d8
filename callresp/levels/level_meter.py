"""Level meter for a microphone in the field: too quiet, good or clipping, and what to change.

Conventions
-----------
- Levels are dB re a full-scale sine (AES17-2015); peaks are true peaks, between
  the samples too (ITU-R BS.1770-4, annex 2), where 0 dB is full scale.
- Clipped samples stand at full scale, three or more alike in a row.
- The floor is the level in the listening band when nobody sings: a tenth of the
  stretches of `STRETCH_S` are quieter.
- A reading is of the last `HOLD_S` seconds, and of the whole.

Thresholds
----------
- `CEILING_DB`: the highest true peak that EBU R 128 permits, 1 dB under full scale.
- `CONVERTER_DB`: the noise of an ideal converter of 16 bits, 6.02 n + 1.76 dB under
  a full-scale sine.
- All others are common practice (no source). The aim lies 12 dB under full scale,
  since animals come closer and sing louder than in the minute in which one sets the
  gain. Where the place's floor stands less than `OVER_CONVERTER_DB` above the
  converter's noise, that noise is heard. How far calls must stand over the floor
  to be heard is the profile's `floor_db`; below `CLEAR_DB` many are missed.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

from callresp.io.audio import SILENCE_DB, SINE_POWER, clipped_at

Wave = npt.NDArray[np.float32]
Word = Literal["no sound", "too quiet", "good", "clipping"]

HOLD_S = 20.0
STRETCH_S = 0.1
CEILING_DB = -1.0
AIM_DB = -12.0
HEADROOM_DB = -6.0
QUIET_DB = -36.0
CONVERTER_DB = -(6.02 * 16 + 1.76)
OVER_CONVERTER_DB = 12.0
NOTHING_DB = -115.0
CLEAR_DB = 15.0
NOTES_LEAST = 5
LOW_HZ = (20.0, 250.0)
# Wind fills the lowest octaves and comes and goes; traffic and water are steadier.
WIND_OVER_DB, WIND_SWING_DB = 20.0, 6.0
OFFSET_MAX = 0.01
# Samples at both ends of a stretch between which its neighbour looks for peaks.
EDGE = 24


class MeterReading(msgspec.Struct, frozen=True, kw_only=True):
    """What the meter says.

    Attributes
    ----------
    word
        The verdict on the last `HOLD_S` seconds.
    peak_db, highest_db
        True peak of the last `HOLD_S` seconds, and of all.
    level_db
        Mean level of the last second.
    floor_db
        Noise floor in the listening band; `None` in the first second.
    low_db
        Level below 250 Hz, where wind and handling are.
    clipped
        Clipped samples, of all.
    notes, over_floor_db
        Notes that the listener heard, and how far they stand over the floor, in
        the median; `None` before it heard any.
    gain_db
        How far to turn the gain up (or, below 0, down); 0 where it may stay.
    advice
        What to change, most important first.
    """

    word: Word
    seconds: float
    peak_db: float
    highest_db: float
    level_db: float
    floor_db: float | None
    low_db: float | None
    clipped: int
    notes: int
    over_floor_db: float | None
    gain_db: float
    advice: tuple[str, ...]


def _db(power: float) -> float:
    return max(10 * math.log10(power), SILENCE_DB) if power > 0 else SILENCE_DB


class LevelMeter:
    """Takes blocks of any length, one channel; tells a `Reading` at any time.

    Parameters
    ----------
    sample_rate_hz
        Of the sound.
    band_hz
        Where the listener listens: the floor is measured there.
    """

    def __init__(self, sample_rate_hz: int, band_hz: tuple[float, float]) -> None:
        self.sample_rate_hz = sample_rate_hz
        self._size = max(256, round(STRETCH_S * sample_rate_hz))
        self._window = np.hanning(self._size)
        hertz = np.fft.rfftfreq(self._size, 1 / sample_rate_hz)
        self._band = (hertz >= band_hz[0]) & (hertz <= band_hz[1])
        self._low = (hertz >= LOW_HZ[0]) & (hertz <= LOW_HZ[1])
        kept = round(HOLD_S / STRETCH_S)
        # One row a stretch: peak, peak and power without its mean, power in the band, and below.
        self._rows: deque[tuple[float, float, float, float, float]] = deque(maxlen=kept)
        self._clips: deque[int] = deque(maxlen=kept)
        self._over: deque[float] = deque(maxlen=200)
        self._rest = np.zeros(0, np.float32)
        self._tail = np.zeros(0)
        self._seconds = 0.0
        self._highest = 0.0
        self._sum = 0.0
        self._samples = 0
        self.clipped = 0
        self.notes = 0

    def push(self, block: Wave) -> None:
        """Take sound."""
        sound = np.concatenate([self._rest, block]) if len(self._rest) else block
        whole = len(sound) - len(sound) % self._size
        for first in range(0, whole, self._size):
            self._stretch(sound[first : first + self._size])
        self._rest = np.array(sound[whole:], dtype=np.float32)
        self._seconds += len(block) / self.sample_rate_hz

    def heard(self, over_floor_db: Iterable[float]) -> None:
        """Take what the listener heard: how far each note stood over the floor."""
        for value in over_floor_db:
            self._over.append(float(value))
            self.notes += 1

    def _stretch(self, part: Wave) -> None:
        wide = part.astype(np.float64)
        peak = self._true_peak(wide)
        spectrum = np.abs(np.fft.rfft(wide * self._window)) ** 2
        scale = 2.0 / (self._size * float(np.sum(self._window**2)))
        band, low = (scale * float(spectrum[mask].sum()) for mask in (self._band, self._low))
        clips = clipped_samples(part)
        swing = wide - wide.mean()
        moved = float(np.abs(swing).max())
        self._rows.append((peak, moved, float(np.mean(swing**2)), band, low))
        self._clips.append(clips)
        self.clipped += clips
        self._highest = max(self._highest, peak)
        self._sum += float(wide.sum())
        self._samples += len(part)

    def _true_peak(self, part: npt.NDArray[np.float64]) -> float:
        """Peak between the samples, too; at the ends of what it has an interpolation rings."""
        from scipy import signal

        highest = float(np.abs(part).max())
        joined = np.concatenate([self._tail, part])
        self._tail = part[-2 * EDGE :].copy()
        factor = min(4, max(1, 192000 // self.sample_rate_hz))
        if factor == 1 or highest < 1e-6:
            return highest
        between = signal.resample_poly(joined, factor, 1)[factor * EDGE : -factor * EDGE]
        return max(highest, float(np.abs(between).max()))

    def reading(self) -> MeterReading:
        """What the meter says now."""
        rows = np.array(self._rows) if self._rows else np.zeros((1, 5))
        peak_db = _db(float(rows[:, 0].max()) ** 2)
        band_db = np.array([_db(value / SINE_POWER) for value in rows[:, 3]])
        low_db = np.array([_db(value / SINE_POWER) for value in rows[:, 4]])
        known = len(self._rows) >= round(1.0 / STRETCH_S)
        floor_db = float(np.quantile(band_db, 0.1)) if known else None
        over = float(np.median(self._over)) if len(self._over) else None
        word = self._word(peak_db, _db(float(rows[:, 1].max()) ** 2), floor_db)
        gain_db = _gain(word, peak_db)
        recent = rows[-round(1.0 / STRETCH_S) :, 2]
        return MeterReading(
            word=word,
            seconds=round(self._seconds, 2),
            peak_db=round(peak_db, 2),
            highest_db=round(_db(self._highest**2), 2),
            level_db=round(_db(float(recent.mean()) / SINE_POWER), 2),
            floor_db=None if floor_db is None else round(floor_db, 2),
            low_db=round(float(np.median(low_db)), 2) if known else None,
            clipped=self.clipped,
            notes=self.notes,
            over_floor_db=None if over is None else round(over, 1),
            gain_db=gain_db,
            advice=tuple(self._advice(word, gain_db, floor_db, low_db, over)),
        )

    def _word(self, peak_db: float, moved_db: float, floor_db: float | None) -> Word:
        """The word for a true peak, a peak without the steady offset, and a floor."""
        if moved_db < NOTHING_DB:
            return "no sound"
        if sum(self._clips) or peak_db > CEILING_DB:
            return "clipping"
        if moved_db < QUIET_DB:
            return "too quiet"
        converter = floor_db is not None and floor_db < CONVERTER_DB + OVER_CONVERTER_DB
        return "too quiet" if converter and moved_db < AIM_DB else "good"

    def _advice(
        self,
        word: Word,
        gain_db: float,
        floor_db: float | None,
        low_db: npt.NDArray[np.float64],
        over: float | None,
    ) -> Iterable[str]:
        windy = floor_db is not None and _windy(low_db, floor_db)
        if word == "no sound":
            yield "nothing comes in: is it plugged in, powered, unmuted, and the right input?"
            return
        if word == "clipping":
            yield f"turn the gain down by {-gain_db:.0f} dB, or go further from what is so loud"
            if windy:
                yield "the wind drives it: a wind shield first, a low cut on the recorder second"
        elif word == "too quiet":
            yield f"turn the gain up by {gain_db:.0f} dB"
        elif gain_db < 0:
            yield f"little room is left: turn the gain down by {-gain_db:.0f} dB"
        if windy and word != "clipping":
            yield "wind or handling below 250 Hz: a wind shield, a lee, nearer to the ground"
        if over is not None and self.notes >= NOTES_LEAST and over < CLEAR_DB:
            yield (
                f"calls stand only {over:.0f} dB over the floor: go closer or find a quieter place;"
                " gain lifts both alike"
            )
        if self._samples and abs(self._sum / self._samples) > OFFSET_MAX:
            yield "the sound does not lie about zero (a fault of the input): a low cut takes it off"


def _gain(word: Word, peak_db: float) -> float:
    """Whole decibels that bring the loudest calls to `AIM_DB`."""
    if word == "clipping":
        # How far it went over is not known: at least the way to the aim.
        return float(min(round(AIM_DB - peak_db), -6))
    if word == "too quiet":
        return float(max(round(AIM_DB - peak_db), 3))
    if peak_db > HEADROOM_DB:
        return float(round(AIM_DB - peak_db))
    return 0.0


def _windy(low_db: npt.NDArray[np.float64], floor_db: float) -> bool:
    swing = float(np.quantile(low_db, 0.9) - np.quantile(low_db, 0.1))
    return float(np.median(low_db)) > floor_db + WIND_OVER_DB and swing > WIND_SWING_DB


def clipped_samples(part: Wave) -> int:
    """Samples that stand at full scale, in runs of three or more alike.

    Examples
    --------
    >>> clipped_samples(np.array([0.2, 1.0, 1.0, 1.0, 1.0, 0.3], dtype=np.float32))
    4
    """
    if not len(clipped_at(part)):
        return 0
    return int(np.count_nonzero(np.abs(part) >= float(np.abs(part).max()) - 1e-6))

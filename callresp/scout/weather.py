"""Second by second: how loud a place is, and whether anything sounds, it rains or it blows.

A second is held against the quietest of its day: a recording that it rains through has none.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from callresp.io.audio import power_db
from callresp.scout.spectra import FRAMES_PER_S, LEAST_FLOOR, LOW_HZ, band_edges
from callresp.scout.stretches import Stretch, Values

CLEAR = 5.0  # spreads of the noise: a band that stands so far above it is a sound
CLEAR_BANDS, CLEAR_SHARE = 2, 0.05
FROM_HZ, WEATHER_HZ = 500.0, 1000.0
WINDY_DB = RAINY_DB = 6.0
RAIN_HZ = np.geomspace(2000.0, 8000.0, 9)
# Most of a song is louder than this quantile of a second; rain has no gaps.
GAPS = 0.25
QUIETEST = 0.1
REST_S = 3


@dataclass(slots=True)
class Seconds:
    """What is noted of every second of a recording; of `RAIN_HZ`, many seconds to an array."""

    low_db: list[float] = field(default_factory=list)
    noise_db: list[float] = field(default_factory=list)
    clear: list[bool] = field(default_factory=list)
    gaps_db: list[Values] = field(default_factory=list)

    def take(self, stretch: Stretch) -> None:
        """Note the seconds of a stretch."""
        judged = slice(stretch.first, stretch.last)
        powers = stretch.powers[judged]
        edges = band_edges()
        first, low = np.searchsorted(edges, (LOW_HZ, WEATHER_HZ), side="right") - 1
        main = int(np.searchsorted(edges[:-1], FROM_HZ))
        rain = np.searchsorted(edges, RAIN_HZ)
        lows = powers[:, first:low].sum(axis=1)
        bands = np.add.reduceat(powers[:, : rain[-1]], rain[:-1], axis=1)
        voiced = (stretch.above[judged, main:] > CLEAR).sum(axis=1) >= CLEAR_BANDS
        noise_db = power_db(float(stretch.noise.floor[main:].sum()) / 2)
        whole = len(powers) // FRAMES_PER_S
        for seconds, first in ((whole, 0), (min(1, len(powers) % FRAMES_PER_S), whole)):
            if not seconds:
                continue
            part = slice(first * FRAMES_PER_S, (first + seconds) * FRAMES_PER_S)
            middle = np.median(lows[part].reshape(seconds, -1), axis=1)
            gaps = np.quantile(bands[part].reshape(seconds, -1, bands.shape[1]), GAPS, axis=1)
            # A sine of power 1 in a band is a full-scale sine: see `spectra`.
            self.low_db += [power_db(float(power) / 2) for power in middle]
            self.noise_db += [noise_db] * seconds
            self.clear += (voiced[part].reshape(seconds, -1).mean(axis=1) > CLEAR_SHARE).tolist()
            self.gaps_db.append(10 * np.log10(np.maximum(gaps, LEAST_FLOOR)))


@dataclass(frozen=True, slots=True)
class DayBackground:
    """The quietest seconds of a day at a place."""

    low_db: float
    gaps_db: Values

    @staticmethod
    def of(days: Sequence[Seconds]) -> DayBackground:
        """Of all recordings of a day."""
        low_db = [value for one in days for value in one.low_db]
        gaps_db = [value for one in days for value in one.gaps_db]
        if not low_db:
            return DayBackground(0.0, np.zeros(len(RAIN_HZ) - 1))
        return DayBackground(
            float(np.quantile(low_db, QUIETEST)),
            np.quantile(np.concatenate(gaps_db), QUIETEST, axis=0),
        )

    def rainy(self, seconds: Seconds) -> npt.NDArray[np.bool_]:
        """Of each second, whether every band that the recording holds is full."""
        gaps_db = np.concatenate([np.zeros((0, len(RAIN_HZ) - 1)), *seconds.gaps_db])
        held = self.gaps_db > 10 * math.log10(LEAST_FLOOR)
        full = (gaps_db > self.gaps_db + RAINY_DB) | ~held
        return np.asarray(full.all(axis=1) & held.any())

    def windy(self, seconds: Seconds) -> npt.NDArray[np.bool_]:
        """Of each second, whether the low bands are full."""
        return np.array(seconds.low_db) > self.low_db + WINDY_DB


def rests(clear: npt.NDArray[np.bool_]) -> int:
    """How many quiet stretches of `REST_S` or more there are; `clear` has a flag a second."""
    edges = np.flatnonzero(np.diff(np.r_[True, clear, True].astype(np.int8)))
    return int(np.sum(edges[1::2] - edges[::2] >= REST_S))

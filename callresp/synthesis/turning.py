"""Turners as grains: beads, pawls or blades that speak once per step of the shaft.

Method
------
The shaft's angle is the integral of its speed, which runs in straight lines
between the points of its curve; so the moment of each grain has a closed form.
Every step of the shaft gives one grain, at a random place within its step for
a shaker, near its beginning for a wound movement. A grain is a short noise in
the turner's band. Its energy is chosen so that many of them add up to the
level that the palette states for the speed: powers of unlike noises add.

Between its slowest and fastest speed the level rises in a straight line of dB;
below the slowest it falls by 12 dB a halving (common practice, no source).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from callresp.palette.model import Turner
from callresp.synthesis.execution import TurnerPart
from callresp.synthesis.levels import ListeningPoint
from callresp.synthesis.noise_bursts import BurstQueue, band_noise

Waves = npt.NDArray[np.float64]

BANK = 16
LOOSE = {"shaker": 1.0, "wound": 0.06, "fan": 0.5}
GRAIN_T60_S = {"shaker": 0.012, "wound": 0.02, "fan": 0.05}
# Spread of the grains' own levels, dB.
SPREAD_DB = {"shaker": 4.0, "wound": 1.0, "fan": 2.0}
_PAGE = 4096


def level_at(turner: Turner, speed_rps: npt.ArrayLike) -> Waves:
    """Level in dB SPL at 1 m of a speed."""
    speed = np.maximum(np.asarray(speed_rps, dtype=np.float64), 1e-6)
    span = turner.fastest_rps - turner.slowest_rps
    share = (speed - turner.slowest_rps) / span if span > 0 else np.zeros_like(speed)
    rise_db = turner.level_max_db - turner.level_min_db
    slow_db = 40 * np.log10(np.minimum(speed / turner.slowest_rps, 1.0))
    return np.asarray(turner.level_min_db + rise_db * np.clip(share, 0.0, 1.0) + slow_db)


class Shaft:
    """The angle of a shaft whose speed runs in straight lines."""

    def __init__(self, curve: tuple[tuple[float, float], ...]) -> None:
        self._time_s = np.array([time_s for time_s, _ in curve])
        self._speed = np.array([speed for _, speed in curve])
        steps = np.diff(self._time_s) * (self._speed[1:] + self._speed[:-1]) / 2
        self._turns = np.concatenate([[0.0], np.cumsum(steps)])

    @property
    def total(self) -> float:
        """Turns made in all."""
        return float(self._turns[-1])

    def turns_at(self, time_s: float) -> float:
        """Turns made until `time_s`."""
        if time_s <= self._time_s[0]:
            return 0.0
        if time_s >= self._time_s[-1]:
            return self.total
        at = int(np.searchsorted(self._time_s, time_s, side="right")) - 1
        since = time_s - self._time_s[at]
        return float(self._turns[at] + since * self._speed[at] + self._slope(at) * since**2 / 2)

    def speed_at(self, time_s: Waves) -> Waves:
        """Speed in revolutions a second."""
        return np.asarray(np.interp(time_s, self._time_s, self._speed, left=0.0, right=0.0))

    def time_of(self, turns: Waves) -> Waves:
        """When the shaft has made `turns`: the inverse of `turns_at`."""
        at = np.searchsorted(self._turns, turns, side="right") - 1
        at = np.clip(at, 0, len(self._turns) - 2)
        left = turns - self._turns[at]
        speed = self._speed[at]
        root = np.sqrt(np.maximum(speed**2 + 2 * self._slope(at) * left, 0.0))
        return np.asarray(self._time_s[at] + 2 * left / np.maximum(speed + root, 1e-12))

    def _slope(self, at: npt.NDArray[np.intp] | int) -> Waves:
        lengths = np.maximum(np.diff(self._time_s), 1e-12)
        return np.asarray((np.diff(self._speed) / lengths)[at])


class TurnerVoice:
    """Renders one turner's part, block after block."""

    def __init__(
        self, part: TurnerPart, place: ListeningPoint, sample_rate_hz: int, seed: int
    ) -> None:
        turner = part.turner
        self._turner, self._place, self._rate, self._seed = turner, place, sample_rate_hz, seed
        self._shaft = Shaft(part.curve) if len(part.curve) > 1 else None
        self._gain = place.gain(float(np.sqrt(turner.band_hz[0] * turner.band_hz[1])))
        rng = np.random.default_rng([seed, turner.channel, 79])
        grains = [
            band_noise(rng, turner.band_hz, GRAIN_T60_S[turner.kind], sample_rate_hz, 0.0003)
            for _ in range(BANK)
        ]
        self._grains = [grain / np.sqrt(np.sum(grain**2)) for grain in grains]
        self._at = 0
        self._bursts = BurstQueue()
        self._page: tuple[int, Waves] = (-1, np.zeros((0, 3)))

    def skip_to(self, sample: int) -> None:
        """Go on to `sample`; grains that began just before it are still heard."""
        tail = max(len(grain) for grain in self._grains)
        self._at = max(sample - tail, 0)
        self._begin_grains(sample)
        self._at = sample

    def add_to(self, out: Waves) -> None:
        """Add the next ``len(out)`` samples to `out`."""
        end = self._at + len(out)
        self._begin_grains(end)
        self._bursts.add_to(out, self._at)
        self._at = end

    def _begin_grains(self, end: int) -> None:
        """Start every grain whose first sample lies in the present stretch."""
        if self._shaft is None:
            return
        per_turn = self._turner.grains_per_rev
        edge = 2 / self._rate
        from_s, until_s = (sample / self._rate - self._place.delay_s for sample in (self._at, end))
        first = int(self._shaft.turns_at(from_s - edge) * per_turn) - 1
        last = int(self._shaft.turns_at(until_s + edge) * per_turn) + 1
        last = min(last, int(self._shaft.total * per_turn))
        if last <= max(first, 0):
            return
        numbers = np.arange(max(first, 0), last)
        chance = self._chances(numbers)
        loose = LOOSE[self._turner.kind]
        times_s = self._shaft.time_of((numbers + loose * chance[:, 0]) / per_turn)
        samples = np.ceil((times_s + self._place.delay_s) * self._rate).astype(np.int64)
        peaks = self._peaks(times_s, chance[:, 1])
        for sample, peak, which in zip(samples, peaks, chance[:, 2], strict=True):
            if self._at <= sample < end:
                self._bursts.add(int(sample), peak * self._grains[int(which * BANK)])

    def _peaks(self, times_s: Waves, chance: Waves) -> Waves:
        """Amplitude of each grain: the level's power shared among the grains of a second."""
        speed = np.maximum(self._shaft.speed_at(times_s), 1e-6) if self._shaft else times_s
        level_db = level_at(self._turner, speed) - self._place.full_scale_db
        power = 0.5 * 10 ** (level_db / 10)
        energy = power * self._rate / (speed * self._turner.grains_per_rev)
        spread_db = SPREAD_DB[self._turner.kind] * (2 * chance - 1)
        return np.asarray(self._gain * np.sqrt(energy) * 10 ** (spread_db / 20))

    def _chances(self, numbers: npt.NDArray[np.int64]) -> Waves:
        """Three random numbers a grain, the same however the blocks fall."""
        found = np.empty((len(numbers), 3))
        for page in np.unique(numbers // _PAGE):
            if self._page[0] != page:
                rng = np.random.default_rng([self._seed, self._turner.channel, 80, int(page)])
                self._page = (int(page), rng.random((_PAGE, 3)))
            own = numbers // _PAGE == page
            found[own] = self._page[1][numbers[own] % _PAGE]
        return found

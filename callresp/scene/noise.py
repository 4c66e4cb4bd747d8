"""The noises of a place, made second by second, each from a stream of its own.

Goal
----
Wind, water, rain and traffic whose power in any band is known before a sample
is made, so that a stated signal-to-noise ratio holds without hearing the whole
scene first.

Conventions
-----------
A noise is stationary sound times a slow swell. The stationary sound has a power
density that follows from its filters (and, for water, from its bubbles); the
swell has mean square 1 over the scene. Streams run at unit gain.

Sources
-------
Sum of randomly timed pulses: Campbell's theorem (Rice 1944, Bell System
Technical Journal 23). Bubbles as decaying sines: Minnaert 1933, Phil. Mag. 16;
sizes and decays here from memory. Spectra of wind in leaves, rain and tyres:
common practice, no source. Drops and bubbles right at the microphone are left
out: the sizes of both are cut at 2.5 standard deviations.

Band filters that keep their state between blocks.

Butterworth filters as second-order sections by scipy, which is imported only
when a sound is made: reading and listing recipes stays quick.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.scene.recipe import NoiseKind

Wave = npt.NDArray[np.float64]

SHARE_BAND_HZ = (500.0, 12000.0)
_SWELL_STEP_S = 0.25
_SWELL_LINES = 40  # a second
_CUT = 2.5
_RING = 512  # samples, longer than a pulse rings


@dataclass(frozen=True, slots=True)
class FilteredNoise:
    """White noise or random pulses through a band filter of first order, with a swell.

    `pulses_per_s` of 0 means white noise. `period_s` and `depth` (in nepers)
    describe the swell.
    """

    low_hz: float
    high_hz: float
    gain: float
    period_s: float
    depth: float
    pulses_per_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Bubbles:
    """Randomly timed decaying sines, their pitches even in log frequency."""

    per_s: float = 90.0
    low_hz: float = 450.0
    high_hz: float = 3500.0
    decay_s: float = 0.003
    length_s: float = 0.02
    gain: float = 0.12
    spread: float = 0.5


_PARTS: dict[NoiseKind, tuple[FilteredNoise, ...]] = {
    "wind": (
        FilteredNoise(60, 500, 1.0, period_s=3.0, depth=0.45),
        FilteredNoise(400, 5000, 0.3, period_s=1.2, depth=0.35),
    ),
    "water": (FilteredNoise(350, 5000, 1.0, period_s=20.0, depth=0.05),),
    "rain": (
        FilteredNoise(900, 15000, 1.0, period_s=8.0, depth=0.2),
        FilteredNoise(1500, 12000, 0.5, period_s=8.0, depth=0.2, pulses_per_s=400.0),
    ),
    "traffic": (
        FilteredNoise(40, 250, 1.5, period_s=9.0, depth=0.6),
        FilteredNoise(500, 1600, 0.6, period_s=9.0, depth=0.6),
    ),
}
_SPREAD = 0.5  # of the sizes of drops, in nepers


def _mean_square_size(spread: float) -> float:
    """Mean square of a log-normal size of median 1, cut at `_CUT` standard deviations."""
    x = np.linspace(-_CUT, _CUT, 4001)
    weight = np.exp(-(x**2) / 2)
    return float(np.sum(weight * np.exp(2 * spread * x)) / np.sum(weight))


def _sizes(rng: np.random.Generator, count: int, spread: float) -> Wave:
    """Log-normal sizes, cut at both ends by drawing again."""
    x = rng.standard_normal(count)
    while len(beyond := np.flatnonzero(np.abs(x) > _CUT)):
        x[beyond] = rng.standard_normal(len(beyond))
    return np.asarray(np.exp(spread * x))


class Swell:
    """A slow random swell, drawn for the whole scene, of mean square 1 over it.

    Its path is drawn in steps of a quarter second in log amplitude; the
    amplitude follows that path in straight lines of 25 ms.
    """

    def __init__(self, rng: np.random.Generator, period_s: float, depth: float, seconds: float):
        whole_s = int(np.ceil(seconds)) + 1
        keep = np.exp(-_SWELL_STEP_S / period_s)
        steps = rng.standard_normal(round(whole_s / _SWELL_STEP_S) + 1) * np.sqrt(1 - keep**2)
        steps[0] = rng.standard_normal()
        path = depth * smoothed(steps, keep)
        fine = np.arange(whole_s * _SWELL_LINES + 1) / (_SWELL_LINES * _SWELL_STEP_S)
        gains = np.exp(np.interp(fine, np.arange(len(path)), path))
        within = gains[: int(np.ceil(seconds * _SWELL_LINES)) + 1]
        self._gains = gains / np.sqrt(_mean_square(within))
        self.highest = float(self._gains.max())

    def __call__(self, second: int, rate_hz: int) -> Wave:
        """One second of it; the rate must be a multiple of 40."""
        points = self._gains[second * _SWELL_LINES : (second + 1) * _SWELL_LINES + 1]
        share = np.arange(rate_hz // _SWELL_LINES) / (rate_hz // _SWELL_LINES)
        return np.asarray(points[:-1, None] + np.diff(points)[:, None] * share).ravel()


def _mean_square(points: Wave) -> float:
    """Mean square along straight lines between the points."""
    first, second = points[:-1], points[1:]
    return float(np.mean(first**2 + first * second + second**2) / 3)


class _RunningNoise:
    """A `FilteredNoise` as it runs."""

    def __init__(
        self, part: FilteredNoise, rng: np.random.Generator, seconds: float, rate_hz: int
    ) -> None:
        self._part, self._rng, self._rate_hz = part, rng, rate_hz
        self.swell = Swell(rng, part.period_s, part.depth, seconds)
        self._pulse = _pulse_gain(part, rate_hz) if part.pulses_per_s else 0.0
        self._band = Band(part.low_hz, part.high_hz, rate_hz)

    @property
    def largest_pulse(self) -> float:
        """Height of the largest pulse in the worst gust."""
        impulse = np.zeros(_RING)
        impulse[0] = self._pulse * self._part.gain * np.exp(_CUT * _SPREAD)
        ring = Band(self._part.low_hz, self._part.high_hz, self._rate_hz)(impulse)
        return float(np.abs(ring).max() * self.swell.highest)

    def __call__(self, second: int) -> Wave:
        rng, part = self._rng, self._part
        if part.pulses_per_s:
            dry = np.zeros(self._rate_hz)
            at = rng.integers(0, self._rate_hz, rng.poisson(part.pulses_per_s))
            sign = rng.choice([-1.0, 1.0], len(at))
            np.add.at(dry, at, sign * _sizes(rng, len(at), _SPREAD) * self._pulse)
        else:
            dry = rng.standard_normal(self._rate_hz)
        return np.asarray(part.gain * self._band(dry) * self.swell(second, self._rate_hz))


def _pulse_gain(part: FilteredNoise, rate_hz: int) -> float:
    """Size of pulses that gives them the power density of white noise of variance 1."""
    per_sample = part.pulses_per_s / rate_hz
    return float(1 / np.sqrt(per_sample * _mean_square_size(_SPREAD)))


class _Bubbling:
    """`Bubbles` as they run."""

    def __init__(self, bubbles: Bubbles, rng: np.random.Generator, rate_hz: int) -> None:
        self._bubbles, self._rng, self._rate_hz = bubbles, rng, rate_hz
        self._carry = np.zeros(round(bubbles.length_s * rate_hz))

    def __call__(self, second: int) -> Wave:
        rng, kind, rate = self._rng, self._bubbles, self._rate_hz
        length = len(self._carry)
        wave = np.zeros(rate + length)
        wave[:length] = self._carry
        count = rng.poisson(kind.per_s)
        starts = rng.integers(0, rate, count)
        pitches = np.exp(rng.uniform(np.log(kind.low_hz), np.log(kind.high_hz), count))
        sizes = kind.gain * _sizes(rng, count, kind.spread)
        time_s = np.arange(length) / rate
        sounds = np.sin(2 * np.pi * pitches[:, None] * time_s) * np.exp(-time_s / kind.decay_s)
        for start, sound in zip(starts, sizes[:, None] * sounds, strict=True):
            wave[start : start + length] += sound
        self._carry = wave[rate:].copy()
        return wave[:rate]


class NoiseSource:
    """One noise of a scene, at unit gain."""

    def __init__(self, kind: NoiseKind, seed: int, seconds: float, rate_hz: int) -> None:
        rng = np.random.default_rng([seed, zlib.crc32(kind.encode())])
        streams = rng.spawn(len(_PARTS[kind]) + 1)
        self.kind = kind
        self._running: list[Callable[[int], Wave]] = []
        self._tables: list[Wave] = []
        self._drop = 0.0
        self._peaks: list[float] = []
        for part, stream in zip(_PARTS[kind], streams, strict=False):
            sounding = _RunningNoise(part, stream, seconds, rate_hz)
            self._running.append(sounding)
            self._peaks.append(sounding.swell.highest)
            self._drop = max(self._drop, sounding.largest_pulse)
            self._tables.append(_power_below(_part_density(part, rate_hz)))
        if kind == "water":
            self._running.append(_Bubbling(Bubbles(), streams[-1], rate_hz))
            self._peaks.append(1.0)
            self._tables.append(_power_below(_bubble_density(Bubbles(), _GRID_HZ)))

    def __call__(self, second: int) -> Wave:
        """The second of that number; they must be asked for in order."""
        return np.asarray(sum(run(second) for run in self._running))

    def power(self, band_hz: tuple[float, float]) -> float:
        """Mean square within a band."""
        below = [np.interp(band_hz, _GRID_HZ, table) for table in self._tables]
        return float(sum(high - low for low, high in below))

    def crest(self) -> float:
        """A height that it is most unlikely to pass.

        6.5 standard deviations in the worst gust, and the largest drop on top.
        """
        parts = zip(self._peaks, self._tables, strict=True)
        return float(6.5 * np.sqrt(sum(peak**2 * table[-1] for peak, table in parts)) + self._drop)


_GRID_HZ = np.linspace(0.0, 24000.0, 4801)


def _part_density(part: FilteredNoise, rate_hz: int) -> Wave:
    """One-sided power density of a part on the grid."""
    band = Band(part.low_hz, part.high_hz, rate_hz)
    return np.asarray(part.gain**2 * 2 / rate_hz * band.power_gain(_GRID_HZ))


def _power_below(density: Wave) -> Wave:
    """Power from 0 Hz up to each place of the grid."""
    steps = 0.5 * (density[1:] + density[:-1]) * np.diff(_GRID_HZ)
    return np.concatenate([[0.0], np.cumsum(steps)])


def _bubble_density(kind: Bubbles, hertz: Wave) -> Wave:
    """One-sided power density of decaying sines at random times, by Campbell's theorem."""
    pitches = np.exp(np.linspace(np.log(kind.low_hz), np.log(kind.high_hz), 200))[:, None]
    slow = 1 / kind.decay_s
    turn, swing = 2 * np.pi * hertz, 2 * np.pi * pitches
    energy = np.abs(swing / ((slow + 1j * turn) ** 2 + swing**2)) ** 2
    mean = energy.mean(axis=0)
    return np.asarray(2 * kind.per_s * kind.gain**2 * _mean_square_size(kind.spread) * mean)


class Band:
    """A band-pass of an order, at a rate; call it with block after block."""

    def __init__(self, low_hz: float, high_hz: float, rate_hz: int, order: int = 1) -> None:
        from scipy import signal

        edges = [low_hz, min(high_hz, 0.45 * rate_hz)]
        self._rate_hz = rate_hz
        self._sections = signal.butter(order, edges, "band", fs=rate_hz, output="sos")
        self._state = np.zeros((len(self._sections), 2))
        self._run = signal.sosfilt

    def __call__(self, wave: Wave) -> Wave:
        """The next block, filtered."""
        out, self._state = self._run(self._sections, wave, zi=self._state)
        return np.asarray(out)

    def power_gain(self, hertz: Wave) -> Wave:
        """Squared magnitude of the response at each frequency."""
        from scipy import signal

        _, response = signal.sosfreqz(self._sections, hertz, fs=self._rate_hz)
        return np.asarray(np.abs(response) ** 2)


def smoothed(steps: Wave, keep: float) -> Wave:
    """Each value a share `keep` of the one before plus its own step."""
    from scipy import signal

    return np.asarray(signal.lfilter([1.0], [1.0, -keep], steps))

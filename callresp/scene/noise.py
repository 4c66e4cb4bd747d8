"""The noises of a place, made second by second from one stream each.

Each noise is made at unit mean square within the birds' band (500 Hz to
12 kHz), so that a level can be set without hearing all of it first.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt
from scipy import signal

from callresp.scene.recipe import NoiseKind

Wave = npt.NDArray[np.float64]
BAND_HZ = (500.0, 12000.0)
_PROBE_S = 30


class _Filter:
    """A cascade of second-order sections that keeps its state between blocks."""

    def __init__(self, sections: Wave) -> None:
        self._sections = sections
        self._state = np.zeros((len(sections), 2))

    def __call__(self, wave: Wave) -> Wave:
        out, self._state = signal.sosfilt(self._sections, wave, zi=self._state)
        return np.asarray(out)


def _band(low_hz: float, high_hz: float, rate_hz: int, order: int = 2) -> _Filter:
    high = min(high_hz, 0.45 * rate_hz)
    return _Filter(signal.butter(order, [low_hz, high], "band", fs=rate_hz, output="sos"))


def _low(high_hz: float, rate_hz: int, order: int = 2) -> _Filter:
    return _Filter(signal.butter(order, high_hz, "low", fs=rate_hz, output="sos"))


class _Slow:
    """A gust: a slow random swell, positive, of mean square about 1."""

    def __init__(self, rng: np.random.Generator, period_s: float, depth: float) -> None:
        self._rng, self._period_s, self._depth = rng, period_s, depth
        self._last = 0.0

    def __call__(self, count: int) -> Wave:
        """One second of it."""
        keep = np.exp(-1 / self._period_s)
        goal = keep * self._last + np.sqrt(1 - keep**2) * self._rng.standard_normal()
        ramp = np.linspace(self._last, goal, count, endpoint=False)
        self._last = goal
        return np.asarray(np.exp(self._depth * ramp - self._depth**2))


def _wind(rng: np.random.Generator, rate_hz: int) -> Iterator[Wave]:
    rumble, hiss = _band(60, 700, rate_hz, 1), _band(300, 5000, rate_hz, 1)
    gust, leaves = _Slow(rng, 3.0, 0.45), _Slow(rng, 1.2, 0.35)
    while True:
        low = rumble(rng.standard_normal(rate_hz)) * gust(rate_hz)
        high = hiss(rng.standard_normal(rate_hz)) * leaves(rate_hz)
        yield low + 0.35 * high


def _water(rng: np.random.Generator, rate_hz: int) -> Iterator[Wave]:
    flow = _band(350, 5000, rate_hz, 1)
    length = int(0.012 * rate_hz)
    time_s = np.arange(length) / rate_hz
    carry = np.zeros(length)
    while True:
        wave = np.zeros(rate_hz + length)
        wave[:length] += carry
        for start in rng.integers(0, rate_hz, rng.poisson(90)):
            hertz = np.exp(rng.uniform(np.log(450), np.log(3500)))
            size = np.exp(rng.normal(0, 0.5))
            bubble = np.sin(2 * np.pi * hertz * time_s) * np.exp(-time_s / 0.003)
            wave[start : start + length] += 0.12 * size * bubble
        carry = wave[rate_hz:].copy()
        yield wave[:rate_hz] + flow(rng.standard_normal(rate_hz))


def _rain(rng: np.random.Generator, rate_hz: int) -> Iterator[Wave]:
    patter = _band(900, 15000, rate_hz, 1)
    drops = _band(1500, 12000, rate_hz, 1)
    slow = _Slow(rng, 8.0, 0.25)
    while True:
        hits = np.zeros(rate_hz)
        at = rng.integers(0, rate_hz, rng.poisson(220))
        np.add.at(hits, at, np.exp(rng.normal(0.6, 0.6, len(at))))
        yield (patter(rng.standard_normal(rate_hz)) + 2.0 * drops(hits)) * slow(rate_hz)


def _traffic(rng: np.random.Generator, rate_hz: int) -> Iterator[Wave]:
    engines, tyres = _band(40, 250, rate_hz, 1), _band(500, 1600, rate_hz, 1)
    passing = _Slow(rng, 9.0, 0.6)
    while True:
        swell = passing(rate_hz)
        low, high = engines(rng.standard_normal(rate_hz)), tyres(rng.standard_normal(rate_hz))
        yield (1.5 * low + 0.6 * high) * swell


_MAKERS: dict[NoiseKind, Callable[[np.random.Generator, int], Iterator[Wave]]] = {
    "wind": _wind,
    "water": _water,
    "rain": _rain,
    "traffic": _traffic,
}


def seconds_of(kind: NoiseKind, seed: int, rate_hz: int) -> Iterator[Wave]:
    """Yield a noise for ever, a second at a time, at unit power in the birds' band."""
    gain = 1 / np.sqrt(_typical_power(kind, rate_hz))
    rng = np.random.default_rng([seed, zlib.crc32(kind.encode())])
    for wave in _MAKERS[kind](rng, rate_hz):
        yield gain * wave


_POWERS: dict[tuple[str, int], float] = {}


def _typical_power(kind: NoiseKind, rate_hz: int) -> float:
    """Mean square in the birds' band over half a minute of a fixed stream."""
    if (kind, rate_hz) not in _POWERS:
        maker = _MAKERS[kind](np.random.default_rng(20260512), rate_hz)
        probe = np.concatenate([next(maker) for _ in range(_PROBE_S)])
        _POWERS[kind, rate_hz] = band_power(probe, rate_hz)
    return _POWERS[kind, rate_hz]


def band_power(wave: npt.ArrayLike, rate_hz: int) -> float:
    """Mean square within `BAND_HZ`, by Welch's method (1967)."""
    hertz, density = signal.welch(np.asarray(wave), rate_hz, nperseg=4096)
    inside = (hertz >= BAND_HZ[0]) & (hertz <= BAND_HZ[1])
    return float(np.sum(density[inside]) * (hertz[1] - hertz[0]))

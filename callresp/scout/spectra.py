"""Band powers of a recording, and how far they stand above the noise of the place.

Method
------
Power spectra of Hann windows of 21 ms, a hundred a second, are summed into bands whose
width is 60 Hz at the bottom and 5 % of the frequency at the top, so that a shift in pitch
of half a semitone moves a tone by less than a band. From each band its own noise floor is
taken: a low quantile over time, corrected for what such a quantile is of steady noise, and
no more than 4 dB above the floors of its neighbours, so that a cricket that never stops is
a sound and not the floor.

What templates are compared with is ``log(1 + power / floor)`` less its mean in noise, over
its standard deviation in noise. At low levels that is the power itself, the best detector
of a known sound in noise; at high levels it is a level in dB, so that a loud stranger
does not outweigh everything.

Source: H. L. Van Trees, Detection, Estimation, and Modulation Theory, part III (1971),
chapter 2 (a known spectrum in noise).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import scipy.fft
import scipy.ndimage
import scipy.special

Grid = npt.NDArray[np.float32]

FRAMES_PER_S = 100
WINDOW_S = 0.0213
LOW_HZ, HIGH_HZ = 200.0, 12_000.0
WIDTH_HZ, WIDTH_SHARE = 60.0, 0.05
FLOOR_QUANTILE = 0.25
# A band's floor stands at most so far above its neighbours' (ratio of powers: 4 dB).
ABOVE_NEIGHBOURS = 2.5
NEIGHBOURS = 17
AT_ONCE = 64
TINY = 1e-20
UNHEARD = 1e9  # spread of a band of which nothing is known: it then counts for nothing
LEAST_FLOOR = 1e-12  # about what a recording of 16 bits can hold
LEARN_FROM = 2000  # frames, evenly spread, that a floor is learnt from


def band_edges() -> npt.NDArray[np.float64]:
    """Edges of the bands in Hz; the width grows from `WIDTH_HZ` to `WIDTH_SHARE` of it."""
    low, high = (np.arcsinh(WIDTH_SHARE * hz / WIDTH_HZ) for hz in (LOW_HZ, HIGH_HZ))
    steps = np.linspace(low, high, round((high - low) / WIDTH_SHARE) + 1)
    return np.asarray(np.sinh(steps) * WIDTH_HZ / WIDTH_SHARE)


BANDS = len(band_edges()) - 1


@dataclass(frozen=True, slots=True)
class Analysis:
    """Windows and bands at one sample rate.

    Attributes
    ----------
    size : int
        Samples of a window.
    window : ndarray
        Hann, scaled so that a full-scale sine in a band reads 1.
    weights : ndarray
        Shape ``(bins, BANDS)``: how much of each bin's power is in each band.
    degrees : ndarray
        Shape ``(BANDS,)``: degrees of freedom of a band's power in noise, over two.
    """

    rate_hz: int
    size: int
    window: Grid
    weights: Grid
    degrees: npt.NDArray[np.float64]

    @property
    def heard(self) -> npt.NDArray[np.bool_]:
        """Which bands lie within the sample rate's reach."""
        return np.asarray(self.weights.sum(axis=0) > 0)


@cache
def analysis(rate_hz: int) -> Analysis:
    """Windows and bands at a sample rate."""
    size = int(scipy.fft.next_fast_len(round(WINDOW_S * rate_hz), real=True))
    window = np.hanning(size + 1)[:-1]
    weights = band_weights(rate_hz, size, band_edges())
    # Hann spreads noise over 1.5 bins: neighbours are not independent of each other.
    degrees = np.maximum(
        (weights.sum(axis=0) ** 2 / np.maximum((weights**2).sum(axis=0), TINY)) / 1.5, 1.0
    )
    scale = 2.0 / window.sum()
    used = int(np.flatnonzero(weights.any(axis=1))[-1]) + 1
    return Analysis(
        rate_hz,
        size,
        (window * scale).astype(np.float32),
        weights[:used].astype(np.float32),
        degrees,
    )


def band_weights(
    rate_hz: int, size: int, edges: npt.NDArray[np.float64], ratio: float = 1.0
) -> npt.NDArray[np.float64]:
    """Share of each bin in each band, shape ``(bins, bands)``.

    Parameters
    ----------
    rate_hz, size
        Of the spectra.
    edges
        Of the bands.
    ratio
        Bands for a sound raised by this ratio of frequencies: its bins fall that much higher.
    """
    width = rate_hz / size * ratio
    lower = (np.arange(size // 2 + 1)[:, None] - 0.5) * width
    inside = np.minimum(lower + width, edges[1:]) - np.maximum(lower, edges[:-1])
    weights = np.clip(inside / width, 0.0, None)
    weights[:, edges[1:] > 0.49 * rate_hz * ratio] = 0.0
    return np.asarray(weights)


class BandPowers:
    """Band powers of sound that comes block by block."""

    def __init__(self, rate_hz: int) -> None:
        self.analysis = analysis(rate_hz)
        self._kept = np.zeros(0, np.float32)
        self._first = 0  # sample number of the first that is kept
        self.frames = 0

    def push(self, samples: Grid) -> Grid:
        """Take samples ``(n,)``; return the frames that became whole, ``(m, BANDS)``."""
        own = self.analysis
        self._kept = np.concatenate([self._kept, samples])
        last = self._first + len(self._kept) - own.size
        count = max(0, int(last * FRAMES_PER_S / own.rate_hz) + 1 - self.frames) if last >= 0 else 0
        numbers = np.arange(self.frames, self.frames + count)
        starts = (numbers * own.rate_hz) // FRAMES_PER_S - self._first
        powers = np.empty((count, BANDS), np.float32)
        if count:
            windows = np.lib.stride_tricks.sliding_window_view(self._kept, own.size)
            for at in range(0, count, AT_ONCE):
                part = windows[starts[at : at + AT_ONCE]]
                powers[at : at + AT_ONCE] = spectra(part, own) @ own.weights
            self.frames += count
            done = self.frames * own.rate_hz // FRAMES_PER_S - self._first
            self._kept = self._kept[max(0, done) :]
            self._first += max(0, done)
        return powers


def spectra(windows: Grid, own: Analysis) -> Grid:
    """Power spectra of windows ``(n, size)``, as far as the bands reach."""
    bins = scipy.fft.rfft(windows * own.window, axis=1)[:, : len(own.weights)]
    return np.asarray(bins.real**2 + bins.imag**2)


def powers_of(blocks: Iterable[Grid], rate_hz: int, chunk: int) -> Iterator[Grid]:
    """Band powers in chunks of `chunk` frames; the last may be shorter."""
    source = BandPowers(rate_hz)
    kept: list[Grid] = []
    have = 0
    for block in blocks:
        part = source.push(block)
        kept.append(part)
        have += len(part)
        while have >= chunk:
            joined = np.concatenate(kept)
            yield joined[:chunk]
            kept, have = [joined[chunk:]], have - chunk
    if have:
        yield np.concatenate(kept)


@cache
def _in_noise(degrees: float) -> tuple[float, float, float]:
    """Of a band's power in noise of mean 1: its low quantile, and mean and spread of log(1 + p)."""
    # A gamma distribution of mean 1, by its quantiles.
    powers = scipy.special.gammaincinv(degrees, (np.arange(2000) + 0.5) / 2000) / degrees
    values = np.log1p(powers)
    low = scipy.special.gammaincinv(degrees, FLOOR_QUANTILE) / degrees
    return float(low), float(values.mean()), float(values.std())


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """What noise of the place does to the bands.

    Attributes
    ----------
    floor : ndarray
        Mean power of each band's noise.
    mean, spread : ndarray
        Of ``log(1 + power / floor)`` in that noise.
    """

    floor: Grid
    mean: Grid
    spread: Grid

    def above(self, powers: Grid) -> Grid:
        """How far powers ``(n, BANDS)`` stand above noise: 0 is its mean, 1 its spread."""
        above = powers / self.floor
        above += 1.0
        np.log(above, out=above)
        above -= self.mean
        above /= self.spread
        return above


def noise_model(powers: Grid, degrees: npt.NDArray[np.float64]) -> NoiseModel:
    """Learn the noise of a place from its band powers ``(n, BANDS)``.

    Frames of digital silence tell nothing of a place; where there is nothing else, the
    floor is the least that a recording of 16 bits can hold.
    """
    facts = np.array([_in_noise(round(float(one), 3)) for one in degrees])
    sounding = powers[:: max(1, len(powers) // LEARN_FROM)]
    sounding = sounding[sounding.sum(axis=1) > 1e-14]
    if len(sounding) == 0:
        floor = np.full(BANDS, LEAST_FLOOR)
    else:
        floor = np.quantile(sounding, FLOOR_QUANTILE, axis=0) / facts[:, 0]
    heard = np.flatnonzero(powers.any(axis=0))
    floor = np.maximum(floor, LEAST_FLOOR)
    widths = np.diff(band_edges())
    density = np.log(floor / widths)
    if len(heard):
        # Bands beyond the sample rate's reach hold nothing to compare a neighbour with.
        density = np.interp(np.arange(BANDS), heard, density[heard])
    around = scipy.ndimage.median_filter(density, size=NEIGHBOURS, mode="nearest")
    density = np.minimum(density, around + np.log(ABOVE_NEIGHBOURS))
    spread = np.full(BANDS, UNHEARD)
    spread[heard] = facts[heard, 2]
    return NoiseModel(
        (np.exp(density) * widths).astype(np.float32),
        facts[:, 1].astype(np.float32),
        spread.astype(np.float32),
    )

"""Band powers of a recording, and how far they stand above the noise of the place.

Method
------
Power spectra of Hann windows of 21 ms, a hundred a second, are summed into bands whose
width is 60 Hz at 200 Hz and 5 % of the frequency at the top, so that a shift in pitch
of half a semitone moves a tone by less than a band. Below 200 Hz, where drums and booms lie,
windows are twice as long and bands half as wide; for these the sound is brought to a rate of
1 kHz first, which costs next to nothing. From each band its own noise floor is
taken: a low quantile over time, corrected for what such a quantile is of steady noise, and
no more than 4 dB above the floors of its neighbours, so that a cricket that never stops is
a sound and not the floor.

What an example is compared with is ``log(1 + power / floor)`` less its mean in noise, over
its standard deviation in noise. At low levels that is the power itself, the best detector
of a known sound in noise; at high levels it is a level in dB, so that a loud stranger
does not outweigh everything.

Source: H. L. Van Trees, Detection, Estimation, and Modulation Theory, part III (1971),
chapter 2 (a known spectrum in noise).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import scipy.fft
import scipy.ndimage
import scipy.signal
import scipy.special

Grid = npt.NDArray[np.float32]

FRAMES_PER_S = 100
WINDOW_S = 0.0213
LOW_HZ, HIGH_HZ = 200.0, 12_000.0
WIDTH_HZ, WIDTH_SHARE = 60.0, 0.05
DRUM_HZ, DRUM_BANDS = 40.0, 5  # what lies below `LOW_HZ`
DRUM_RATE_HZ, DRUM_WINDOW = 1000.0, 43  # about; samples at that rate
DRUM_BINS = np.arange(1, 12)
LOWPASS = 8  # filter taps for each sample of the lower rate
PASS_HZ, STOP_DB = 500.0, 65.0  # middle of the filter's slope, and how much it takes off
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
    """Edges ``(BANDS + 1,)`` in Hz, that widen from `WIDTH_HZ` to `WIDTH_SHARE` above `LOW_HZ`."""
    low, high = (np.arcsinh(WIDTH_SHARE * hz / WIDTH_HZ) for hz in (LOW_HZ, HIGH_HZ))
    steps = np.linspace(low, high, round((high - low) / WIDTH_SHARE) + 1)
    drums = np.linspace(DRUM_HZ, LOW_HZ, DRUM_BANDS, endpoint=False)
    return np.concatenate([drums, np.sinh(steps) * WIDTH_HZ / WIDTH_SHARE])


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
    step : int
        Samples for each one of the rate at which the lowest bands are worked out.
    lowpass, waves : ndarray
        Before that, shape ``(step, LOWPASS)``; and the windowed cosines and sines of
        `DRUM_BINS`, shape ``(DRUM_WINDOW, 2 * bins)``.
    weights : ndarray
        Shape ``(bins, BANDS)``: how much of each bin's power is in each band.
    degrees : ndarray
        Shape ``(BANDS,)``: degrees of freedom of a band's power in noise, over two.
    """

    rate_hz: int
    size: int
    window: Grid
    step: int
    lowpass: Grid
    waves: Grid
    weights: Grid
    degrees: npt.NDArray[np.float64]

    @property
    def margin(self) -> int:
        """Samples that `spectra` needs before and after a window; a multiple of `step`."""
        longer = (DRUM_WINDOW + LOWPASS - 1) * self.step - self.size
        return self.step * (2 + max(0, longer) // 2 // self.step)

    @property
    def heard(self) -> npt.NDArray[np.bool_]:
        """Which bands ``(BANDS,)`` lie within the sample rate's reach."""
        return np.asarray(self.weights.sum(axis=0) > 0)


@cache
def analysis(rate_hz: int) -> Analysis:
    """Windows and bands at a sample rate."""
    size = int(scipy.fft.next_fast_len(round(WINDOW_S * rate_hz), real=True))
    step = max(1, round(rate_hz / DRUM_RATE_HZ))
    window, longer = np.hanning(size + 1)[:-1], np.hanning(DRUM_WINDOW + 1)[:-1]
    turns = 2j * np.pi * np.outer(np.arange(DRUM_WINDOW), DRUM_BINS) / DRUM_WINDOW
    waves = np.exp(turns) * (2.0 / longer.sum() * longer)[:, None]
    taps = scipy.signal.firwin(
        LOWPASS * step, min(PASS_HZ, 0.4 * rate_hz), fs=rate_hz,
        window=("kaiser", scipy.signal.kaiser_beta(STOP_DB)),
    )  # fmt: skip
    weights = band_weights(rate_hz, size, step)
    weights = weights[: int(np.flatnonzero(weights.any(axis=1))[-1]) + 1]
    # Hann spreads noise over 1.5 bins: neighbours are not independent of each other.
    degrees = np.maximum(
        (weights.sum(axis=0) ** 2 / np.maximum((weights**2).sum(axis=0), TINY)) / 1.5, 1.0
    )
    return Analysis(
        rate_hz,
        size,
        (window * (2.0 / window.sum())).astype(np.float32),
        step,
        np.ascontiguousarray(taps.reshape(LOWPASS, step).T, dtype=np.float32),
        np.concatenate([waves.real, waves.imag], axis=1).astype(np.float32),
        weights.astype(np.float32),
        degrees,
    )


def band_weights(rate_hz: int, size: int, step: int, ratio: float = 1.0) -> npt.NDArray[np.float64]:
    """Share of each bin in each band, shape ``(bins, BANDS)``; the bins of `spectra`, and beyond.

    Parameters
    ----------
    rate_hz, size, step
        Of `Analysis`.
    ratio
        Bands for a sound raised by this ratio of frequencies: its bins fall that much higher.
    """
    edges, drums = band_edges(), len(DRUM_BINS)
    long, short = rate_hz / step / DRUM_WINDOW, rate_hz / size
    numbers = np.r_[DRUM_BINS, np.arange(size // 2 + 1)]
    width = ratio * np.r_[np.full(drums, long), np.full(size // 2 + 1, short)][:, None]
    lower = (numbers[:, None] - 0.5) * width
    inside = np.minimum(lower + width, edges[1:]) - np.maximum(lower, edges[:-1])
    weights = np.clip(inside / width, 0.0, None)
    weights[:, edges[1:] > 0.49 * rate_hz * ratio] = 0.0
    weights[:drums, DRUM_BANDS:] = weights[drums:, :DRUM_BANDS] = 0.0
    return np.asarray(weights)


class BandPowers:
    """Band powers of sound that comes block by block."""

    def __init__(self, rate_hz: int) -> None:
        self.analysis = analysis(rate_hz)
        self._first = -self.analysis.margin  # sample number of the first that is kept
        self._kept = np.zeros(-self._first, np.float32)
        self.frames = 0

    def push(self, samples: Grid) -> Grid:
        """Take samples ``(n,)``; return the frames that became whole, ``(m, BANDS)``."""
        own = self.analysis
        self._kept = np.concatenate([self._kept, samples])
        last = self._first + len(self._kept) - own.size - own.margin
        count = max(0, int(last * FRAMES_PER_S / own.rate_hz) + 1 - self.frames) if last >= 0 else 0
        numbers = np.arange(self.frames, self.frames + count)
        starts = (numbers * own.rate_hz) // FRAMES_PER_S - self._first
        if not count:
            return np.zeros((0, BANDS), np.float32)
        powers = spectra(self._kept, starts, own) @ own.weights
        self.frames += count
        done = self.frames * own.rate_hz // FRAMES_PER_S - own.margin - self._first
        done -= done % own.step  # so that any blocks bring the same samples of the lower rate
        self._kept = self._kept[done:]
        self._first += done
        return powers


def spectra(samples: Grid, starts: npt.NDArray[np.integer], own: Analysis) -> Grid:
    """Power spectra of the windows that begin at `starts`, ``(n, bins)``; first the lowest bins.

    There are `Analysis.margin` samples or more before and after each window.
    """
    drums = len(DRUM_BINS)
    powers = np.empty((len(starts), len(own.weights)), np.float32)
    windows = np.lib.stride_tricks.sliding_window_view(samples, own.size)
    for at in range(0, len(starts), AT_ONCE):
        part = windows[starts[at : at + AT_ONCE]] * own.window
        bins = scipy.fft.rfft(part, axis=1)[:, : len(own.weights) - drums]
        powers[at : at + AT_ONCE, drums:] = bins.real**2 + bins.imag**2
    # A longer window about the same middle, of sound at a lower rate.
    span = DRUM_WINDOW + LOWPASS - 1
    begins = (starts + (own.size - span * own.step) // 2) // own.step
    first, rows = int(begins[0]), int(begins[-1] - begins[0]) + span
    blocks = samples[first * own.step : (first + rows) * own.step].reshape(rows, own.step)
    taps = own.lowpass.T @ blocks.T
    low = sum(taps[tap, tap : rows - LOWPASS + 1 + tap] for tap in range(LOWPASS))
    longer = np.lib.stride_tricks.sliding_window_view(low, DRUM_WINDOW)[begins - first]
    waves = longer @ own.waves
    powers[:, :drums] = waves[:, :drums] ** 2 + waves[:, drums:] ** 2
    return powers


def powers_of(blocks: Iterable[Grid], rate_hz: int, chunk: int) -> Iterator[Grid]:
    """Band powers of blocks ``(n,)``, in chunks ``(chunk, BANDS)``; the last may be shorter."""
    source = BandPowers(rate_hz)
    kept: list[Grid] = []
    have = 0
    after = np.zeros(source.analysis.margin, np.float32)
    for block in itertools.chain(blocks, [after]):
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
        Shape ``(BANDS,)``, as the others: mean power of each band's noise.
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
    density = among_neighbours(density)
    spread = np.full(BANDS, UNHEARD)
    spread[heard] = facts[heard, 2]
    return NoiseModel(
        (np.exp(density) * widths).astype(np.float32),
        facts[:, 1].astype(np.float32),
        spread.astype(np.float32),
    )


def among_neighbours(density: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Logarithms of a floor's density ``(BANDS,)``, none far above those of its neighbours.

    The limit keeps a continuous caller from becoming the floor of its band. The lowest bands,
    whose rumble differs from band to band, are left out of it.
    """
    limited = density.copy()
    song = density[DRUM_BANDS:]
    around = scipy.ndimage.median_filter(song, size=NEIGHBOURS, mode="nearest")
    limited[DRUM_BANDS:] = np.minimum(song, around + np.log(ABOVE_NEIGHBOURS))
    return limited

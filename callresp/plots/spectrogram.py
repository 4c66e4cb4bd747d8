"""A spectrogram for pictures: streamed, on a logarithmic frequency axis.

Method
------
Power spectra of Hann windows of about 21 ms, four to a window, are averaged
within the rows of a logarithmic frequency axis and the loudest of each column
is kept, so a click does not vanish when a minute shares a page. From each row
its own floor (the lower third of its columns) is taken off, so that wind and
a stream don't blacken the page.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from callresp.io.audio import Recording

Grid = npt.NDArray[np.float32]
Powers = npt.NDArray[np.float64]
Level = TypeVar("Level", np.float32, np.float64)

WINDOW_S = 0.021
OVERLAP = 4
FLOOR_QUANTILE = 0.33
RANGE_DB = 80.0


@dataclass(frozen=True)
class Spectrogram:
    """Levels above each row's floor, dB, shape ``(rows, columns)``, low rows first."""

    above_db: Grid
    from_s: float
    to_s: float
    low_hz: float
    high_hz: float


class _Rows:
    """Averages power spectra within logarithmic rows."""

    def __init__(self, sample_rate_hz: int, size: int, low: float, high: float, rows: int) -> None:
        edges = np.geomspace(low, high, rows + 1) * size / sample_rate_hz
        # A row narrower than a bin looks at one bin's width about its middle.
        middle, half = (edges[1:] + edges[:-1]) / 2, np.maximum(np.diff(edges), 1.0) / 2
        # Bin k covers k - 1/2 to k + 1/2; the running sum is known at its upper edge.
        last = size // 2 + 1
        edges = np.clip([middle - half + 0.5, middle + half + 0.5], 0.0, last - 1e-6)
        below = edges.astype(np.intp)
        share = (edges - below) / (2 * half)
        # A row is the running sum at its upper end less that at its lower, each between two bins.
        self._bins = np.concatenate([below[1], below[1] + 1, below[0], below[0] + 1])
        whole = 1 / (2 * half)
        self._shares = np.array([whole - share[1], share[1], share[0] - whole, -share[0]])

    def __call__(self, total: Powers, ends: Powers) -> Powers:
        """From running sums over bins to powers of rows, with room for their four ends."""
        np.take(total, self._bins, axis=1, out=ends, mode="clip")
        four = ends.reshape(len(ends), *self._shares.shape)
        four *= self._shares
        return np.asarray(four.sum(axis=1))


class Scratch:
    """Scratch arrays for powers of rows, so that their memory is asked for once.

    A thread that asks for some megabytes and gives them back, for each few windows, spends half
    its time on having the pages cleared.

    Parameters
    ----------
    frames, size, ends
        Windows at a time, samples in each, and places where running sums are looked up.
    """

    def __init__(self, frames: int, size: int, ends: int) -> None:
        bins = size // 2 + 1
        self.windowed = np.empty((frames, size))
        self.bins = np.empty((frames, bins), np.complex128)
        self.power = np.empty((frames, bins))
        self.imaginary = np.empty((frames, bins))
        self.total = np.zeros((frames, bins + 1))
        self.ends = np.empty((frames, ends))


class RowSpectra:
    """Power spectra on a logarithmic frequency axis.

    Parameters
    ----------
    sample_rate_hz
        Of the sound.
    low_hz, high_hz
        Ends of the axis; the upper one within half the sample rate.
    rows
        How many rows it has.

    Attributes
    ----------
    size
        Samples in a window.
    """

    def __init__(self, sample_rate_hz: int, low_hz: float, high_hz: float, rows: int) -> None:
        self.size = 1 << max(round(np.log2(WINDOW_S * sample_rate_hz)), 6)
        self._window = np.hanning(self.size)
        self._rows = rows
        self._average = _Rows(sample_rate_hz, self.size, low_hz, high_hz, rows)

    def scratch(self, frames: int) -> Scratch:
        """Scratch arrays for so many windows at a time."""
        return Scratch(frames, self.size, 4 * self._rows)

    def power(self, frames: Grid, scratch: Scratch | None = None) -> Powers:
        """From windows of samples, shape ``(n, size)``, to powers, shape ``(n, rows)``.

        `n` is at most what `scratch`, which the next call may use again, has room for.
        """
        scratch = scratch or self.scratch(len(frames))
        count = len(frames)
        np.multiply(self._window, frames, out=scratch.windowed[:count])
        bins = np.fft.rfft(scratch.windowed[:count], axis=1, out=scratch.bins[:count])
        power = np.square(bins.real, out=scratch.power[:count])
        power += np.square(bins.imag, out=scratch.imaginary[:count])
        total = scratch.total[:count]
        np.cumsum(power, axis=1, out=total[:, 1:])
        return self._average(total, scratch.ends[:count])


def share_below(values: npt.NDArray[Level], share: float, axis: int = 0) -> npt.NDArray[Level]:
    """The value that a share of them lies below, along an axis: a quantile, one of the values.

    `numpy.quantile`, which goes between two values, loads all of `numpy.ma` for it: the desk's
    first picture would have to wait.

    Parameters
    ----------
    values
        Any.
    share
        0 to 1.
    axis
        That they are ranked along.

    Returns
    -------
    ndarray
        Of the same kind, without that axis.
    """
    place = int(share * (values.shape[axis] - 1))
    return np.asarray(np.partition(values, place, axis=axis).take(place, axis=axis))


def grey_range(above_db: npt.NDArray[np.floating], most_db: float) -> tuple[float, float]:
    """Levels over the floor that are drawn white and darkest.

    The range follows the loudest 0.3 % of the picture where that is less than
    `most_db`, so that a faint recording is not drawn all white; never less than
    12 dB, so that noise is not drawn as if it were sound.
    """
    loudest = float(share_below(above_db.ravel(), 0.997)) if above_db.size else most_db
    return 2.5, float(np.clip(loudest, 12.0, most_db))


def log_spectrogram(
    recording: Recording,
    from_s: float,
    to_s: float,
    low_hz: float,
    high_hz: float,
    columns: int = 1800,
    rows: int = 320,
    progress: Callable[[float], None] | None = None,
) -> Spectrogram:
    """Make the spectrogram of a stretch, in memory that does not grow with it.

    The recording is read onward from its start. The upper end of the frequency axis lies within
    half the sample rate.
    """
    rate = recording.sample_rate_hz
    high_hz = min(high_hz, 0.49 * rate)
    spectra = RowSpectra(rate, low_hz, high_hz, rows)
    size = spectra.size
    hop = size // OVERLAP
    loudest = np.full((columns, rows), 1e-20)
    per_column = (to_s - from_s) * rate / columns
    first, last = int(from_s * rate), int(to_s * rate)
    kept, at = np.zeros(0, dtype=np.float32), 0
    for block in recording.blocks():
        end = at + len(block)
        if end > first - size:
            kept = np.concatenate([kept, block])
            frames = windows_of(kept, size, hop)
            middles = end - len(kept) + hop * np.arange(len(frames)) + size / 2
            columns_of = np.floor((middles - first) / per_column).astype(np.intp)
            inside = (columns_of >= 0) & (columns_of < columns)
            np.maximum.at(loudest, columns_of[inside], spectra.power(frames[inside]))
            kept = kept[hop * len(frames) :]
        at = end
        if progress:
            progress(min(at / max(last, 1), 1.0))
        if at > last + size:
            break
    loudest, known = _filled(loudest, size / per_column)
    level_db = 10 * np.log10(loudest).T
    # Where the recording holds nothing there is no floor either.
    sure = level_db[:, known] if known.any() else level_db
    floor = share_below(sure, FLOOR_QUANTILE, axis=1)[:, np.newaxis]
    # Digital silence is no floor to measure from.
    floor = np.maximum(floor, level_db.max() - RANGE_DB)
    above = np.clip(level_db - floor, 0.0, None).astype(np.float32)
    return Spectrogram(above, from_s, to_s, low_hz, high_hz)


def windows_of(samples: Grid, size: int, hop: int) -> Grid:
    """Every `hop`-th window of `size` samples, shape ``(frames, size)``, without copying.

    Parameters
    ----------
    samples
        Shape ``(n,)``.
    size, hop
        In samples.

    Returns
    -------
    array of float32
        A view of `samples`.
    """
    if len(samples) < size:
        return np.zeros((0, size), dtype=np.float32)
    return np.lib.stride_tricks.sliding_window_view(samples, size)[::hop]


def _filled(
    loudest: npt.NDArray[np.float64], reach: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Columns shorter than a hop take their neighbour's spectrum; and which columns have one.

    Farther than `reach` columns from any window lies what is before or after the recording.
    """
    empty = loudest.max(axis=1) <= 1e-20
    if not empty.any() or empty.all():
        return loudest, ~empty
    known, columns = np.flatnonzero(~empty), np.arange(len(loudest))
    nearest = known[np.clip(np.searchsorted(known, columns), 0, len(known) - 1)]
    within = np.abs(nearest - columns) <= max(reach, 1.0)
    return np.where((empty & within)[:, None], loudest[nearest], loudest), within

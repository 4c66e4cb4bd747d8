"""Features of a note: what helps to tell one singer from another."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels import f0
from callresp.listen.kernels._jit import inner, noalloc
from callresp.listen.kernels.layout import RING
from callresp.listen.notes import BANDS, BANDS_FROM_HZ, BANDS_TO_HZ, PARTS

NINE_TENTHS_DB = -0.915  # of an amplitude
TENTH_DB = -20.0
BAND_RATIO = (BANDS_TO_HZ / BANDS_FROM_HZ) ** (1.0 / BANDS)
LEAST_DB = -127.0  # that is kept of a spectrogram


@noalloc
def describe(
    freq: Any, power: Any, pitch: Any, level: Any, bounds: Any, setup: Any, row: Any
) -> None:
    """Fill one row of `callresp.listen.notes.FEATURES`.

    Parameters
    ----------
    freq, power
        Mean bin and power of each partial.
    pitch, level
        Pitch in bins and envelope in dB, one row a frame of the note.
    bounds
        Lowest and highest bin.
    row
        The row to fill.
    """
    _spread(freq, power, bounds, setup.bin_hz, row)
    _pitch_course(pitch, setup.bin_hz, row)
    _flanks(level, setup.frames_per_s, row)


@noalloc
def _spread(freq: Any, power: Any, bounds: Any, bin_hz: float, row: Any) -> None:
    """Centre and standard deviation of the energy; of the whole band where nothing is tonal."""
    total = 0.0
    first = 0.0
    second = 0.0
    for i in range(freq.size):
        total += power[i]
        first += power[i] * freq[i]
        second += power[i] * freq[i] * freq[i]
    if total <= 0.0:
        row.centroid_hz = 0.5 * (bounds[0] + bounds[1]) * bin_hz
        row.bandwidth_hz = (bounds[1] - bounds[0]) / math.sqrt(12.0) * bin_hz
        return
    centre = first / total
    row.centroid_hz = centre * bin_hz
    row.bandwidth_hz = math.sqrt(max(0.0, second / total - centre * centre)) * bin_hz


@noalloc
def _pitch_course(pitch: Any, bin_hz: float, row: Any) -> None:
    """Start, end and extremes of the pitch track; nan where it has fewer than two points."""
    lowest = np.inf
    highest = 0.0
    first = -1
    last = -1
    for at in range(pitch.size):
        if math.isnan(pitch[at]):
            continue
        first = at if first < 0 else first
        last = at
        lowest = min(lowest, pitch[at])
        highest = max(highest, pitch[at])
    if first == last:
        row.start_hz = row.end_hz = row.lowest_hz = row.highest_hz = np.nan
        return
    row.start_hz = f0.median(pitch[first : first + 3]) * bin_hz
    row.end_hz = f0.median(pitch[max(first, last - 2) : last + 1]) * bin_hz
    row.lowest_hz = lowest * bin_hz
    row.highest_hz = highest * bin_hz


@noalloc
def _flanks(level: Any, frames_per_s: float, row: Any) -> None:
    """Attack from 10 to 90 % of the peak amplitude, decay from 90 to 10 %."""
    top = 0
    for at in range(level.size):
        if level[at] > level[top]:
            top = at
    row.attack_ms = 1000.0 * _flank(level, top, -1) / frames_per_s
    row.decay_ms = 1000.0 * _flank(level, top, 1) / frames_per_s


@noalloc
def _flank(level: Any, top: int, step: int) -> int:
    """Frames from 90 to 10 % of the peak amplitude, going away from the peak."""
    at = top
    near = top
    while 0 <= at < level.size and level[at] > level[top] + TENTH_DB:
        if level[at] >= level[top] + NINE_TENTHS_DB and abs(at - near) <= 1:
            near = at
        at += step
    return abs(at - near)


@inner
def coarse_spectrogram(first: int, end: int, spec: Any, setup: Any, row: Any) -> None:
    """Fill in the coarse spectrogram of `row`: all that sounds in frames [first, end).

    Unlike the note's partials it tells a hiss from a click, and a buzz from either. Power
    within half the noise floor counts as half of that.
    """
    power = np.empty(setup.bins)
    edges = np.empty(BANDS + 1)
    noise = np.full(BANDS, 1e-13)
    edges[0] = BANDS_FROM_HZ / setup.bin_hz + 0.5
    for band in range(BANDS):
        edges[band + 1] = edges[band] * BAND_RATIO - 0.5 * (BAND_RATIO - 1.0)
        for k in _bins(edges, band, setup):
            noise[band] += _share(edges, band, k) * spec.floor[k]
    low, high = max(setup.kept_from, int(edges[0])), min(setup.kept_to, int(edges[BANDS]) + 1)
    for part in range(PARTS):
        start = first + (end - first) * part // PARTS
        stop = max(start + 1, first + (end - first) * (part + 1) // PARTS)
        power[low:high] = 0.0
        for at in range(start, stop):
            add_row(spec.power[at & (RING - 1), low:high], power[low:high])
        for band in range(BANDS):
            total = 0.0
            for k in _bins(edges, band, setup):
                total += _share(edges, band, k) * power[k] / (stop - start)
            level_db = 10.0 * math.log10(max(total - noise[band], 0.5 * noise[band]))
            row.spectrogram_db[part, band] = int(min(-1.0, max(LEAST_DB, round(level_db))))


@noalloc
def add_row(row: Any, to: Any) -> None:
    """Add each number of a row to that of another: a loop without branches, so vectorised."""
    for k in range(to.size):
        to[k] += row[k]


@noalloc
def _bins(edges: Any, band: int, setup: Any) -> range:
    """The bins that lie in a band, be it in part."""
    low, high = int(edges[band]), int(edges[band + 1]) + 1
    return range(max(setup.kept_from, low), min(setup.kept_to, high))


@noalloc
def _share(edges: Any, band: int, k: int) -> float:
    """How much of bin `k` lies in a band."""
    return min(edges[band + 1], k + 1.0) - max(edges[band], float(k))

"""What a note is like: the features that tell one singer from another."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels import f0
from callresp.listen.kernels._jit import inner
from callresp.listen.notes import PARTIALS

QUIET_DB = -60.0
NINE_TENTHS_DB = -0.915  # 90 % of an amplitude
TENTH_DB = -20.0


@inner
def describe(
    base: float,
    mean: Any,
    power: Any,
    use: Any,
    pitch: Any,
    shape: Any,
    bounds: Any,
    setup: Any,
    row: Any,
) -> None:
    """Fill one row of `FEATURES`; `shape` and `pitch` cover the note, `bounds` its band in bins."""
    _partials(base, mean, power, use, row)
    _spread(mean, power, bounds, setup.bin_hz, row)
    _course(pitch, setup, row)
    _flanks(shape, setup.frames_per_s, row)


@inner
def _partials(base: float, mean: Any, power: Any, use: Any, row: Any) -> None:
    sums = np.zeros(PARTIALS)
    for i in range(mean.size):
        if use[i] and base > 0.0:
            order = int(round(mean[i] / base))
            if 1 <= order <= PARTIALS:
                sums[order - 1] += power[i]
    most = 0.0
    for h in range(PARTIALS):
        most = max(most, sums[h])
    for h in range(PARTIALS):
        level = QUIET_DB
        if sums[h] > 0.0:
            level = max(QUIET_DB, 10.0 * math.log10(sums[h] / most))
        row.partial_db[h] = level


@inner
def _spread(mean: Any, power: Any, bounds: Any, bin_hz: float, row: Any) -> None:
    """Centre and standard deviation of the energy; of the whole band where nothing is tonal."""
    total = 0.0
    first = 0.0
    second = 0.0
    for i in range(mean.size):
        total += power[i]
        first += power[i] * mean[i]
        second += power[i] * mean[i] * mean[i]
    if total <= 0.0:
        row.centroid_hz = 0.5 * (bounds[0] + bounds[1]) * bin_hz
        row.bandwidth_hz = (bounds[1] - bounds[0]) / math.sqrt(12.0) * bin_hz
        return
    centre = first / total
    row.centroid_hz = centre * bin_hz
    row.bandwidth_hz = math.sqrt(max(0.0, second / total - centre * centre)) * bin_hz


@inner
def _course(pitch: Any, setup: Any, row: Any) -> None:
    """Start, end, extremes, slope, wobble and its rate, of the pitch track."""
    n = 0
    st = 0.0
    sx = 0.0
    stt = 0.0
    stx = 0.0
    lowest = np.inf
    highest = 0.0
    first = -1
    last = -1
    for at in range(pitch.size):
        if math.isnan(pitch[at]):
            continue
        first = at if first < 0 else first
        last = at
        x = math.log2(pitch[at])
        n += 1
        st += at
        sx += x
        stt += at * at
        stx += at * x
        lowest = min(lowest, pitch[at])
        highest = max(highest, pitch[at])
    if n < 2:
        row.start_hz = row.end_hz = row.lowest_hz = row.highest_hz = np.nan
        row.slope_oct_s = row.wobble_cents = row.vibrato_hz = np.nan
        return
    bend = n * stt - st * st
    slope = (n * stx - st * sx) / bend if bend > 0.0 else 0.0
    level = (sx - slope * st) / n
    row.start_hz = f0.median(pitch[first : first + 3]) * setup.bin_hz
    row.end_hz = f0.median(pitch[max(first, last - 2) : last + 1]) * setup.bin_hz
    row.lowest_hz = lowest * setup.bin_hz
    row.highest_hz = highest * setup.bin_hz
    row.slope_oct_s = slope * setup.frames_per_s
    _wobble(pitch, slope, level, n, (last - first + 1) / setup.frames_per_s, row)


@inner
def _wobble(pitch: Any, slope: float, level: float, n: int, length_s: float, row: Any) -> None:
    total = 0.0
    for at in range(pitch.size):
        if not math.isnan(pitch[at]):
            off = math.log2(pitch[at]) - level - slope * at
            total += off * off
    size = math.sqrt(total / n)
    crossings = 0
    side = 0
    for at in range(pitch.size):
        if math.isnan(pitch[at]):
            continue
        off = math.log2(pitch[at]) - level - slope * at
        # Half its own size must be passed before a crossing counts.
        here = 1 if off > 0.5 * size else -1 if off < -0.5 * size else side
        if side != 0 and here != side:
            crossings += 1
        side = here
    row.wobble_cents = 1200.0 * size
    row.vibrato_hz = 0.5 * crossings / length_s


@inner
def _flanks(shape: Any, frames_per_s: float, row: Any) -> None:
    """Attack from 10 to 90 % of the peak amplitude, decay from 90 to 10 %."""
    top = 0
    for at in range(shape.size):
        if shape[at] > shape[top]:
            top = at
    row.peak_db = shape[top]
    row.attack_ms = 1000.0 * _flank(shape, top, -1) / frames_per_s
    row.decay_ms = 1000.0 * _flank(shape, top, 1) / frames_per_s


@inner
def _flank(shape: Any, top: int, step: int) -> int:
    at = top
    near = top
    while 0 <= at < shape.size and shape[at] > shape[top] + TENTH_DB:
        if shape[at] >= shape[top] + NINE_TENTHS_DB and abs(at - near) <= 1:
            near = at
        at += step
    return abs(at - near)

"""Fundamental frequency: one for the partials of a note, and its pitch frame by frame.

Conventions
-----------
Arrays have one row a partial: its mean frequency in bins, its power, and
whether it is smooth enough to be used.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels import envelope
from callresp.listen.kernels._jit import inner, noalloc
from callresp.listen.kernels.cfar import insert_sorted

HIGHEST_HARMONIC = 24
HIGHEST_DIVISOR = 6  # a partial is taken as one of so many first harmonics
TOLERANCE = 0.025  # of a harmonic's number
NEARLY_ALL = 0.85
STRAIGHT_CENTS = 6.0


@inner
def summarise(partials: envelope.Partials, start: int, end: int) -> tuple[Any, Any, Any, Any]:
    """Of each partial in frames [start, end): points, mean frequency, power, roughness in bins.

    Means are weighted by power; roughness is the RMS of second differences.
    """
    n = partials.start.size
    count = np.zeros(n, np.int64)
    mean = np.zeros(n)
    power = np.zeros(n)
    roughness = np.ones(n)
    for i in range(n):
        a, b = max(start, partials.start[i]), min(end, partials.end[i] + 1)
        if a >= b:
            continue
        freq = partials.freq[partials.at[i] + a : partials.at[i] + b]
        level_db = partials.level_db[partials.at[i] + a : partials.at[i] + b]
        bends = 0.0
        weights = 0.0
        before = 0.0  # power of the point before
        for at in range(freq.size):
            if math.isnan(freq[at]):
                continue
            count[i] += 1
            p = 10.0 ** (0.1 * level_db[at])
            power[i] += p
            mean[i] += p * freq[at]
            if at >= 2 and not (math.isnan(freq[at - 1]) or math.isnan(freq[at - 2])):
                bend = freq[at] - 2 * freq[at - 1] + freq[at - 2]
                bends += before * bend * bend
                weights += before
            before = p
        if power[i] > 0:
            mean[i] /= power[i]
        roughness[i] = math.sqrt(bends / weights) if weights > 0.0 else 1.0
    return count, mean, power, roughness


@inner
def fundamental(freq: Any, power: Any, use: Any, least: float, deepest: int) -> float:
    """The highest fundamental that explains nearly as much as any does; 0 for none.

    Parameters
    ----------
    least
        Lowest fundamental, bins.
    deepest
        The lowest partial must be one of so many first harmonics.
    """
    used = np.flatnonzero(use)
    count = used.size
    own = np.empty(count)
    root = np.empty(count)
    for i in range(count):
        own[i], root[i] = freq[used[i]], math.sqrt(power[used[i]])
    amplitude = np.full((count, HIGHEST_DIVISOR), -1.0)  # -1 for what is no fundamental
    best = 0.0
    for i in range(count):
        for n in range(1, HIGHEST_DIVISOR + 1):
            base = own[i] / n
            if base < least:
                break
            # Hardly any has a partial that is low enough, and that is soon known.
            if _lowest_is_within(deepest, base, own):
                amplitude[i, n - 1] = _explained(base, own, root)
                best = max(best, amplitude[i, n - 1])
    found = 0.0
    for i in range(count):
        for n in range(1, HIGHEST_DIVISOR + 1):
            if amplitude[i, n - 1] >= NEARLY_ALL * best:
                found = max(found, own[i] / n)
    return found


@noalloc
def _lowest_is_within(deepest: int, base: float, freq: Any) -> bool:
    """Whether a partial is one of so many first harmonics of `base`: vectorised."""
    within = 0
    for i in range(freq.size):
        ratio = freq[i] / base
        within += (ratio < deepest + 0.5) & _is_harmonic(ratio)
    return within > 0


@noalloc
def _explained(base: float, freq: Any, root: Any) -> float:
    """Amplitude of the partials that are harmonics of `base`; `root` has that of each."""
    amplitude = 0.0
    for i in range(freq.size):
        amplitude += root[i] if _is_harmonic(freq[i] / base) else 0.0
    return amplitude


@noalloc
def _is_harmonic(ratio: float) -> bool:
    n = max(1.0, np.round(ratio))
    return bool((abs(ratio - n) < TOLERANCE * n) & (n <= HIGHEST_HARMONIC))


@inner
def follow_pitch(
    base: float, partials: envelope.Partials, mean: Any, use: Any, start: int, end: int
) -> Any:
    """Pitch in bins of each frame of [start, end) by all harmonics of `base`, nan where none."""
    above = np.zeros(end - start)
    below = np.zeros(end - start)
    for i in range(mean.size):
        n = max(1.0, np.round(mean[i] / base))
        if not use[i] or abs(mean[i] / base - n) > TOLERANCE * n:
            continue
        for at in range(max(start, partials.start[i]), min(end, partials.end[i] + 1)):
            freq = partials.freq[partials.at[i] + at]
            if not math.isnan(freq):
                weight = 10.0 ** (0.05 * partials.level_db[partials.at[i] + at])
                above[at - start] += weight * n * freq
                below[at - start] += weight * n * n
    return above / below


@inner
def median(values: Any) -> float:
    """Median of what is not nan; nan for nothing."""
    kept = np.empty(values.size)
    n = 0
    for value in values:
        if not math.isnan(value):
            insert_sorted(kept, n, value)
            n += 1
    if n == 0:
        return np.nan
    return 0.5 * (kept[(n - 1) // 2] + kept[n // 2])


@noalloc
def straight_until(pitch: Any, start: int) -> int:
    """The farthest point that a straight line from `start` reaches past all between them."""
    best = pitch.size
    end = start + 1
    while end < pitch.size:
        if not math.isnan(pitch[end]):
            for at in range(start + 1, end):
                if math.isnan(pitch[at]):
                    continue
                line = pitch[start] + (pitch[end] - pitch[start]) * (at - start) / (end - start)
                if abs(1200.0 * math.log2(pitch[at] / line)) > STRAIGHT_CENTS:
                    return best
            best = end
        end += 1
    return best

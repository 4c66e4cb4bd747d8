"""Pitch: one fundamental for the partials of a note, and how tonal it is."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels import cfar
from callresp.listen.kernels._jit import inner

MOST = 24
TOLERANCE = 0.025
ENOUGH = 0.85
STRAIGHT_CENTS = 6.0


@inner
def summarise(place: Any, level: Any, start: int, end: int) -> tuple[Any, Any, Any, Any]:
    """Per partial inside [start, end): points, power-weighted place, power, roughness in bins."""
    n = place.shape[0]
    count = np.zeros(n, np.int64)
    mean = np.zeros(n)
    power = np.zeros(n)
    rough = np.zeros(n)
    for i in range(n):
        bends = 0.0
        for at in range(start, end):
            if math.isnan(place[i, at]):
                continue
            count[i] += 1
            p = 10.0 ** (0.1 * level[i, at])
            power[i] += p
            mean[i] += p * place[i, at]
            if at - 2 >= start and not (
                math.isnan(place[i, at - 1]) or math.isnan(place[i, at - 2])
            ):
                bend = place[i, at] - 2 * place[i, at - 1] + place[i, at - 2]
                weight = 10.0 ** (0.1 * level[i, at - 1])
                rough[i] += weight * bend * bend
                bends += weight
        if power[i] > 0:
            mean[i] /= power[i]
        rough[i] = math.sqrt(rough[i] / bends) if bends > 0.0 else 1.0
    return count, mean, power, rough


@inner
def _explained(base: float, mean: Any, power: Any, use: Any) -> tuple[float, int]:
    got = 0.0
    lowest = 1000
    for i in range(mean.size):
        if not use[i]:
            continue
        n = max(1.0, np.round(mean[i] / base))
        if abs(mean[i] / base - n) < TOLERANCE * n and n <= 24:
            got += math.sqrt(power[i])
            lowest = min(lowest, int(n))
    return got, lowest


@inner
def fundamental(mean: Any, power: Any, use: Any, least: float, deepest: int) -> float:
    """The highest base, in bins, that explains nearly all that any base explains; 0 for none.

    The lowest partial must be one of the first `deepest` of its harmonics.
    """
    best = 0.0
    best_base = 0.0
    for wanted in range(2):
        for i in range(mean.size):
            if not use[i]:
                continue
            for n in range(1, 7):
                base = mean[i] / n
                if base < least:
                    break
                got, lowest = _explained(base, mean, power, use)
                if lowest > deepest:
                    continue
                if wanted == 0:
                    best = max(best, got)
                elif got >= ENOUGH * best:
                    best_base = max(best_base, base)
    return best_base


@inner
def follow_pitch(
    base: float, place: Any, level: Any, mean: Any, use: Any, start: int, end: int, pitch: Any
) -> int:
    """Pitch in bins for each frame of [start, end), nan where none; returns how many."""
    found = 0
    for at in range(start, end):
        above = 0.0
        below = 0.0
        for i in range(mean.size):
            if not use[i] or math.isnan(place[i, at]):
                continue
            n = max(1.0, np.round(mean[i] / base))
            if abs(mean[i] / base - n) > TOLERANCE * n:
                continue
            weight = 10.0 ** (0.05 * level[i, at])
            above += weight * n * place[i, at]
            below += weight * n * n
        if below > 0:
            pitch[at - start] = above / below
            found += 1
        else:
            pitch[at - start] = np.nan
    return found


@inner
def median(values: Any) -> float:
    """Median of what is not nan; nan for nothing."""
    kept = np.empty(values.size)
    n = 0
    for value in values:
        if not math.isnan(value):
            cfar.put(kept, n, value)
            n += 1
    if n == 0:
        return np.nan
    return 0.5 * (kept[(n - 1) // 2] + kept[n // 2])


@inner
def reach(pitch: Any, start: int) -> int:
    """The farthest point that a straight line from `start` reaches without missing any between."""
    best = pitch.size
    end = start + 1
    while end < pitch.size:
        if not math.isnan(pitch[end]):
            straight = True
            for at in range(start + 1, end):
                if math.isnan(pitch[at]):
                    continue
                line = pitch[start] + (pitch[end] - pitch[start]) * (at - start) / (end - start)
                if abs(1200.0 * math.log2(pitch[at] / line)) > STRAIGHT_CENTS:
                    straight = False
                    break
            if not straight:
                return best
            best = end
        end += 1
    return best

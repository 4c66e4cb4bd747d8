"""Edges: where a note begins and ends, and where one note becomes two.

Conventions
-----------
Levels in dB by frame. A dip parts two notes where the level falls by
`split_db` below the peak before it and rises as much again.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit

ON_BELOW_PEAK_DB = 22.0
OFF_BELOW_PEAK_DB = 22.0
CLEAR_DB = 4.0


@njit(cache=True)
def in_db(total: Any, noise: Any) -> tuple[Any, float]:
    """Envelope in dB, held above the floor's own wobble, and that floor."""
    level = np.empty(total.size)
    most = 1e-30
    for at in range(total.size):
        most = max(most, noise[at])
    base = 10.0 * math.log10(most)
    for at in range(total.size):
        rest = max(total[at] - noise[at], most * 0.5)
        level[at] = 10.0 * math.log10(rest)
    return level, base


@njit(cache=True)
def dips(level: Any, split_db: float, least_gap: float) -> Any:
    """Frames of the dips that part notes, with both ends of the stretch."""
    found = np.empty(level.size + 2, np.int64)
    found[0] = 0
    n = 1
    peak = level[0]
    peak_at = 0
    low = level[0]
    low_at = 0
    falling = False
    for at in range(level.size):
        if falling:
            if level[at] <= low:
                low = level[at]
                low_at = at
            elif level[at] >= low + split_db:
                if low_at - found[n - 1] >= least_gap:
                    found[n] = low_at
                    n += 1
                falling = False
                peak = level[at]
                peak_at = at
        elif level[at] > peak:
            peak = level[at]
            peak_at = at
        elif level[at] <= peak - split_db:
            falling = True
            low = level[at]
            low_at = at
    found[n] = level.size
    return found[: n + 1]


@njit(cache=True)
def cross(level: Any, start: int, end: int, base: float) -> tuple[float, float, int]:
    """First and last crossing of the edge levels inside [start, end), and the peak's frame."""
    top = start
    for at in range(start, end):
        if level[at] > level[top]:
            top = at
    on_at = max(base + CLEAR_DB, level[top] - ON_BELOW_PEAK_DB)
    off_at = max(base + CLEAR_DB, level[top] - OFF_BELOW_PEAK_DB)
    a = top
    for at in range(start, top + 1):
        if level[at] >= on_at:
            a = at
            break
    onset = float(a)
    if a > start and level[a] > level[a - 1]:
        onset = a - (level[a] - on_at) / (level[a] - level[a - 1])
    b = top
    for at in range(end - 1, top - 1, -1):
        if level[at] >= off_at:
            b = at
            break
    offset = float(b)
    if b + 1 < end and level[b] > level[b + 1]:
        offset = b + min(1.0, (level[b] - off_at) / (level[b] - level[b + 1]))
    return onset, offset, top

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

from callresp.listen.kernels._jit import inner

NEAR_S = 0.025
EDGE_DB = 22.0
CLEAR_DB = 4.0
CLEAR_OF_TAIL_DB = 6.0
CLEAR_OF_NEXT_DB = 2.0
ECHO_DB = 9.0  # below a note: what the place gives back of it
ECHO_DB_S = 75.0  # by which that fades
ECHO_S = 0.16  # for which it is looked for
# A note falls within SHELF_FALL_S by SHELF_DB to a shelf, what the place rings on with, which
# lasts SHELF_S or longer, and is looked for SHELF_LOOK_S back; it only wavers.
SHELF_DB = 5.0
SHELF_FALL_S = 0.024
SHELF_S = 0.048
SHELF_WAVERS_DB = 2.0
SHELF_LOOK_S = 0.32
LET_GO_DB_S = 400.0  # by which a note falls once it is let go: faster than places ring off
LET_GO_DB = 13.0  # for which that is followed
SILENT_DB = 2.0
SUNKEN_DB = 8.0


@inner
def sunken(level: Any, base: float) -> Any:
    """The envelope with all that lies in the floor let down, so that it counts as silence."""
    out = level.copy()
    for at in range(level.size):
        if level[at] < base + SILENT_DB:
            out[at] -= SUNKEN_DB
    return out


@inner
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


@inner
def _candidates(level: Any, split_db: float) -> Any:
    """Lowest frames of all falls by `split_db` that are followed by as much of a rise."""
    found = np.empty(level.size + 2, np.int64)
    n = 0
    peak = level[0]
    low = level[0]
    low_at = 0
    falling = False
    for at in range(level.size):
        if falling:
            if level[at] <= low:
                low = level[at]
                low_at = at
            elif level[at] >= low + split_db:
                found[n] = low_at
                n += 1
                falling = False
                peak = level[at]
        elif level[at] > peak:
            peak = level[at]
        elif level[at] <= peak - split_db:
            falling = True
            low = level[at]
            low_at = at
    return found[:n]


@inner
def dips(level: Any, split_db: float, least_wide: int, least_gap: int) -> Any:
    """Frames of the dips that part notes, with both ends of the stretch.

    A dip must be `split_db` deep from both sides, stay two thirds of that
    below the lower side for `least_wide` frames, and lie `least_gap` frames
    from the one before.
    """
    low = _candidates(level, split_db)
    parts = np.empty(low.size + 2, np.int64)
    parts[0] = 0
    n = 1
    for i in range(low.size):
        at = low[i]
        stop = low[i + 1] if i + 1 < low.size else level.size
        lower = min(level[parts[n - 1] : at].max(), level[at:stop].max())
        line = lower - 0.66 * split_db
        left = at
        while left > 0 and level[left - 1] < line:
            left -= 1
        right = at
        while right + 1 < level.size and level[right + 1] < line:
            right += 1
        if right - left + 1 >= least_wide and at - parts[n - 1] >= least_gap:
            parts[n] = at
            n += 1
    parts[n] = level.size
    return parts[: n + 1]


@inner
def cross(
    level: Any, start: int, end: int, base: float, frames_per_s: float
) -> tuple[float, float, int]:
    """Where the level rises into and falls out of a note inside [start, end), and its peak.

    The onset lies `EDGE_DB` below the highest level within `NEAR_S` of it,
    and never below the floor's own wobble; the offset, where the place begins to ring on.
    """
    near = int(NEAR_S * frames_per_s)
    top = start
    for at in range(start, end):
        if level[at] > level[top]:
            top = at
    a = _edge(level, _lowest(level, start, top, 1, near), top, 1, base, near)
    b = _end(level, _lowest(level, end - 1, top, -1, near), top, base, near, frames_per_s)
    b = _shelf(level, top, b, frames_per_s)
    return a, b, top


@inner
def _lowest(level: Any, start: int, top: int, step: int, near: int) -> int:
    """Lowest frame of the first `near` on the way to the peak: past what rings on from before."""
    best = start
    at = start
    for _ in range(near):
        if at == top:
            break
        if level[at] < level[best]:
            best = at
        at += step
    return best


@inner
def _edge(level: Any, start: int, top: int, step: int, base: float, near: int) -> float:
    # A note that rises out of another's tail begins where it leaves the tail.
    out_of = min(level[start] + CLEAR_OF_TAIL_DB, level[top])
    at = start
    while at != top:
        peak = level[at]
        ahead = at
        for _ in range(near):
            if ahead == top:
                break
            ahead += step
            peak = max(peak, level[ahead])
        want = max(base + CLEAR_DB, peak - EDGE_DB, out_of)
        if level[at] >= want:
            if at == start or level[at - step] >= level[at]:
                return float(at)
            share = min(1.0, (level[at] - want) / (level[at] - level[at - step]))
            return at - step * share
        at += step
    return float(top)


@inner
def _end(level: Any, start: int, top: int, base: float, near: int, frames_per_s: float) -> float:
    """Where a note ends and the place rings on.

    What the place gives back is fainter than the note by `ECHO_DB` and fades by
    `ECHO_DB_S` from any of its frames on, so that is what a note's own end must pass.
    """
    # What is cut off while it sounds has fallen nowhere.
    out_of = min(level[start], level[top] - 2 * CLEAR_OF_NEXT_DB) + CLEAR_OF_NEXT_DB
    reach = int(ECHO_S * frames_per_s)
    at = start
    while at > top:
        want = max(base + CLEAR_DB, out_of)
        for far in range(1, min(reach, at - top) + 1):
            below = ECHO_DB + ECHO_DB_S * far / frames_per_s
            if far <= near:
                below = min(below, EDGE_DB)
            want = max(want, level[at - far] - below)
        if level[at] >= want:
            if at == start or level[at + 1] >= level[at]:
                return float(at)
            return at + min(1.0, (level[at] - want) / (level[at] - level[at + 1]))
        at -= 1
    return float(top)


@inner
def _shelf(level: Any, top: int, end: float, frames_per_s: float) -> float:
    """Where a note falls off sharply to what only fades from there on, or `end`."""
    fall = int(SHELF_FALL_S * frames_per_s)
    lasts = int(SHELF_S * frames_per_s)
    last = int(end)
    highest = -300.0
    shelf = -1
    for at in range(last, max(top + fall, last - int(SHELF_LOOK_S * frames_per_s)) - 1, -1):
        highest = max(highest, level[at])
        falls = level[at - fall] - level[at] >= SHELF_DB
        if falls and last - at >= lasts and highest <= level[at] + SHELF_WAVERS_DB:
            shelf = at
    if shelf < 0:
        return end
    edge = level[shelf - fall] - 0.5 * SHELF_DB
    while level[shelf] < edge:
        shelf -= 1
    return float(shelf)


@inner
def let_go(level: Any, offset: float, end: int, base: float, frames_per_s: float) -> float:
    """Where the fall ends that takes a note out of hearing, before frame `end`."""
    at = int(offset)
    least = max(base + CLEAR_DB, level[at] - LET_GO_DB)
    step = LET_GO_DB_S / frames_per_s
    while at + 1 < end and level[at + 1] >= least and level[at] - level[at + 1] > step:
        at += 1
    return max(offset, float(at))

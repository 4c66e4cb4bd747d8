"""Segmentation: where a note begins and ends, and where one note becomes two.

Conventions
-----------
- The envelope of a group is in dB by frame, less the noise floor. Times are in
  frames, fractions allowed.
- A dip parts two notes where the level falls by `split_db` below the peak before
  it and rises as much again.
- A note's onset lies `EDGE_DB` below the highest level within `NEAR_S` of it, but
  never so low that it is the noise that wavers; its offset is where its own sound
  ends and that of the place begins.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels._jit import inner

NEAR_S = 0.025
EDGE_DB = 22.0
OVER_FLOOR_DB = 4.0
OVER_TAIL_DB = 6.0  # over the tail of the note before, out of which an onset must rise
OVER_NEXT_DB = 2.0  # over what sounds after it, at which an offset lies
# A place gives a note back ECHO_DB below it at once, fading by ECHO_DB_S, for ECHO_S.
ECHO_DB = 9.0
ECHO_DB_S = 75.0
ECHO_S = 0.16
# Or it rings on evenly: the level falls by SHELF_DB within SHELF_FALL_S to a shelf that lasts
# SHELF_S or longer and wavers by SHELF_WAVERS_DB; looked for SHELF_LOOK_S back from the end.
SHELF_DB = 5.0
SHELF_FALL_S = 0.024
SHELF_S = 0.048
SHELF_WAVERS_DB = 2.0
SHELF_LOOK_S = 0.32
# After its offset a note may fall by RELEASE_DB, faster than places ring off.
RELEASE_DB_S = 400.0
RELEASE_DB = 13.0
SILENT_DB = 2.0  # over the floor
SUNKEN_DB = 8.0


@inner
def in_db(total: Any, noise: Any) -> tuple[Any, float]:
    """Envelope less the noise floor, dB, and the level of that floor."""
    level = np.empty(total.size)
    most = 1e-30
    for at in range(total.size):
        most = max(most, noise[at])
    floor_db = 10.0 * math.log10(most)
    for at in range(total.size):
        rest = max(total[at] - noise[at], most * 0.5)
        level[at] = 10.0 * math.log10(rest)
    return level, floor_db


@inner
def lower_silence(level: Any, floor_db: float) -> Any:
    """The envelope with all that lies in the noise let down, so that it parts notes."""
    out = level.copy()
    for at in range(level.size):
        if level[at] < floor_db + SILENT_DB:
            out[at] -= SUNKEN_DB
    return out


@inner
def split(level: Any, split_db: float, least_wide: int, least_gap: int) -> Any:
    """Frames of the dips that part notes, between the first frame and that after the last.

    A dip must be `split_db` deep from both sides, stay two thirds of that
    below the lower side for `least_wide` frames, and lie `least_gap` frames
    from the one before.
    """
    low = _dips(level, split_db)
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
def _dips(level: Any, split_db: float) -> Any:
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
def bounds(
    level: Any, start: int, end: int, floor_db: float, frames_per_s: float
) -> tuple[float, float, int]:
    """Onset and offset of the note in frames [start, end), and the frame of its peak."""
    near = int(NEAR_S * frames_per_s)
    top = start
    for at in range(start, end):
        if level[at] > level[top]:
            top = at
    onset = _onset(level, _lowest(level, start, top, 1, near), top, floor_db, near)
    last = _lowest(level, end - 1, top, -1, near)
    offset = _offset(level, last, top, floor_db, near, frames_per_s)
    return onset, _before_shelf(level, top, offset, frames_per_s), top


@inner
def _lowest(level: Any, start: int, top: int, step: int, near: int) -> int:
    """Lowest of the first `near` frames on the way to the peak: past another note's tail."""
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
def _onset(level: Any, start: int, top: int, floor_db: float, near: int) -> float:
    # A note that rises out of another's tail begins where it leaves the tail.
    over_tail = min(level[start] + OVER_TAIL_DB, level[top])
    for at in range(start, top):
        peak = level[at : min(at + near, top) + 1].max()
        least = max(floor_db + OVER_FLOOR_DB, peak - EDGE_DB, over_tail)
        if level[at] >= least:
            if at == start or level[at - 1] >= level[at]:
                return float(at)
            share = min(1.0, (level[at] - least) / (level[at] - level[at - 1]))
            return at - share
    return float(top)


@inner
def _offset(
    level: Any, start: int, top: int, floor_db: float, near: int, frames_per_s: float
) -> float:
    """The last moment, from frame `start` back, at which a note is louder than its own echo."""
    # What is cut off while it sounds has fallen nowhere.
    over_next = min(level[start], level[top] - 2 * OVER_NEXT_DB) + OVER_NEXT_DB
    reach = int(ECHO_S * frames_per_s)
    at = start
    while at > top:
        least = max(floor_db + OVER_FLOOR_DB, over_next)
        for back in range(1, min(reach, at - top) + 1):
            below = ECHO_DB + ECHO_DB_S * back / frames_per_s
            if back <= near:
                below = min(below, EDGE_DB)
            least = max(least, level[at - back] - below)
        if level[at] >= least:
            if at == start or level[at + 1] >= level[at]:
                return float(at)
            return at + min(1.0, (level[at] - least) / (level[at] - level[at + 1]))
        at -= 1
    return float(top)


@inner
def _before_shelf(level: Any, top: int, offset: float, frames_per_s: float) -> float:
    """Where a note falls off sharply to a shelf that only fades from there on, or `offset`."""
    fall = int(SHELF_FALL_S * frames_per_s)
    lasts = int(SHELF_S * frames_per_s)
    last = int(offset)
    highest = -300.0
    shelf = -1
    for at in range(last, max(top + fall, last - int(SHELF_LOOK_S * frames_per_s)) - 1, -1):
        highest = max(highest, level[at])
        falls = level[at - fall] - level[at] >= SHELF_DB
        if falls and last - at >= lasts and highest <= level[at] + SHELF_WAVERS_DB:
            shelf = at
    if shelf < 0:
        return offset
    edge = level[shelf - fall] - 0.5 * SHELF_DB
    while level[shelf] < edge:
        shelf -= 1
    return float(shelf)


@inner
def release(level: Any, offset: float, end: int, floor_db: float, frames_per_s: float) -> float:
    """Where the steep fall ends that takes a note out of hearing, before frame `end`."""
    at = int(offset)
    least = max(floor_db + OVER_FLOOR_DB, level[at] - RELEASE_DB)
    step = RELEASE_DB_S / frames_per_s
    while at + 1 < end and level[at + 1] >= least and level[at] - level[at + 1] > step:
        at += 1
    return max(offset, float(at))

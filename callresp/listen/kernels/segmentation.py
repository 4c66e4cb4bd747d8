"""Segmentation: where a note begins and ends, and where one note becomes two.

Conventions
-----------
- The envelope of a group is in dB by frame, less the noise floor. Times are in
  frames, fractions allowed.
- A dip parts two notes where the level falls by `split_db` below the peak before
  it and rises as much again.
- The onset of a note is the moment at which its amplitude passes `EDGE_DB` below the
  highest within the `NEAR_S` that follow, or what stands clear of the noise and of
  the tail before it, if that is more. The window smears it: the envelope passes
  that level earlier, the more so the steeper the sound begins and the briefer it is.
  Both show in the envelope, and the onset is moved by what they tell (`_smear`).
- The offset is where a note's own sound ends and that of the place begins.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels._jit import inner, noalloc

NEAR_S = 0.025
EDGE_DB = 22.0
# Frames by which an onset is seen too early in windows of four hops. First by how far below the
# highest level it is looked for (SMEAR_DB, rows) and by the frames from there to RISEN_DB below it
# (RISES): for a sustained sound that begins at once, or within 2, 5, 10 and 20 ms (columns). Then
# what is added for a brief one (BRIEFER) and how much steeper it rises (STEEPER), by the frames
# for which it stands above HALF_DB below its highest (ABOVE_HALF): for what decays by e within 2,
# 4, 8 and 20 ms or not at all.
RISEN_DB, HALF_DB = 3.0, 6.0
SMEAR_DB = np.array([8.0, 12.0, 16.0, 22.0])
RISES = np.array(
    [
        [0.71, 0.73, 0.83, 1.21, 2.32],
        [1.07, 1.10, 1.25, 1.81, 3.43],
        [1.34, 1.38, 1.58, 2.26, 4.15],
        [1.67, 1.72, 1.98, 2.78, 4.88],
    ]
)
SMEAR = np.array(
    [
        [0.22, 0.15, 0.07, 0.00, 0.00],
        [0.58, 0.41, 0.21, 0.05, 0.00],
        [0.85, 0.62, 0.37, 0.15, 0.02],
        [1.18, 0.90, 0.62, 0.37, 0.15],
    ]
)
ABOVE_HALF = np.array([2.39, 2.86, 3.88, 7.06, 8.40])
BRIEFER = np.array([0.43, 0.30, 0.20, 0.10, 0.00])
STEEPER = np.array([0.23, 0.18, 0.13, 0.08, 0.00])
# What is briefer still is a click: its onset lies so many frames (BEFORE_MIDDLE) before the middle
# of the frames that are above half (CLICKS: impulses, and what decays within 1, 2 and 3 ms).
CLICKS = np.array([2.07, 2.18, 2.39, 2.62])
BEFORE_MIDDLE = np.array([0.05, 0.40, 0.70, 0.95])
CLICK, NO_CLICK = 2.3, 2.7
CLICK_RISE = 2.0  # frames: what rises more slowly to a brief peak is no click
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
DEEP_DB = 18.0
DEEP_FRAMES = 3
DEEP_GAP = 7
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
def split(level: Any, split_db: float, least_wide: int, least_gap: int, tonal: bool) -> Any:
    """Frames of the dips that part notes, between the first frame and that after the last.

    A dip must be `split_db` deep from both sides, stay two thirds of that
    below the lower side for `least_wide` frames, and lie `least_gap` frames
    from the one before. Of a tone, one as deep as `DEEP_DB` may be as short as
    `DEEP_FRAMES`, `DEEP_GAP` frames from the one before: no beat with its own echo
    goes so low.
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
        width, gap = right - left + 1, at - parts[n - 1]
        deep = tonal and lower - level[at] >= DEEP_DB and width >= DEEP_FRAMES and gap >= DEEP_GAP
        if deep or (width >= least_wide and gap >= least_gap):
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


@noalloc
def bounds(
    level: Any, start: int, end: int, floor_db: float, frames_per_s: float
) -> tuple[float, float, float, int]:
    """Of the note in frames [start, end): where the envelope shows it, its onset, and its peak.

    The envelope shows it from the first to the second number, its onset is the
    third.
    """
    near = int(NEAR_S * frames_per_s)
    top = start
    for at in range(start, end):
        if level[at] > level[top]:
            top = at
    first, onset = _onset(level, _lowest(level, start, top, 1, near), top, end, floor_db, near)
    last = _lowest(level, end - 1, top, -1, near)
    offset = _offset(level, last, top, floor_db, near, frames_per_s)
    offset = _before_shelf(level, top, offset, frames_per_s)
    return first, offset, min(onset, offset), top


@noalloc
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
def _onset(
    level: Any, start: int, top: int, end: int, floor_db: float, near: int
) -> tuple[float, float]:
    """Where the envelope passes the level of an onset, and the onset itself."""
    # A note that rises out of another's tail begins where it leaves the tail.
    over_tail = min(level[start] + OVER_TAIL_DB, level[top])
    for at in range(start, top):
        peak = level[at : min(at + near, top) + 1].max()
        least = max(floor_db + OVER_FLOOR_DB, peak - EDGE_DB, over_tail)
        if level[at] >= least:
            if at == start or level[at - 1] >= level[at]:
                return float(at), float(at)
            first = _crossing(level, at, least)
            rise = _rises_above(level, at, peak - RISEN_DB) - first
            half = _rises_above(level, at, peak - HALF_DB)
            above_half = _falls_below(level, at, min(end, at + near), peak - HALF_DB) - half
            onset = first + _smear(peak - least, rise, above_half)
            if above_half < NO_CLICK and rise < CLICK_RISE:
                click = half + 0.5 * above_half
                click -= _interpolate(above_half, CLICKS, BEFORE_MIDDLE)
                share = min(1.0, (NO_CLICK - above_half) / (NO_CLICK - CLICK))
                onset += share * (click - onset)
            return first, onset
    return float(top), float(top)


@noalloc
def _rises_above(level: Any, at: int, least: float) -> float:
    """Where the amplitude passes a level at or after frame `at`."""
    while level[at] < least:
        at += 1
    return _crossing(level, at, least)


@noalloc
def _falls_below(level: Any, at: int, end: int, least: float) -> float:
    """Where the amplitude falls below a level after its highest in [at, end), or `end`."""
    top = at
    for k in range(at, end):
        if level[k] > level[top]:
            top = k
    for k in range(top + 1, end):
        if level[k] < least:
            above = 10.0 ** (0.05 * (level[k - 1] - least))
            below = 10.0 ** (0.05 * (level[k] - least))
            return k - 1 + (above - 1.0) / (above - below)
    return float(end)


@noalloc
def _crossing(level: Any, at: int, least: float) -> float:
    """Where the amplitude passes a level between frame `at` and the one before."""
    here = 10.0 ** (0.05 * (level[at] - least))
    before = 10.0 ** (0.05 * (level[at - 1] - least))
    if here <= 1.0 or before >= 1.0:
        return float(at)
    return at - (here - 1.0) / (here - before)


@noalloc
def _interpolate(x: float, xs: Any, ys: Any) -> float:
    i = 0
    while i < xs.size - 2 and x > xs[i + 1]:
        i += 1
    share = (x - xs[i]) / (xs[i + 1] - xs[i])
    return ys[i] + min(1.0, max(0.0, share)) * (ys[i + 1] - ys[i])


@noalloc
def _smear(depth_db: float, rise: float, above_half: float) -> float:
    """Frames by which the window lets an onset seem too early, see `SMEAR_DB`."""
    rise /= 1.0 - _interpolate(above_half, ABOVE_HALF, STEEPER)
    row = 0
    while row < SMEAR_DB.size - 2 and depth_db > SMEAR_DB[row + 1]:
        row += 1
    low = _interpolate(rise, RISES[row], SMEAR[row])
    high = _interpolate(rise, RISES[row + 1], SMEAR[row + 1])
    share = (depth_db - SMEAR_DB[row]) / (SMEAR_DB[row + 1] - SMEAR_DB[row])
    by_rise = max(0.0, low + min(1.0, max(-1.0, share)) * (high - low))
    return by_rise + _interpolate(above_half, ABOVE_HALF, BRIEFER)


@noalloc
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


@noalloc
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


@noalloc
def release(level: Any, offset: float, end: int, floor_db: float, frames_per_s: float) -> float:
    """Where the steep fall ends that takes a note out of hearing, before frame `end`."""
    at = int(offset)
    least = max(floor_db + OVER_FLOOR_DB, level[at] - RELEASE_DB)
    step = RELEASE_DB_S / frames_per_s
    while at + 1 < end and level[at + 1] >= least and level[at] - level[at + 1] > step:
        at += 1
    return max(offset, float(at))

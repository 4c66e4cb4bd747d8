"""Partials: peaks of the spectrum, joined from frame to frame.

Goal
----
Follow every tone, however fast it sweeps, through the tones of others.

Conventions
-----------
A peak's place between bins comes from a parabola through the logarithms of
three powers. A track expects its next point where its own slope leads; track
and peak join where each is the other's nearest. A track that finds no peak for
`MOST_MISSES` frames has ended.

Source: McAulay & Quatieri (1986), "Speech analysis/synthesis based on a
sinusoidal representation", IEEE Trans. ASSP 34(4).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels._jit import bare, inner
from callresp.listen.kernels.layout import (
    ALONE,
    FREE,
    LIVING,
    MOST_PEAKS,
    NEXT_POINT,
    POINTS,
    TRACKS,
)

MOST_MISSES = 2
# Forward masking: a partial goes on down to TAIL below what was lately heard in
# its bin, and starts only above ECHO below it. NEAR and FAR: masking by
# neighbours 2 to 3 and 4 to 8 bins away.
TAIL = np.float32(10**-2.3)
ECHO = 10**-1.0
NEAR = 10**1.2
FAR = 10**2.6
_LN_TO_DB = 10.0 / math.log(10.0)


@bare
def set_limit(floor: Any, over: float, limit: Any) -> None:
    """The power of each bin that makes a peak."""
    least = np.float32(over)
    for k in range(floor.size):
        limit[k] = least * floor[k]


@inner
def room_for_marks(setup: Any) -> Any:
    """A byte for each bin listened to, and none left over when they are taken by eights."""
    return np.zeros((setup.high - setup.low + 7) // 8 * 8, np.uint8)


@bare
def find_peaks(power: Any, limit: Any, memory: Any, setup: Any, marks: Any, peaks: Any) -> int:
    """Peaks above the floor: rows (place, level in dB, power, fresh).

    `fresh` is 1 where the peak also stands out from what was lately heard in
    its bin, and so may start a partial.
    """
    low, high = setup.low, setup.high
    _mark(power[low - 1 : high + 1], limit[low:high], memory[low:high], marks)
    eights = marks.view(np.uint64)
    found = 0
    for n in range(eights.size):
        if eights[n] == 0:
            continue
        for k in range(8 * n, 8 * n + 8):
            if marks[k] and found < MOST_PEAKS and not _masked(power, low + k, setup.bins):
                _measure(low + k, power, memory, peaks[found])
                found += 1
    return found


@bare
def _mark(power: Any, limit: Any, memory: Any, marks: Any) -> None:
    """Mark what is higher than its neighbours and all limits: a loop without a branch.

    `power` has a bin more at either end.
    """
    left, own, right = power[: limit.size], power[1 : limit.size + 1], power[2 : limit.size + 2]
    for k in range(limit.size):
        p = own[k]
        marks[k] = (p > limit[k]) & (p > left[k]) & (p >= right[k]) & (p > TAIL * memory[k])


@bare
def _measure(k: int, power: Any, memory: Any, peak: Any) -> None:
    """Place, level and power of the peak at bin `k`."""
    left = math.log(power[k - 1] + 1e-30)
    mid = math.log(power[k])
    right = math.log(power[k + 1] + 1e-30)
    bend = left - 2.0 * mid + right
    shift = 0.5 * (left - right) / bend if bend < -1e-9 else 0.0
    peak[0] = k + shift
    peak[1] = _LN_TO_DB * (mid - 0.25 * (left - right) * shift)
    peak[2] = power[k] * math.exp(-0.25 * (left - right) * shift)
    peak[3] = 1.0 if power[k] > ECHO * memory[k] else 0.0


@bare
def _masked(power: Any, k: int, bins: int) -> bool:
    """Whether a much stronger neighbour hides this peak (its skirts would look the same)."""
    limit = power[k] * NEAR
    for d in range(2, 4):
        if (k - d >= 0 and power[k - d] > limit) or (k + d < bins and power[k + d] > limit):
            return True
    limit = power[k] * FAR
    for d in range(4, 9):
        if (k - d >= 0 and power[k - d] > limit) or (k + d < bins and power[k + d] > limit):
            return True
    return False


@bare
def remember(power: Any, memory: Any, keep: float) -> None:
    """Let the memory of each bin fade, and take in this frame."""
    fade = np.float32(keep)
    for k in range(power.size):
        memory[k] = max(memory[k] * fade, power[k])


@bare
def _nearest_peak(place: float, peaks: Any, count: int, taken: Any, reach: float) -> int:
    best = -1
    for i in range(count):
        away = abs(peaks[i, 0] - place)
        if away < reach and taken[i] < 0:
            reach = away
            best = i
    return best


@bare
def link(frame: int, peaks: Any, count: int, taken: Any, setup: Any, state: Any) -> None:
    """Join tracks and peaks; `taken` holds the track of each peak, or -1."""
    tracks, living, clock = state.tracks, state.living, state.clock
    for i in range(count):
        taken[i] = -1
    # A second round, if any lost a peak to a nearer track: it may find another.
    lost = 1
    for _ in range(2):
        if lost == 0:
            break
        lost = 0
        for n in range(clock[LIVING]):
            t = living[n]
            if tracks[t].last == frame:
                continue
            gap = frame - tracks[t].last
            expect = tracks[t].place + gap * tracks[t].step
            # A newborn track has no slope yet, and a fast sweep leaves it far behind.
            reach = setup.link_bins if tracks[t].count > 1 else setup.first_link_bins
            i = _nearest_peak(expect, peaks, count, taken, reach)
            if i < 0:
                continue
            away = abs(peaks[i, 0] - expect)
            if _other_is_nearer(t, frame, peaks[i, 0], away, tracks, living, clock):
                lost += 1
                continue
            taken[i] = t
            tracks[t].last = frame
            tracks[t].rough += 0.3 * (away - tracks[t].rough)
            step = (peaks[i, 0] - tracks[t].place) / gap
            share = 0.5 if tracks[t].count > 1 else 0.7
            tracks[t].step += share * (step - tracks[t].step)
            tracks[t].place = peaks[i, 0]
            tracks[t].power = peaks[i, 2]
            tracks[t].count += 1


@bare
def _other_is_nearer(
    t: int, frame: int, place: float, away: float, tracks: Any, living: Any, clock: Any
) -> bool:
    for n in range(clock[LIVING]):
        other = living[n]
        if other == t or tracks[other].last == frame:
            continue
        gap = frame - tracks[other].last
        if abs(place - tracks[other].place - gap * tracks[other].step) < away:
            return True
    return False


@bare
def keep_points(frame: int, peaks: Any, count: int, taken: Any, state: Any) -> None:
    """Keep this frame's points; start a track for every peak that joined none."""
    tracks, living, points, clock = state.tracks, state.living, state.points, state.clock
    for i in range(count):
        t = taken[i]
        if t < 0:
            if peaks[i, 3] == 0.0:
                continue
            t = _start(frame, peaks[i], tracks, living, clock)
            if t < 0:
                continue
            taken[i] = t
        here = clock[NEXT_POINT] % POINTS
        clock[NEXT_POINT] += 1
        points[here].frame = frame
        points[here].place = peaks[i, 0]
        points[here].level = peaks[i, 1]
        points[here].before = tracks[t].head
        tracks[t].head = here
    kept = 0
    for n in range(clock[LIVING]):
        t = living[n]
        if frame - tracks[t].last > MOST_MISSES:
            tracks[t].alive = 0
            if tracks[t].group < 0:
                tracks[t].group = FREE
        else:
            living[kept] = t
            kept += 1
    clock[LIVING] = kept


@bare
def _start(frame: int, peak: Any, tracks: Any, living: Any, clock: Any) -> int:
    for t in range(TRACKS):
        if tracks[t].group == FREE:
            tracks[t].place = peak[0]
            tracks[t].step = 0.0
            tracks[t].power = peak[2]
            tracks[t].born = frame
            tracks[t].last = frame
            tracks[t].count = 1
            tracks[t].alive = 1
            tracks[t].rough = 0.3
            tracks[t].group = ALONE
            tracks[t].head = -1
            tracks[t].pieces = 0
            tracks[t].since = frame
            tracks[t].slope = 0.0
            tracks[t].told = 0
            living[clock[LIVING]] = t
            clock[LIVING] += 1
            return t
    return -1

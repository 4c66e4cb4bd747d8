"""Groups: which partials and bands belong to one note.

Goal
----
A stack of harmonics is one note, two birds at once are two, and a harsh call
with a hundred brief peaks is one again.

Conventions
-----------
- A wide onset opens a group that owns the bands which rose; partials born in
  its bands are its own.
- A partial born elsewhere joins a group that it is harmonic to, else opens a
  group of its own.
- A group closes when nothing of it has sounded for `HANG_S`.

Sources: Bregman (1990), Auditory Scene Analysis, MIT Press, for common onset
and harmonicity as what binds partials.
"""

from __future__ import annotations

import math
from typing import Any

from numba import njit

from callresp.listen.state import GROUPS, LAST_WIDE, LIVING, NEXT_GROUP, RING, STARTS, TRACKS

TOGETHER = 5  # frames within which onsets are one
HANG = 8  # frames of rest that close a group
REFRACTORY = 9  # frames between wide onsets
FADE_DB = 30.0


@njit(cache=True)
def open_group(frame: int, wide: int, groups: Any, clock: Any) -> int:
    """Open a group; -1 where there is no room."""
    for g in range(GROUPS):
        if not groups.live[g]:
            groups.live[g] = 1
            groups.number[g] = clock[NEXT_GROUP]
            clock[NEXT_GROUP] += 1
            groups.onset[g] = frame
            groups.last[g] = frame
            groups.wide[g] = wide
            groups.own[g, :] = 0
            groups.peak[g] = -200.0
            return g
    return -1


@njit(cache=True)
def _own_level(frame: int, g: int, level: Any, over: Any, groups: Any) -> tuple[float, int, int]:
    total = 1e-30
    sounding = 0
    owned = 0
    for b in range(level.size):
        if groups.own[g, b]:
            owned += 1
            total += 10.0 ** (0.1 * level[b])
            if over[b] > 6.0:
                sounding += 1
    return 10.0 * math.log10(total), sounding, owned


@njit(cache=True)
def take_wide_onset(
    frame: int, rising: int, risen: Any, setup: Any, tracks: Any, groups: Any, clock: Any
) -> int:
    """Open a wide group where enough bands rise; returns it, or -1."""
    if rising < setup.wide_bands or frame - clock[LAST_WIDE] < REFRACTORY:
        return -1
    g = open_group(frame, 1, groups, clock)
    if g < 0:
        return -1
    clock[LAST_WIDE] = frame
    for b in range(setup.bands):
        if risen[b]:
            groups.own[g, b] = 1
            for other in range(GROUPS):
                if other != g:
                    groups.own[other, b] = 0
    for other in range(GROUPS):
        if other == g or not groups.live[other] or frame - groups.onset[other] > TOGETHER:
            continue
        if groups.wide[other]:
            continue
        groups.live[other] = 0
        for t in range(TRACKS):
            if tracks.group[t] == other:
                tracks.group[t] = g
    return g


@njit(cache=True)
def keep_wide(frame: int, risen: Any, over: Any, level: Any, setup: Any, groups: Any) -> None:
    """Add late rising bands to a new wide group; tell which wide groups still sound."""
    for g in range(GROUPS):
        if not (groups.live[g] and groups.wide[g]):
            continue
        if frame - groups.onset[g] <= TOGETHER:
            for b in range(setup.bands):
                if risen[b]:
                    groups.own[g, b] = 1
                    for other in range(GROUPS):
                        if other != g:
                            groups.own[other, b] = 0
        total, sounding, owned = _own_level(frame, g, level, over, groups)
        groups.peak[g] = max(groups.peak[g], total)
        if owned and sounding >= max(2, owned // 4) and total > groups.peak[g] - FADE_DB:
            groups.last[g] = frame


@njit(cache=True)
def _harmonic(place: float, base: float) -> bool:
    """Whether one place is a whole multiple (to 8) of the other, to 2 %."""
    ratio = place / base if place > base else base / place
    whole = round(ratio)
    return 2 <= whole <= 8 and abs(ratio - whole) < 0.02 * ratio


@njit(cache=True)
def _group_for(t: int, frame: int, setup: Any, tracks: Any, groups: Any, clock: Any) -> int:
    band = int((tracks.place[t] - setup.low) / setup.band_bins)
    for g in range(GROUPS):
        if groups.live[g] and groups.wide[g] and tracks.born[t] >= groups.onset[g] - TOGETHER:
            if frame - groups.last[g] > 3:
                continue
            for b in range(max(0, band - 1), min(setup.bands, band + 2)):
                if groups.own[g, b]:
                    return g
    for other in range(TRACKS):
        g = tracks.group[other]
        if g < 0 or frame - tracks.last[other] > 1:
            continue
        if _harmonic(tracks.place[t], tracks.place[other]):
            return g
    return -1


@njit(cache=True)
def place_partials(
    frame: int, setup: Any, tracks: Any, groups: Any, clock: Any, starts: Any
) -> None:
    """Give every partial that has proved itself to a group."""
    for n in range(clock[LIVING]):
        t = tracks.living[n]
        if tracks.group[t] == -1 and tracks.count[t] >= 3:
            g = _group_for(t, frame, setup, tracks, groups, clock)
            if g < 0:
                g = open_group(tracks.born[t], 0, groups, clock)
                if g < 0:
                    continue
                announce(frame, g, tracks.place[t], groups, clock, starts)
            tracks.group[t] = g
        if tracks.group[t] >= 0 and tracks.last[t] == frame:
            groups.last[tracks.group[t]] = frame


@njit(cache=True)
def announce(frame: int, g: int, place: float, groups: Any, clock: Any, starts: Any) -> None:
    """Tell that a note has started."""
    n = clock[STARTS]
    if n < len(starts):
        starts[n, 0] = groups.onset[g]
        starts[n, 1] = groups.number[g]
        starts[n, 2] = int(place)
        clock[STARTS] += 1

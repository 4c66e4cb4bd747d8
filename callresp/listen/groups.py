"""Groups: which partials and bands belong to one note.

Goal
----
A stack of harmonics is one note, two birds at once are two, and a harsh call
with a hundred brief peaks is one again.

Conventions
-----------
- A wide onset opens a group that owns the bands which rose. After
  `TOLD` frames it is told: tonal, where steady partials hold most of its
  power (it then keeps the partials of one fundamental and gives back its
  bands), else harsh (it keeps the bands, and what starts within them).
- A partial born elsewhere joins a group that it is harmonic to, else opens a
  group of its own.
- A group closes when nothing of it has sounded for `HANG` frames.

Source: Bregman (1990), Auditory Scene Analysis, MIT Press: common onset and
harmonicity bind partials into one event.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen import tone
from callresp.listen.compiled import kernel
from callresp.listen.state import (
    FRESH,
    GROUPS,
    HARSH,
    LAST_WIDE,
    LIVING,
    NEXT_GROUP,
    STARTS,
    TONAL,
    TRACKS,
)

TOGETHER = 5  # frames within which onsets are one
TOLD = 6  # frames after which a wide onset is told tonal or harsh
HANG = 8  # frames of rest that close a group
REFRACTORY = 9  # frames between wide onsets
YOUNG = 36  # frames for which a wide sound may still spread
APART = 9  # points by which a tone amid a wide sound shows itself apart
MOST_ORDER = 8
FADE_DB = 30.0
FUSED = 11  # frames: attacks closer than this fuse into one rough sound
SMOOTH = 0.22  # bins: partials rougher than this are not tones
TONAL_SHARE = 0.5


@kernel
def open_group(frame: int, kind: int, groups: Any, clock: Any) -> int:
    """Open a group; -1 where there is no room."""
    for g in range(GROUPS):
        if not groups.live[g]:
            groups.live[g] = 1
            groups.number[g] = clock[NEXT_GROUP]
            clock[NEXT_GROUP] += 1
            groups.onset[g] = frame
            groups.last[g] = frame
            groups.kind[g] = kind
            groups.own[g, :] = 0
            groups.base[g] = 0.0
            groups.peak[g] = -200.0
            groups.dip[g] = -200.0
            groups.now[g] = -200.0
            groups.wide[g] = 0
            groups.fresh[g] = frame
            groups.attack[g] = frame
            groups.awake[g] = frame
            return g
    return -1


@kernel
def _take_bands(g: int, risen: Any, groups: Any) -> None:
    for b in range(risen.size):
        if risen[b]:
            groups.own[:, b] = 0
            groups.own[g, b] = 1


@kernel
def _own_level(g: int, level: Any, over: Any, groups: Any) -> tuple[float, int, int]:
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


@kernel
def _host(frame: int, groups: Any) -> int:
    """The wide group that a new wide onset carries on: one that has just sunk."""
    best = -1
    for g in range(GROUPS):
        if not (groups.live[g] and groups.wide[g]) or frame - groups.last[g] > HANG:
            continue
        sunk = groups.dip[g] < groups.peak[g] - 6.0
        young = frame - groups.onset[g] < YOUNG
        if (sunk or young or groups.kind[g] != TONAL) and (best < 0 or groups.peak[g] > groups.peak[best]):
            best = g
    return best


@kernel
def take_wide_onset(
    frame: int, rising: int, risen: Any, setup: Any, tracks: Any, groups: Any, clock: Any
) -> int:
    """Open a wide group where enough bands rise; returns it, or -1."""
    if rising < setup.wide_bands or frame - clock[LAST_WIDE] < REFRACTORY:
        return -1
    g = _host(frame, groups)
    opened = g < 0
    if opened:
        g = open_group(frame, FRESH, groups, clock)
        if g < 0:
            return -1
    clock[LAST_WIDE] = frame
    groups.wide[g] = 1
    groups.fresh[g] = frame
    groups.kind[g] = FRESH
    groups.last[g] = frame
    _take_bands(g, risen, groups)
    for other in range(GROUPS):
        young = frame - groups.onset[other] <= TOGETHER
        if other == g or not groups.live[other] or not young or groups.kind[other] != TONAL:
            continue
        groups.live[other] = 0
        for t in range(TRACKS):
            if tracks.group[t] == other:
                tracks.group[t] = g
    return g if opened else -1


@kernel
def keep_wide(frame: int, risen: Any, over: Any, level: Any, setup: Any, groups: Any) -> None:
    """Add late rising bands to a fresh group; tell which bands still sound."""
    for g in range(GROUPS):
        if not groups.live[g]:
            continue
        groups.now[g] = -200.0
        if groups.kind[g] == TONAL:
            continue
        if frame - groups.fresh[g] <= TOGETHER:
            _take_bands(g, risen, groups)
        total, sounding, owned = _own_level(g, level, over, groups)
        groups.now[g] = total
        if owned and sounding >= max(2, owned // 4) and total > groups.peak[g] - FADE_DB:
            groups.last[g] = frame
            groups.awake[g] = frame


@kernel
def follow_levels(frame: int, setup: Any, tracks: Any, groups: Any, clock: Any, starts: Any) -> None:
    """Follow the level of every group through its peaks and dips; announce new attacks."""
    for n in range(clock[LIVING]):
        t = tracks.living[n]
        g = tracks.group[t]
        if g >= 0 and tracks.last[t] == frame and groups.kind[g] == TONAL:
            power = 10.0 ** (0.1 * groups.now[g]) + 1.5 * 10.0 ** (0.1 * tracks.level[t])
            groups.now[g] = 10.0 * math.log10(power)
    for g in range(GROUPS):
        if not groups.live[g]:
            continue
        now = groups.now[g]
        if now > groups.peak[g]:
            groups.peak[g] = now
            groups.dip[g] = now
        groups.dip[g] = min(groups.dip[g], now)
        deep = setup.part_db if groups.wide[g] else setup.split_db
        if now - groups.dip[g] >= deep and groups.peak[g] - groups.dip[g] >= deep:
            if frame - groups.attack[g] > FUSED:
                announce(g, frame, groups, clock, starts)
            groups.attack[g] = frame
            groups.peak[g] = now
            groups.dip[g] = now


@kernel
def tell_fresh(frame: int, level: Any, over: Any, setup: Any, tracks: Any, groups: Any) -> None:
    """Tell whether a wide onset was that of a stack of partials or of a harsh sound."""
    for g in range(GROUPS):
        if not groups.live[g] or groups.kind[g] != FRESH or frame - groups.fresh[g] < TOLD:
            continue
        mean = np.zeros(TRACKS)
        power = np.zeros(TRACKS)
        use = np.zeros(TRACKS, np.uint8)
        tonal = 0.0
        steady = 0
        for t in range(TRACKS):
            if tracks.group[t] == g and tracks.last[t] >= frame - 1 and tracks.count[t] >= 4:
                mean[steady] = tracks.place[t]
                power[steady] = 10.0 ** (0.1 * tracks.level[t])
                use[steady] = tracks.rough[t] < SMOOTH
                if use[steady]:
                    tonal += 1.5 * power[steady]
                steady += 1
        total, sounding, owned = _own_level(g, level, over, groups)
        share = tonal / 10.0 ** (0.1 * total)
        groups.kind[g] = HARSH
        if share > TONAL_SHARE:
            base = tone.fundamental(mean[:steady], power[:steady], use[:steady], 2.0)
            if base > 0.0:
                _become_tonal(g, base, groups)


@kernel
def _become_tonal(g: int, base: float, groups: Any) -> None:
    groups.kind[g] = TONAL
    groups.base[g] = base
    groups.own[g, :] = 0


@kernel
def _fits(place: float, base: float) -> bool:
    """Whether `place` is a harmonic of `base`."""
    ratio = place / base
    n = round(ratio)
    return 1 <= n <= MOST_ORDER and abs(ratio - n) <= 0.012 * n + 0.3 / base


@kernel
def _joins_tonal(t: int, g: int, frame: int, tracks: Any, groups: Any) -> bool:
    place = tracks.place[t]
    base = groups.base[g]
    if base <= 0.0:
        return False
    together = abs(tracks.born[t] - groups.onset[g]) <= TOGETHER
    if place < 0.75 * base:
        ratio = base / place
        n = round(ratio)
        return together and 2 <= n <= 4 and abs(ratio - n) < 0.012 * n
    if round(place / base) == 1:
        return abs(place - base) < 1.5
    if not _fits(place, base):
        return False
    return together or tracks.level[t] < groups.peak[g] - 8.0


@kernel
def _group_for(t: int, frame: int, setup: Any, tracks: Any, groups: Any) -> int:
    band = int((tracks.place[t] - setup.low) / setup.band_bins)
    for g in range(GROUPS):
        if not groups.live[g] or groups.kind[g] == TONAL:
            continue
        if tracks.born[t] < groups.onset[g] - TOGETHER or tracks.born[t] > groups.awake[g] + 4:
            continue
        for b in range(max(0, band - 1), min(setup.bands, band + 2)):
            if groups.own[g, b]:
                return g
    for g in range(GROUPS):
        if groups.live[g] and groups.wide[g] and tracks.born[t] <= groups.last[g] + 1:
            below = 20.0 if groups.kind[g] == TONAL else 12.0
            late = tracks.born[t] >= groups.onset[g] - TOGETHER
            if late and tracks.level[t] < groups.peak[g] - below:
                return g
    for g in range(GROUPS):
        if groups.live[g] and groups.kind[g] == TONAL:
            if _joins_tonal(t, g, frame, tracks, groups):
                return g
    return -1


@kernel
def _in_doubt(t: int, frame: int, tracks: Any, groups: Any) -> bool:
    """Whether a partial begins amid a wide sound and has not yet shown itself apart from it."""
    for g in range(GROUPS):
        if groups.live[g] and groups.wide[g] and tracks.born[t] >= groups.onset[g] - TOGETHER:
            if tracks.born[t] <= groups.last[g] + 1:
                return tracks.count[t] < APART or tracks.rough[t] > SMOOTH
    return False


@kernel
def place_partials(
    frame: int, setup: Any, tracks: Any, groups: Any, clock: Any, starts: Any
) -> None:
    """Give every partial that has proved itself to a group."""
    for n in range(clock[LIVING]):
        t = tracks.living[n]
        if tracks.group[t] == -1 and tracks.count[t] >= 3:
            g = _group_for(t, frame, setup, tracks, groups)
            if g < 0:
                if _in_doubt(t, frame, tracks, groups):
                    continue
                g = open_group(tracks.born[t], TONAL, groups, clock)
                if g < 0:
                    continue
                groups.base[g] = tracks.place[t]
                announce(g, groups.onset[g], groups, clock, starts)
            elif groups.kind[g] == TONAL and tracks.place[t] < 0.75 * groups.base[g]:
                groups.base[g] = tracks.place[t]
            tracks.group[t] = g
        if tracks.group[t] >= 0 and tracks.last[t] == frame:
            groups.last[tracks.group[t]] = frame


@kernel
def follow_bases(frame: int, tracks: Any, groups: Any, clock: Any) -> None:
    """Let every tonal group's fundamental follow its partials."""
    above = np.zeros(GROUPS)
    below = np.zeros(GROUPS)
    for n in range(clock[LIVING]):
        t = tracks.living[n]
        g = tracks.group[t]
        if g < 0 or groups.kind[g] != TONAL or groups.base[g] <= 0.0 or tracks.last[t] != frame:
            continue
        order = max(1.0, np.round(tracks.place[t] / groups.base[g]))
        weight = 10.0 ** (0.05 * tracks.level[t])
        above[g] += weight * order * tracks.place[t]
        below[g] += weight * order * order
    for g in range(GROUPS):
        if below[g] > 0.0:
            groups.base[g] = above[g] / below[g]


@kernel
def announce(g: int, frame: int, groups: Any, clock: Any, starts: Any) -> None:
    """Tell that a note has started."""
    n = clock[STARTS]
    if n < len(starts):
        starts[n, 0] = frame
        starts[n, 1] = groups.number[g]
        starts[n, 2] = int(groups.base[g])
        clock[STARTS] += 1

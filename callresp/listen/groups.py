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
from callresp.listen.compiled import inner
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


@inner
def open_group(frame: int, kind: int, groups: Any, clock: Any) -> int:
    """Open a group; -1 where there is no room."""
    for g in range(GROUPS):
        if not groups[g].live:
            groups[g].live = 1
            groups[g].number = clock[NEXT_GROUP]
            clock[NEXT_GROUP] += 1
            groups[g].onset = frame
            groups[g].last = frame
            groups[g].kind = kind
            groups[g].own[:] = 0
            groups[g].base = 0.0
            groups[g].peak = -200.0
            groups[g].dip = -200.0
            groups[g].now = -200.0
            groups[g].wide = 0
            groups[g].fresh = frame
            groups[g].attack = frame
            groups[g].awake = frame
            return g
    return -1


@inner
def _take_bands(g: int, risen: Any, groups: Any) -> None:
    for b in range(risen.size):
        if risen[b]:
            for other in range(GROUPS):
                groups[other].own[b] = 0
            groups[g].own[b] = 1


@inner
def _own_level(g: int, level: Any, over: Any, groups: Any) -> tuple[float, int, int]:
    total = 1e-30
    sounding = 0
    owned = 0
    for b in range(level.size):
        if groups[g].own[b]:
            owned += 1
            total += 10.0 ** (0.1 * level[b])
            if over[b] > 6.0:
                sounding += 1
    return 10.0 * math.log10(total), sounding, owned


@inner
def _host(frame: int, groups: Any) -> int:
    """The wide group that a new wide onset carries on: one that has just sunk."""
    best = -1
    for g in range(GROUPS):
        if not (groups[g].live and groups[g].wide) or frame - groups[g].last > HANG:
            continue
        sunk = groups[g].dip < groups[g].peak - 6.0
        young = frame - groups[g].onset < YOUNG
        if (sunk or young or groups[g].kind != TONAL) and (
            best < 0 or groups[g].peak > groups[best].peak
        ):
            best = g
    return best


@inner
def take_wide_onset(
    frame: int, rising: int, risen: Any, setup: Any, state: Any, starts: Any
) -> None:
    """Open a wide group where enough bands rise, or carry one on."""
    tracks, groups, clock = state.tracks, state.groups, state.clock
    if rising < setup.wide_bands or frame - clock[LAST_WIDE] < REFRACTORY:
        return
    g = _host(frame, groups)
    opened = g < 0
    if opened:
        g = open_group(frame, FRESH, groups, clock)
        if g < 0:
            return
    clock[LAST_WIDE] = frame
    groups[g].wide = 1
    groups[g].fresh = frame
    groups[g].kind = FRESH
    groups[g].last = frame
    _take_bands(g, risen, groups)
    for other in range(GROUPS):
        young = frame - groups[other].onset <= TOGETHER
        if other == g or not groups[other].live or not young or groups[other].kind != TONAL:
            continue
        groups[other].live = 0
        for t in range(TRACKS):
            if tracks[t].group == other:
                tracks[t].group = g
    if opened:
        announce(g, frame, groups, clock, starts)


@inner
def keep_wide(frame: int, risen: Any, over: Any, level: Any, setup: Any, groups: Any) -> None:
    """Add late rising bands to a fresh group; tell which bands still sound."""
    for g in range(GROUPS):
        if not groups[g].live:
            continue
        groups[g].now = -200.0
        if groups[g].kind == TONAL:
            continue
        if frame - groups[g].fresh <= TOGETHER:
            _take_bands(g, risen, groups)
        total, sounding, owned = _own_level(g, level, over, groups)
        groups[g].now = total
        if owned and sounding >= max(2, owned // 4) and total > groups[g].peak - FADE_DB:
            groups[g].last = frame
            groups[g].awake = frame


@inner
def follow_levels(frame: int, setup: Any, state: Any, starts: Any) -> None:
    """Follow the level of every group through its peaks and dips; announce new attacks."""
    tracks, groups, living, clock = state.tracks, state.groups, state.living, state.clock
    for n in range(clock[LIVING]):
        t = living[n]
        g = tracks[t].group
        if g >= 0 and tracks[t].last == frame and groups[g].kind == TONAL:
            power = 10.0 ** (0.1 * groups[g].now) + 1.5 * 10.0 ** (0.1 * tracks[t].level)
            groups[g].now = 10.0 * math.log10(power)
    for g in range(GROUPS):
        if not groups[g].live:
            continue
        now = groups[g].now
        if now > groups[g].peak:
            groups[g].peak = now
            groups[g].dip = now
        groups[g].dip = min(groups[g].dip, now)
        deep = setup.part_db if groups[g].wide else setup.split_db
        if now - groups[g].dip >= deep and groups[g].peak - groups[g].dip >= deep:
            if frame - groups[g].attack > FUSED:
                announce(g, frame, groups, clock, starts)
            groups[g].attack = frame
            groups[g].peak = now
            groups[g].dip = now


@inner
def tell_fresh(frame: int, level: Any, over: Any, tracks: Any, groups: Any) -> None:
    """Tell whether a wide onset was that of a stack of partials or of a harsh sound."""
    for g in range(GROUPS):
        if not groups[g].live or groups[g].kind != FRESH or frame - groups[g].fresh < TOLD:
            continue
        mean = np.zeros(TRACKS)
        power = np.zeros(TRACKS)
        use = np.zeros(TRACKS, np.uint8)
        tonal = 0.0
        steady = 0
        for t in range(TRACKS):
            if tracks[t].group == g and tracks[t].last >= frame - 1 and tracks[t].count >= 4:
                mean[steady] = tracks[t].place
                power[steady] = 10.0 ** (0.1 * tracks[t].level)
                use[steady] = tracks[t].rough < SMOOTH
                if use[steady]:
                    tonal += 1.5 * power[steady]
                steady += 1
        total, sounding, owned = _own_level(g, level, over, groups)
        share = tonal / 10.0 ** (0.1 * total)
        groups[g].kind = HARSH
        if share > TONAL_SHARE:
            base = tone.fundamental(mean[:steady], power[:steady], use[:steady], 2.0)
            if base > 0.0:
                _become_tonal(g, base, groups)


@inner
def _become_tonal(g: int, base: float, groups: Any) -> None:
    groups[g].kind = TONAL
    groups[g].base = base
    groups[g].own[:] = 0


@inner
def _fits(place: float, base: float) -> bool:
    """Whether `place` is a harmonic of `base`."""
    ratio = place / base
    n = round(ratio)
    return 1 <= n <= MOST_ORDER and abs(ratio - n) <= 0.012 * n + 0.3 / base


@inner
def _joins_tonal(t: int, g: int, frame: int, tracks: Any, groups: Any) -> bool:
    place = tracks[t].place
    base = groups[g].base
    if base <= 0.0:
        return False
    together = abs(tracks[t].born - groups[g].onset) <= TOGETHER
    if place < 0.75 * base:
        ratio = base / place
        n = round(ratio)
        return together and 2 <= n <= 4 and abs(ratio - n) < 0.012 * n
    if round(place / base) == 1:
        return abs(place - base) < 1.5
    if not _fits(place, base):
        return False
    return together or tracks[t].level < groups[g].peak - 8.0


@inner
def _group_for(t: int, frame: int, setup: Any, tracks: Any, groups: Any) -> int:
    band = int((tracks[t].place - setup.low) / setup.band_bins)
    for g in range(GROUPS):
        if not groups[g].live or groups[g].kind == TONAL:
            continue
        if tracks[t].born < groups[g].onset - TOGETHER or tracks[t].born > groups[g].awake + 4:
            continue
        for b in range(max(0, band - 1), min(setup.bands, band + 2)):
            if groups[g].own[b]:
                return g
    for g in range(GROUPS):
        if groups[g].live and groups[g].wide and tracks[t].born <= groups[g].last + 1:
            below = 20.0 if groups[g].kind == TONAL else 12.0
            late = tracks[t].born >= groups[g].onset - TOGETHER
            if late and tracks[t].level < groups[g].peak - below:
                return g
    for g in range(GROUPS):
        if groups[g].live and groups[g].kind == TONAL:
            if _joins_tonal(t, g, frame, tracks, groups):
                return g
    return -1


@inner
def _in_doubt(t: int, frame: int, tracks: Any, groups: Any) -> bool:
    """Whether a partial begins amid a wide sound and has not yet shown itself apart from it."""
    for g in range(GROUPS):
        if groups[g].live and groups[g].wide and tracks[t].born >= groups[g].onset - TOGETHER:
            if tracks[t].born <= groups[g].last + 1:
                return tracks[t].count < APART or tracks[t].rough > SMOOTH
    return False


@inner
def place_partials(frame: int, setup: Any, state: Any, starts: Any) -> None:
    """Give every partial that has proved itself to a group."""
    tracks, groups, living, clock = state.tracks, state.groups, state.living, state.clock
    for n in range(clock[LIVING]):
        t = living[n]
        if tracks[t].group == -1 and tracks[t].count >= 3:
            g = _group_for(t, frame, setup, tracks, groups)
            if g < 0:
                if _in_doubt(t, frame, tracks, groups):
                    continue
                g = open_group(tracks[t].born, TONAL, groups, clock)
                if g < 0:
                    continue
                groups[g].base = tracks[t].place
                announce(g, groups[g].onset, groups, clock, starts)
            elif groups[g].kind == TONAL and tracks[t].place < 0.75 * groups[g].base:
                groups[g].base = tracks[t].place
            tracks[t].group = g
        if tracks[t].group >= 0 and tracks[t].last == frame:
            groups[tracks[t].group].last = frame


@inner
def follow_bases(frame: int, state: Any) -> None:
    """Let every tonal group's fundamental follow its partials."""
    tracks, groups, living, clock = state.tracks, state.groups, state.living, state.clock
    above = np.zeros(GROUPS)
    below = np.zeros(GROUPS)
    for n in range(clock[LIVING]):
        t = living[n]
        g = tracks[t].group
        if g < 0 or groups[g].kind != TONAL or groups[g].base <= 0.0 or tracks[t].last != frame:
            continue
        order = max(1.0, np.round(tracks[t].place / groups[g].base))
        weight = 10.0 ** (0.05 * tracks[t].level)
        above[g] += weight * order * tracks[t].place
        below[g] += weight * order * order
    for g in range(GROUPS):
        if below[g] > 0.0:
            groups[g].base = above[g] / below[g]


@inner
def announce(g: int, frame: int, groups: Any, clock: Any, starts: Any) -> None:
    """Tell that a note has started."""
    n = clock[STARTS]
    if n < len(starts):
        starts[n, 0] = frame
        starts[n, 1] = groups[g].number
        starts[n, 2] = int(groups[g].base)
        clock[STARTS] += 1

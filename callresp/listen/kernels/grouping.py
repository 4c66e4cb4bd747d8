"""Groups: which partials and bands belong to one note.

Goal
----
A stack of harmonics is one note, two birds at once are two, and a harsh call
with a hundred brief peaks is one again.

Conventions
-----------
- A wide onset opens a group that owns the bands which rose, or carries on a
  wide group that has just sunk. After `TOLD` frames it is told: tonal, where
  steady partials hold most of its power (it then keeps the partials of one
  fundamental and gives back its bands), else harsh (it keeps the bands, and
  what starts within them).
- A partial born elsewhere joins a group that it is harmonic to, else opens a
  group of its own (`callresp.listen.kernels.grouping`).
- A group closes when nothing of it has sounded for `HANG` frames.

Levels are powers here, and thresholds ratios, since this runs at every frame.

Source: Bregman (1990), Auditory Scene Analysis, MIT Press: common onset and
harmonicity bind partials into one event.

Joining: to which group a partial that has proved itself belongs.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels import f0, note_starts
from callresp.listen.kernels._jit import bare, inner
from callresp.listen.kernels.layout import (
    ALONE,
    BAND_BINS,
    FRESH,
    GROUPS,
    HARSH,
    LAST_WIDE,
    LIVING,
    NEXT_GROUP,
    OPEN,
    TONAL,
    TRACKS,
    WINDOW_SUM,
)
from callresp.listen.kernels.note_starts import hand_over

TOGETHER = 5  # frames within which onsets are one
TOLD = 6  # frames after which a wide onset is told tonal or harsh
HANG = 8  # frames of rest that close a group
REFRACTORY = 9  # frames between wide onsets
YOUNG = 36  # frames for which a wide sound may still spread
SUNK = 10**-0.6  # 6 dB
FADED = 10**-3.0  # 30 dB: what is fainter no longer sounds
SOUNDING = 10**0.6  # 6 dB over the floor
SMOOTH = 0.22  # bins: partials rougher than this are not tones
TONAL_SHARE = 0.5


@bare
def open_group(frame: int, kind: int, state: Any) -> int:
    """Open a group; -1 where there is no room."""
    clock = state.clock
    for g in range(GROUPS):
        group = state.groups[g]
        if group.live:
            continue
        group.live = 1
        group.told = 0
        group.number = clock[NEXT_GROUP]
        clock[NEXT_GROUP] += 1
        group.kind = kind
        group.wide = 0
        group.onset = frame
        group.last = frame
        group.awake = frame
        group.fresh = frame
        group.attack = frame
        group.base = 0.0
        group.peak = 0.0
        group.dip = 0.0
        group.crest = 0.0
        group.trough = 0.0
        group.now = 0.0
        for b in range(group.own.size):
            group.own[b] = 0
        state.open[clock[OPEN]] = g
        clock[OPEN] += 1
        return g
    return -1


@bare
def forget_closed(state: Any) -> None:
    """Drop closed groups from the list of open ones."""
    kept = 0
    for n in range(state.clock[OPEN]):
        g = state.open[n]
        if state.groups[g].live:
            state.open[kept] = g
            kept += 1
    state.clock[OPEN] = kept


@bare
def _take_bands(g: int, risen: Any, state: Any) -> None:
    for b in range(risen.size):
        if risen[b]:
            for n in range(state.clock[OPEN]):
                state.groups[state.open[n]].own[b] = 0
            state.groups[g].own[b] = 1


@bare
def _own_power(group: Any, total: Any, over: Any) -> tuple[float, int, int]:
    """Power in the bands of a group, how many of them sound, how many there are."""
    power = 0.0
    sounding = 0
    owned = 0
    for b in range(total.size):
        if group.own[b]:
            owned += 1
            power += total[b]
            if over[b] > SOUNDING:
                sounding += 1
    return power, sounding, owned


@bare
def _host(frame: int, state: Any) -> int:
    """The wide group that a new wide onset carries on, or -1."""
    best = -1
    most = 0.0
    for n in range(state.clock[OPEN]):
        g = state.open[n]
        group = state.groups[g]
        if not group.wide or frame - group.last > HANG:
            continue
        sunk = group.dip < group.peak * SUNK
        young = frame - group.onset < YOUNG
        if (sunk or young or group.kind != TONAL) and group.peak >= most:
            best = g
            most = group.peak
    return best


@bare
def take_wide_onset(
    frame: int, rising: int, risen: Any, setup: Any, state: Any, starts: Any
) -> None:
    """Open a wide group where enough bands rise, or carry one on."""
    clock = state.clock
    if rising < setup.wide_bands or frame - clock[LAST_WIDE] < REFRACTORY:
        return
    g = _host(frame, state)
    if g < 0:
        g = open_group(frame, FRESH, state)
        if g < 0:
            return
    clock[LAST_WIDE] = frame
    group = state.groups[g]
    group.wide = 1
    group.fresh = frame
    group.kind = FRESH
    group.last = frame
    _take_bands(g, risen, state)
    for n in range(clock[OPEN]):
        other = state.open[n]
        young = frame - state.groups[other].onset <= TOGETHER
        if other == g or not young or state.groups[other].kind != TONAL:
            continue
        state.groups[other].live = 0
        if state.groups[other].told and hand_over(
            state.groups[other].number, group.number, clock, starts
        ):
            group.told = 1
        for t in range(TRACKS):
            if state.tracks[t].group == other:
                state.tracks[t].group = g
    forget_closed(state)


@bare
def keep_wide(frame: int, risen: Any, over: Any, total: Any, state: Any) -> None:
    """Add late rising bands to a fresh group; tell which wide groups still sound."""
    for n in range(state.clock[OPEN]):
        g = state.open[n]
        group = state.groups[g]
        group.now = 0.0
        if group.kind == TONAL:
            continue
        if frame - group.fresh <= TOGETHER:
            _take_bands(g, risen, state)
        power, sounding, owned = _own_power(group, total, over)
        group.now = power
        if owned and sounding >= max(2, owned // 4) and power > group.peak * FADED:
            group.last = frame
            group.awake = frame


@bare
def follow_levels(frame: int, setup: Any, state: Any, starts: Any) -> None:
    """Follow the power of every group through its peaks and dips; announce new attacks."""
    clock = state.clock
    for n in range(clock[LIVING]):
        track = state.tracks[state.living[n]]
        if track.group >= 0 and track.last == frame:
            group = state.groups[track.group]
            if group.kind == TONAL:
                group.now += WINDOW_SUM * track.power
    for n in range(clock[OPEN]):
        group = state.groups[state.open[n]]
        # A partial may be lost for one frame; that is no dip.
        now = max(group.now, group.before)
        group.before = group.now
        if now > group.peak:
            group.peak = now
            group.dip = now
        group.dip = min(group.dip, now)
        deep = setup.part if group.wide else setup.split
        rise = max(group.dip * deep, group.peak * note_starts.NEAR_CREST)
        if now > 0.0 and now >= rise and group.peak >= group.dip * deep:
            group.peak = now
            group.dip = now
        note_starts.follow(group, now, deep, frame, clock, setup, starts)


@bare
def tell_fresh(frame: int, total: Any, over: Any, state: Any) -> None:
    """Tell whether a wide onset was that of a stack of partials or of a harsh sound."""
    for n in range(state.clock[OPEN]):
        g = state.open[n]
        if state.groups[g].kind == FRESH and frame - state.groups[g].fresh >= TOLD:
            _tell(g, frame, total, over, state)


@inner
def _tell(g: int, frame: int, total: Any, over: Any, state: Any) -> None:
    group = state.groups[g]
    mean = np.empty(TRACKS)
    power = np.empty(TRACKS)
    use = np.empty(TRACKS, np.uint8)
    tonal = 0.0
    steady = 0
    for t in range(TRACKS):
        track = state.tracks[t]
        if track.group == g and track.last >= frame - 1 and track.count >= 4:
            mean[steady] = track.place
            power[steady] = track.power
            use[steady] = track.rough < SMOOTH
            if use[steady]:
                tonal += WINDOW_SUM * track.power
            steady += 1
    power_now, _, _ = _own_power(group, total, over)
    group.kind = HARSH
    if tonal > TONAL_SHARE * power_now:
        base = f0.fundamental(mean[:steady], power[:steady], use[:steady], 2.0, 3)
        if base > 0.0:
            group.kind = TONAL
            group.base = base
            for b in range(group.own.size):
                group.own[b] = 0


@bare
def follow_bases(frame: int, state: Any) -> None:
    """Let every tonal group's fundamental follow its partials."""
    clock = state.clock
    for n in range(clock[OPEN]):
        state.groups[state.open[n]].below = 0.0
        state.groups[state.open[n]].above = 0.0
    for n in range(clock[LIVING]):
        track = state.tracks[state.living[n]]
        if track.group < 0 or track.last != frame:
            continue
        group = state.groups[track.group]
        if group.kind == TONAL and group.base > 0.0:
            order = max(1.0, np.floor(track.place / group.base + 0.5))
            weight = np.sqrt(track.power)
            group.above += weight * order * track.place
            group.below += weight * order * order
    for n in range(clock[OPEN]):
        group = state.groups[state.open[n]]
        if group.below > 0.0:
            group.base = group.above / group.below


PROVED = 3  # points
APART = 9  # points by which a tone amid a wide sound shows itself apart
MOST_ORDER = 8
LATE = 4  # frames after a harsh sound in which what begins still belongs to it
FAR_BELOW = 10**-1.2  # beside a harsh sound, and beside a stack: part of it
FAR_BELOW_STACK = 10**-2.0
OVERTONE = 10**-0.8  # late partials this far below are overtones


@bare
def place_partials(frame: int, setup: Any, state: Any) -> None:
    """Give every partial that has proved itself to a group."""
    clock = state.clock
    for n in range(clock[LIVING]):
        track = state.tracks[state.living[n]]
        if track.group == ALONE and track.count >= PROVED:
            g = _group_for(track, setup, state)
            if g < 0:
                if _in_doubt(track, state):
                    continue
                g = open_group(track.born, TONAL, state)
                if g < 0:
                    continue
                state.groups[g].base = track.place
            elif state.groups[g].kind == TONAL and track.place < 0.75 * state.groups[g].base:
                state.groups[g].base = track.place
            track.group = g
        if track.group >= 0 and track.last == frame:
            state.groups[track.group].last = frame


@bare
def _group_for(track: Any, setup: Any, state: Any) -> int:
    band = int((track.place - setup.low) / BAND_BINS)
    for n in range(state.clock[OPEN]):
        group = state.groups[state.open[n]]
        if group.kind == TONAL or not _born_within(track, group, group.awake + LATE):
            continue
        for b in range(max(0, band - 1), min(setup.bands, band + 2)):
            if group.own[b]:
                return int(state.open[n])
    for n in range(state.clock[OPEN]):
        group = state.groups[state.open[n]]
        if group.wide and _born_within(track, group, group.last + 1):
            below = FAR_BELOW_STACK if group.kind == TONAL else FAR_BELOW
            if track.power < group.peak * below:
                return int(state.open[n])
    for n in range(state.clock[OPEN]):
        group = state.groups[state.open[n]]
        if group.kind == TONAL and group.base > 0.0 and _joins_tonal(track, group):
            return int(state.open[n])
    return -1


@bare
def _born_within(track: Any, group: Any, until: int) -> bool:
    return bool(group.onset - TOGETHER <= track.born <= until)


@bare
def _joins_tonal(track: Any, group: Any) -> bool:
    place = track.place
    base = group.base
    together = abs(track.born - group.onset) <= TOGETHER
    if place < 0.75 * base:
        ratio = base / place
        n = math.floor(ratio + 0.5)
        return together and 2 <= n <= 4 and abs(ratio - n) < 0.012 * n
    ratio = place / base
    n = math.floor(ratio + 0.5)
    if n == 1:
        return bool(abs(place - base) < 1.5)
    if n > MOST_ORDER or abs(ratio - n) > 0.012 * n + 0.3 / base:
        return False
    return bool(together or track.power < group.peak * OVERTONE)


@bare
def _in_doubt(track: Any, state: Any) -> bool:
    """Whether a partial begins amid a wide sound and has not yet shown itself apart from it."""
    for n in range(state.clock[OPEN]):
        group = state.groups[state.open[n]]
        if group.wide and _born_within(track, group, group.last + 1):
            return bool(track.count < APART or track.rough > SMOOTH)
    return False

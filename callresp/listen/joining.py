"""Joining: to which group a partial that has proved itself belongs."""

from __future__ import annotations

import math
from typing import Any

from callresp.listen.compiled import bare
from callresp.listen.groups import SMOOTH, TOGETHER, open_group
from callresp.listen.state import ALONE, BAND_BINS, LIVING, OPEN, TONAL

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

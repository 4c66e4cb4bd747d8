"""Parting: which partials of a closed group were one singer's.

Goal
----
While a note sounds, a partial is given to the group that it is harmonic to, and
with five birds at once chance puts one bird on the harmonics of another every
few seconds. Once both are over there is more to go by: what one throat sings
keeps one ratio for as long as both partials sound, whatever the pitch does, and
begins and ends about when the rest does.

Conventions
-----------
Partials as laid out by `callresp.listen.kernels.envelope`: places in bins and levels in
dB, shape ``(partials, frames)``, nan where silent. The strongest partial leads
the first stack and takes to it what belongs to it; the strongest of the rest
leads the next. What is too slight to be a note of its own stays with the stack
in whose time it lies.

Source: Bregman (1990), Auditory Scene Analysis, MIT Press, chapter 3: harmonic
relation, common onset and parallel change of frequency bind partials into one.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels import cfar
from callresp.listen.kernels._jit import inner
from callresp.listen.kernels.layout import BAND_BINS, RING

MOST_STACKS = 6
AROUND = 7  # bands to either side of a tone
LASTING = 12  # frames of a clear tone
SMOOTH = 0.16  # bins (RMS of second differences) of a clear tone
CLEAR_DB = 10.0  # over the sound about it
TOGETHER = 6  # frames within which onsets are one
ALIKE = 0.008  # of a ratio, that a harmonic may be off
WOBBLE = 0.12  # bins by which a partial's place is unsure
HIGHEST = 10  # order of a harmonic
LINE = 2.0  # bins about a partial that are its own skirts
SLIGHT_DB = 20.0  # below the strongest: no note of its own
FEW = 5  # frames: no note of its own
OUTSIDE = 4  # frames by which a slight partial may stick out of the stack


@inner
def part(place: Any, level: Any, clear: Any) -> tuple[Any, int]:
    """The stack of each partial, from 0, and how many stacks there are.

    Only a partial marked in `clear` may lead a stack of its own.
    """
    n = place.shape[0]
    stack = np.full(n, -1, np.int64)
    if n < 2:
        stack[:] = 0
        return stack, n
    energy = np.zeros(n)
    peak = np.full(n, -300.0)
    count = np.zeros(n, np.int64)
    start = np.zeros(n, np.int64)
    end = np.full(n, -1, np.int64)
    for i in range(n):
        for at in range(place.shape[1]):
            if not math.isnan(place[i, at]):
                start[i] = at if end[i] < 0 else start[i]
                end[i] = at
                count[i] += 1
                energy[i] += 10.0 ** (0.1 * level[i, at])
                peak[i] = max(peak[i], level[i, at])
    order = np.argsort(-energy)
    stacks = 0
    for first in range(n):
        leader = order[first]
        if stack[leader] >= 0:
            continue
        if stacks > 0 and (
            stacks == MOST_STACKS
            or not clear[leader]
            or _slight(leader, stack, order[0], peak, count, start, end)
        ):
            stack[leader] = 0
            continue
        stack[leader] = stacks
        _gather(leader, order[first + 1 :], place, peak, start, end, stack)
        stacks += 1
    return stack, stacks


@inner
def _slight(i: int, stack: Any, leader: int, peak: Any, count: Any, start: Any, end: Any) -> bool:
    """Whether a partial that fits nowhere is too slight, and too much amid the rest, to part."""
    if peak[i] > peak[leader] - SLIGHT_DB and count[i] >= FEW:
        return False
    first = start[leader]
    last = end[leader]
    for k in range(stack.size):
        if stack[k] == 0:
            first = min(first, start[k])
            last = max(last, end[k])
    return bool(start[i] >= first - OUTSIDE and end[i] <= last + OUTSIDE)


@inner
def _gather(
    leader: int, rest: Any, place: Any, peak: Any, start: Any, end: Any, stack: Any
) -> None:
    """Take to the stack of `leader` what belongs to it."""
    mine = stack[leader]
    # Twice: a later partial may bind an earlier one.
    for _ in range(2):
        for i in rest:
            if stack[i] >= 0:
                continue
            for k in range(stack.size):
                if stack[k] == mine and _one_line(i, k, place, start, end):
                    stack[i] = mine
                    break
            if stack[i] < 0:
                k = _beside(i, mine, stack, peak, start, end)
                if k >= 0 and _harmonic(i, k, place, peak, start, end):
                    stack[i] = mine


@inner
def _beside(i: int, mine: int, stack: Any, peak: Any, start: Any, end: Any) -> int:
    """The strongest partial of a stack that sounds during a good part of partial `i`, or -1."""
    best = -1
    for k in range(stack.size):
        if stack[k] != mine:
            continue
        shared = min(end[i], end[k]) - max(start[i], start[k]) + 1
        shorter = min(end[i] - start[i], end[k] - start[k]) + 1
        if 2 * shared >= shorter and (best < 0 or peak[k] > peak[best]):
            best = k
    return best


@inner
def _one_line(i: int, k: int, place: Any, start: Any, end: Any) -> bool:
    """Whether partial `i` lies on partial `k`, or goes on where it leaves off."""
    overlap = 0
    near = 0
    for at in range(max(start[i], start[k]), min(end[i], end[k]) + 1):
        if not (math.isnan(place[i, at]) or math.isnan(place[k, at])):
            overlap += 1
            near += abs(place[i, at] - place[k, at]) < LINE + 1.0
    if overlap:
        return near > 0.5 * overlap
    a, b = (k, i) if start[i] > start[k] else (i, k)
    gap = start[b] - end[a]
    back = max(start[a], end[a] - 4)
    while math.isnan(place[a, back]):
        back += 1
    step = 0.0
    if end[a] > back:
        step = (place[a, end[a]] - place[a, back]) / (end[a] - back)
    expected = place[a, end[a]] + step * gap
    away = min(abs(place[b, start[b]] - expected), abs(place[b, start[b]] - place[a, end[a]]))
    return bool(gap <= 12 and away < LINE + 0.25 * gap)


@inner
def _harmonic(i: int, leader: int, place: Any, peak: Any, start: Any, end: Any) -> bool:
    """Whether partial `i` keeps a harmonic ratio to the leader while both sound."""
    n = 0
    total = 0.0
    mine = 0.0
    its = 0.0
    for at in range(max(start[i], start[leader]), min(end[i], end[leader]) + 1):
        if not (math.isnan(place[i, at]) or math.isnan(place[leader, at])):
            n += 1
            total += place[i, at] / place[leader, at]
            mine += place[i, at]
            its += place[leader, at]
    if n < 2:
        return False
    ratio = total / n
    unsure = ratio * WOBBLE * (n / mine + n / its)
    strayed = 0.0
    for at in range(max(start[i], start[leader]), min(end[i], end[leader]) + 1):
        if not (math.isnan(place[i, at]) or math.isnan(place[leader, at])):
            strayed += abs(place[i, at] / place[leader, at] - ratio)
    if strayed / n > unsure + ALIKE * ratio:
        return False
    together = abs(start[i] - start[leader]) <= TOGETHER
    for below in range(1, HIGHEST + 1):
        above = math.floor(ratio * below + 0.5)
        if above < 1 or above > HIGHEST or (below > 1 and above > 1 and not together):
            continue
        if abs(ratio * below - above) < (ALIKE * ratio + 0.5 * unsure) * below:
            return _plausible(below, ratio, peak[i] - peak[leader], together)
    return False


@inner
def _plausible(below: int, ratio: float, louder_db: float, together: bool) -> bool:
    """A throat's fundamental is not far fainter than its overtones; late partials are overtones."""
    if ratio < 1.0 and below >= 3:
        return bool(together and louder_db > -12.0)
    return bool(together or louder_db < -8.0)


@inner
def clear_tones(place: Any, level: Any, first: int, power: Any, setup: Any) -> Any:
    """Marks the partials that are smooth, last, and stand far over the sound about them.

    The partials of a harsh call wander; a tone amid them, as of another bird, does not.
    """
    marks = np.zeros(place.shape[0], np.uint8)
    for i in range(place.shape[0]):
        # What lies about a tone takes longest to find, so that comes last.
        if _lasts_smooth(place[i]):
            marks[i] = _stands_clear(place[i], level[i], first, power, setup)
    return marks


@inner
def _lasts_smooth(places: Any) -> bool:
    count = 0
    bends = 0.0
    bent = 0
    for at in range(places.size):
        here = places[at]
        if math.isnan(here):
            continue
        count += 1
        if at >= 2 and not (math.isnan(places[at - 1]) or math.isnan(places[at - 2])):
            bends += (here - 2 * places[at - 1] + places[at - 2]) ** 2
            bent += 1
    return count >= LASTING and bent > 2 and bends < SMOOTH * SMOOTH * bent


@inner
def _stands_clear(places: Any, levels: Any, first: int, power: Any, setup: Any) -> bool:
    count = 0
    stands = 0.0
    for at in range(places.size):
        if not math.isnan(places[at]):
            count += 1
            row = power[(first + at) & (RING - 1)]
            stands += levels[at] - _about_db(places[at], row, setup)
    return stands > CLEAR_DB * count


@inner
def _about_db(place: float, row: Any, setup: Any) -> float:
    """Level a bin of the bands about a place, dB: their median."""
    band = int((place - setup.low) / BAND_BINS)
    around = np.empty(2 * AROUND + 1)
    n = 0
    for b in range(max(0, band - AROUND), min(setup.bands, band + AROUND + 1)):
        if abs(b - band) > 1:
            total = 1e-30
            k = setup.low + b * BAND_BINS
            for d in range(BAND_BINS):
                total += row[k + d]
            cfar.put(around, n, total / BAND_BINS)
            n += 1
    if n == 0:
        return -300.0
    return 10.0 * math.log10(around[n // 2])

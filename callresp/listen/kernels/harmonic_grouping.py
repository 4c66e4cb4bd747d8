"""Harmonic grouping: which partials of a closed group were one singer's.

Goal
----
While a note sounds, a partial goes to the group that it is harmonic to, and with
five birds at once chance puts one bird on the harmonics of another every few
seconds. Once all is over there is more to go by: the partials of one throat keep
one ratio for as long as both sound, whatever the pitch does, and begin and end
at about the same time.

Conventions
-----------
Partials are `callresp.listen.kernels.envelope.Partials`. The strongest partial leads the first
stack and takes to it what belongs to it; the strongest of the rest leads the
next. What is too slight to be a note of its own stays with the stack in whose
time it lies.

Source: Bregman (1990), Auditory Scene Analysis, MIT Press, chapter 3: harmonic
relation, common onset and parallel change of frequency bind partials into one.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels import envelope
from callresp.listen.kernels._jit import inner, noalloc
from callresp.listen.kernels.cfar import insert_sorted
from callresp.listen.kernels.layout import BAND_BINS, RING

MOST_STACKS = 6
TOGETHER = 6  # frames within which partials begin at once
RATIO_ERROR = 0.008  # of a ratio
FREQ_ERROR = 0.12  # bins
HIGHEST_HARMONIC = 10
SKIRT = 2.0  # bins about a partial that are its own
SLIGHT_DB = 20.0  # below the strongest partial, or shorter than so many frames: no note of its own
SLIGHT_FRAMES = 5
OUTSIDE = 4  # frames by which a slight partial may stick out of its stack
GAP = 12  # frames after which a partial may go on
# A clear tone: frames, RMS of second differences in bins, dB over the bands about it.
CLEAR_FRAMES = 12
CLEAR_ROUGHNESS = 0.16
CLEAR_DB = 10.0
AROUND = 7  # bands to either side


@inner
def split_stacks(partials: envelope.Partials, clear: Any) -> tuple[Any, int]:
    """The stack of each partial, from 0, and how many stacks there are.

    Only a partial marked in `clear` may lead a second stack.
    """
    n = partials.start.size
    stack = np.full(n, -1, np.int64)
    if n < 2:
        stack[:] = 0
        return stack, n
    energy = np.zeros(n)
    peak_db = np.full(n, -300.0)
    count = np.zeros(n, np.int64)
    for i in range(n):
        for p in range(partials.at[i] + partials.start[i], partials.at[i] + partials.end[i] + 1):
            if not math.isnan(partials.freq[p]):
                count[i] += 1
                energy[i] += 10.0 ** (0.1 * partials.level_db[p])
                peak_db[i] = max(peak_db[i], partials.level_db[p])
    order = np.argsort(-energy)
    stacks = 0
    for first in range(n):
        leader = order[first]
        if stack[leader] >= 0:
            continue
        if stacks > 0 and (
            stacks == MOST_STACKS
            or not clear[leader]
            or _is_slight(leader, stack, order[0], peak_db, count, partials)
        ):
            stack[leader] = 0
            continue
        stack[leader] = stacks
        _take_members(leader, order[first + 1 :], partials, peak_db, stack)
        stacks += 1
    return stack, stacks


@noalloc
def _is_slight(
    i: int, stack: Any, leader: int, peak_db: Any, count: Any, partials: envelope.Partials
) -> bool:
    """Whether a partial is too slight for a stack of its own, and lies amid the first stack."""
    if peak_db[i] > peak_db[leader] - SLIGHT_DB and count[i] >= SLIGHT_FRAMES:
        return False
    start, end = partials.start, partials.end
    first = start[leader]
    last = end[leader]
    for k in range(stack.size):
        if stack[k] == 0:
            first = min(first, start[k])
            last = max(last, end[k])
    return bool(start[i] >= first - OUTSIDE and end[i] <= last + OUTSIDE)


@noalloc
def _take_members(
    leader: int, rest: Any, partials: envelope.Partials, peak_db: Any, stack: Any
) -> None:
    """Take to the stack of `leader` what belongs to it."""
    own = stack[leader]
    # Twice: a later partial may bind an earlier one.
    for _ in range(2):
        for i in rest:
            if stack[i] >= 0:
                continue
            for k in range(stack.size):
                if stack[k] == own and _is_same_line(i, k, partials):
                    stack[i] = own
                    break
            if stack[i] < 0:
                k = _strongest_beside(i, own, stack, peak_db, partials)
                if k >= 0 and _is_harmonic(i, k, partials, peak_db):
                    stack[i] = own


@noalloc
def _strongest_beside(
    i: int, own: int, stack: Any, peak_db: Any, partials: envelope.Partials
) -> int:
    """The strongest partial of a stack that sounds during a good part of partial `i`, or -1."""
    start, end = partials.start, partials.end
    best = -1
    for k in range(stack.size):
        if stack[k] != own:
            continue
        shared = min(end[i], end[k]) - max(start[i], start[k]) + 1
        shorter = min(end[i] - start[i], end[k] - start[k]) + 1
        if 2 * shared >= shorter and (best < 0 or peak_db[k] > peak_db[best]):
            best = k
    return best


@noalloc
def _is_same_line(i: int, k: int, partials: envelope.Partials) -> bool:
    """Whether partial `i` lies on partial `k`, or goes on where it leaves off."""
    start, end = partials.start, partials.end
    mine, its = _shared(i, k, partials)
    overlap = 0
    near = 0
    for at in range(mine.size):
        away = abs(mine[at] - its[at])
        overlap += away == away
        near += away < SKIRT + 1.0
    if overlap:
        return near > 0.5 * overlap
    a, b = (k, i) if start[i] > start[k] else (i, k)
    gap = start[b] - end[a]
    freq, at = partials.freq, partials.at
    back = max(start[a], end[a] - 4)
    while math.isnan(freq[at[a] + back]):
        back += 1
    last, then = freq[at[a] + end[a]], freq[at[b] + start[b]]
    slope = 0.0
    if end[a] > back:
        slope = (last - freq[at[a] + back]) / (end[a] - back)
    expected = last + slope * gap
    away = min(abs(then - expected), abs(then - last))
    return bool(gap <= GAP and away < SKIRT + 0.25 * gap)


@noalloc
def _shared(i: int, k: int, partials: envelope.Partials) -> tuple[Any, Any]:
    """Frequencies of two partials in the frames in which both have begun and not ended."""
    first = max(partials.start[i], partials.start[k])
    end = max(first, min(partials.end[i], partials.end[k]) + 1)
    mine = partials.freq[partials.at[i] + first : partials.at[i] + end]
    return mine, partials.freq[partials.at[k] + first : partials.at[k] + end]


@noalloc
def _is_harmonic(i: int, leader: int, partials: envelope.Partials, peak_db: Any) -> bool:
    """Whether partial `i` keeps a harmonic ratio to the leader while both sound."""
    n = 0
    total = 0.0
    mine = 0.0
    its = 0.0
    freq, other = _shared(i, leader, partials)
    for at in range(freq.size):
        if not (math.isnan(freq[at]) or math.isnan(other[at])):
            n += 1
            total += freq[at] / other[at]
            mine += freq[at]
            its += other[at]
    if n < 2:
        return False
    ratio = total / n
    unsure = ratio * FREQ_ERROR * (n / mine + n / its)
    strayed = 0.0
    for at in range(freq.size):
        if not (math.isnan(freq[at]) or math.isnan(other[at])):
            strayed += abs(freq[at] / other[at] - ratio)
    if strayed / n > unsure + RATIO_ERROR * ratio:
        return False
    together = abs(partials.start[i] - partials.start[leader]) <= TOGETHER
    for below in range(1, HIGHEST_HARMONIC + 1):
        above = math.floor(ratio * below + 0.5)
        chance = below > 1 and above > 1 and not together
        if above < 1 or above > HIGHEST_HARMONIC or chance:
            continue
        if abs(ratio * below - above) < (RATIO_ERROR * ratio + 0.5 * unsure) * below:
            return _is_plausible(below, ratio, peak_db[i] - peak_db[leader], together)
    return False


@noalloc
def _is_plausible(below: int, ratio: float, louder_db: float, together: bool) -> bool:
    """A throat's fundamental is not far fainter than its overtones; late partials are overtones."""
    if ratio < 1.0 and below >= 3:
        return bool(together and louder_db > -12.0)
    return bool(together or louder_db < -8.0)


@inner
def clear_tones(partials: envelope.Partials, first: int, after: int, power: Any, setup: Any) -> Any:
    """Marks the partials that are smooth, last, and stand far over the sound about them.

    The partials of a harsh call wander; a tone amid them, as of another bird, does not.
    From frame `after` on, the call is over: a tone may show itself there, too.
    """
    marks = np.zeros(partials.start.size, np.uint8)
    around = np.empty(2 * AROUND + 1)
    for i in range(marks.size):
        for begin in (0, after):
            a, b = max(begin, partials.start[i]), partials.end[i] + 1
            # What lies about a tone takes longest to find, so that comes last.
            if not marks[i] and a < b:
                freq = partials.freq[partials.at[i] + a : partials.at[i] + b]
                level_db = partials.level_db[partials.at[i] + a : partials.at[i] + b]
                if _is_smooth(freq):
                    marks[i] = _stands_clear(freq, level_db, first + a, power, setup, around)
    return marks


@noalloc
def _is_smooth(freq: Any) -> bool:
    count = 0
    bends = 0.0
    bent = 0
    for at in range(freq.size):
        here = freq[at]
        if math.isnan(here):
            continue
        count += 1
        if at >= 2 and not (math.isnan(freq[at - 1]) or math.isnan(freq[at - 2])):
            bends += (here - 2 * freq[at - 1] + freq[at - 2]) ** 2
            bent += 1
    return count >= CLEAR_FRAMES and bent > 2 and bends < CLEAR_ROUGHNESS * CLEAR_ROUGHNESS * bent


@noalloc
def _stands_clear(
    freq: Any, level_db: Any, first: int, power: Any, setup: Any, around: Any
) -> bool:
    count = 0
    over_db = 0.0
    for at in range(freq.size):
        if not math.isnan(freq[at]):
            count += 1
            row = power[(first + at) & (RING - 1)]
            over_db += level_db[at] - _around_db(freq[at], row, setup, around)
    return over_db > CLEAR_DB * count


@noalloc
def _around_db(freq: float, row: Any, setup: Any, around: Any) -> float:
    """Level a bin of the bands about a frequency, dB: their median."""
    band = int((freq - setup.low) / BAND_BINS)
    n = 0
    for b in range(max(0, band - AROUND), min(setup.bands, band + AROUND + 1)):
        if abs(b - band) > 1:
            total = 1e-30
            k = setup.low + b * BAND_BINS
            for d in range(BAND_BINS):
                total += row[k + d]
            insert_sorted(around, n, total / BAND_BINS)
            n += 1
    if n == 0:
        return -300.0
    return 10.0 * math.log10(around[n // 2])

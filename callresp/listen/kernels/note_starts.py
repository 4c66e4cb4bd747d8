"""Note starts: told at once, for those who answer while it happens.

Goal
----
A microphone's listener can't wait for a note's end to hear that one began. A
group is announced in the first frame in which it stands clear of the floor and
of what a gust lifted about it. New attacks inside it are told by
`callresp.listen.kernels.note_starts`, what no group has taken yet by
`callresp.listen.kernels.onsets`.

Conventions
-----------
The thresholds are those by which the finished note will be judged
(`callresp.listen.kernels.note_formation`), so that few starts come to nothing.

Attacks: the same sound struck or sung again before it has ended.

Goal
----
A drummer's strokes and the notes of a trill come faster than their groups
close, so a group that has been told is told again at each new attack.

Conventions
-----------
A group's power is followed through its crest and the trough after it. A new
attack rises out of a trough as deep as that at which the finished group will
be parted into notes (`callresp.listen.kernels.note_formation`), and comes near the crest
before it, even if no higher. Attacks closer than `FUSED` are one rough sound.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels import cfar, envelope, reverberation
from callresp.listen.kernels._jit import bare, inner
from callresp.listen.kernels.layout import LIVING, OPEN, STARTS, TONAL, WINDOW_SUM

HANN_SHARE = 0.5  # a tone's power over three bins of a Hann window, a bin, over its peak's
# A level in noise comes and goes: whose mean over STEADY points lies this far below
# the mark will pass it sooner or later.
STEADY = 4
STEADY_DB = 1.0
SMOOTH = 0.3  # bins: roughness of what is followed so
AGE = 1  # frames that a wide onset is waited for


@bare
def tell_starts(
    frame: int, over: Any, total: Any, state: Any, sound: Any, setup: Any, starts: Any
) -> None:
    """Announce each group that stands clear for the first time."""
    clock = state.clock
    for n in range(clock[OPEN]):
        g = state.open[n]
        group = state.groups[g]
        if group.told:
            continue
        if group.kind == TONAL:
            _tell_tone(g, frame, state, sound, setup, starts)
        elif frame - group.onset >= AGE:
            _tell_wide(group, over, total, clock, setup, starts)


@bare
def _tell_tone(g: int, frame: int, state: Any, sound: Any, setup: Any, starts: Any) -> None:
    clock = state.clock
    over_db = -300.0
    loudest = 0.0
    middle = 0.0
    for n in range(clock[LIVING]):
        track = state.tracks[state.living[n]]
        if track.group == g and track.last == frame:
            over_db = max(over_db, expected_db(track, state.points, sound.floor))
            if track.power > loudest:
                loudest = track.power
                middle = track.place
    if over_db < setup.clearly_db:
        return
    group = state.groups[g]
    if over_db - cfar.gust_db(group.onset, frame, middle, sound.over, setup) < setup.clearly_db:
        return
    if reverberation.is_tail(middle, loudest, group.onset, sound, setup.frames_per_s):
        return
    announce(group, group.onset, middle, middle, middle, 10.0 * math.log10(loudest), clock, starts)


@bare
def expected_db(track: Any, points: Any, floor: Any) -> float:
    """How far over the floor a partial will have stood at its highest, dB, by what it shows now.

    That is its level now, or, of a smooth one, somewhat more than its mean of late.
    """
    ratio = HANN_SHARE * track.power / (floor[int(track.place + 0.5)] + 1e-30)
    now_db = 10.0 * math.log10(ratio + 1e-30)
    if track.count < STEADY or track.rough > SMOOTH:
        return now_db
    level_db = 0.0
    p = track.head
    for _ in range(STEADY):
        level_db += points[p].level / STEADY
        p = points[p].before
    return max(now_db, now_db + level_db - 10.0 * math.log10(track.power + 1e-30) + STEADY_DB)


@bare
def _tell_wide(group: Any, over: Any, total: Any, clock: Any, setup: Any, starts: Any) -> None:
    power = 0.0
    noise = 1e-30
    for b in range(over.size):
        if group.own[b]:
            power += total[b]
            noise += total[b] / over[b]
    power = max(power, group.peak)
    if 10.0 * math.log10(power / noise + 1e-30) >= setup.clearly_db:
        announce_wide(group, group.onset, power, clock, setup, starts)


@inner
def announce_wide(
    group: Any, frame: int, power: float, clock: Any, setup: Any, starts: Any
) -> None:
    """Write the start of what began in many bands at once."""
    bounds = np.array([1e9, 0.0])
    envelope.own_bounds(group.own, setup, bounds)
    if bounds[1] == 0.0:
        return
    level_db = 10.0 * math.log10(power / WINDOW_SUM)
    announce(group, frame, 0.0, bounds[0], bounds[1], level_db, clock, starts)


@bare
def announce(
    group: Any,
    frame: int,
    place: float,
    low: float,
    high: float,
    level_db: float,
    clock: Any,
    starts: Any,
) -> None:
    """Tell the start of a group."""
    group.told = 1
    write_start(frame, group.number, place, low, high, level_db, clock, starts)


@bare
def write_start(
    frame: int,
    number: int,
    place: float,
    low: float,
    high: float,
    level_db: float,
    clock: Any,
    starts: Any,
) -> bool:
    """Write a start under a number; False where there is no room."""
    n = clock[STARTS]
    if n >= len(starts):
        return False
    row = starts[n]
    row.frame = frame
    row.number = number
    row.before = -1
    row.place = place
    row.low = low
    row.high = high
    row.level_db = level_db
    clock[STARTS] += 1
    return True


@bare
def hand_over(before: int, number: int, clock: Any, starts: Any) -> bool:
    """Write that what was told under the number `before` is of group `number` now."""
    n = clock[STARTS]
    if n >= len(starts):
        return False
    starts[n].number = number
    starts[n].before = before
    clock[STARTS] += 1
    return True


FUSED = 11  # frames
NEAR_CREST = 10**-1.5  # 15 dB
NEAR_CREST_TONE = 10**-0.8  # 8 dB: what a place rings on with beats, too


@bare
def follow(
    group: Any, now: float, deep: float, frame: int, clock: Any, setup: Any, starts: Any
) -> None:
    """Follow the power of a group, and announce the attack that it shows in this frame.

    `deep` is the ratio of powers that parts two notes.
    """
    far = group.trough * deep
    near = NEAR_CREST_TONE if group.kind == TONAL else NEAR_CREST
    if now > 0.0 and now >= far and group.crest >= far and now >= group.crest * near:
        if group.told and frame - group.attack > FUSED:
            _announce(group, frame, clock, setup, starts)
        group.attack = frame
        group.crest = now
        group.trough = now
    elif now > group.crest:
        group.crest = now
        group.trough = now
    else:
        group.trough = min(group.trough, now)


@bare
def _announce(group: Any, frame: int, clock: Any, setup: Any, starts: Any) -> None:
    if group.kind != TONAL:
        announce_wide(group, frame, group.now + 1e-30, clock, setup, starts)
    elif group.base > 0.0:
        base, level_db = group.base, 10.0 * math.log10(group.now + 1e-30)
        announce(group, frame, base, base, base, level_db, clock, starts)

"""Early starts: partials that stand clear before a group has taken them.

Goal
----
A tone that begins amid a wide sound is held in doubt until it has shown itself
apart from it (`callresp.listen.kernels.grouping`), which takes some 25 ms. Where it
stands as clear as a note must, its start is told meanwhile: under a number of
its own, which its group then takes over. So is a sweep that breaks into pieces
too short to prove themselves (`callresp.listen.kernels.onsets`).

Conventions
-----------
A row of starts whose `before` is a number tells that what was told by it is
the start of a note of the row's group, or of none.

Sweeps so fast that their partial breaks into pieces, none of them long enough to prove itself.

Goal
----
A note that sweeps through three kilohertz in 25 ms leaves a partial farther
behind at each frame than it can be followed, and would be told when it is
nearly over. Its pieces run on in one direction, each from where the last broke
off: taken together they prove it.

Conventions
-----------
A piece goes on an earlier one that no group has taken yet. `pieces` counts the
points of the earlier ones, `since` is the frame in which the first was born,
and the number under which the sweep was told goes with it.
"""

from __future__ import annotations

import math
from typing import Any

from callresp.listen.kernels import cfar, reverberation
from callresp.listen.kernels._jit import bare
from callresp.listen.kernels.grouping import PROVED, TOGETHER
from callresp.listen.kernels.layout import ALONE, LIVING, NEXT_GROUP, OPEN
from callresp.listen.kernels.note_starts import expected_db, hand_over, write_start

SAME = 2  # frames


@bare
def tell_early(frame: int, state: Any, sound: Any, setup: Any, starts: Any) -> None:
    """Announce partials in doubt that stand clear, and hand over those that found a group."""
    clock = state.clock
    for n in range(clock[LIVING]):
        track = state.tracks[state.living[n]]
        if track.born == frame:
            take_up(track, frame, state)
        if track.told:
            g = track.group if track.group >= 0 else _attack_of(track, state)
            if g >= 0:
                _hand_over(track, g, state, starts)
        elif track.last == frame and track.group == ALONE:
            if track.count >= PROVED:
                if _is_worth_telling(track, frame, state, sound, setup):
                    _announce(track, track.born, clock, starts)
            elif is_whole(track, state, sound.floor, setup):
                _announce(track, track.since, clock, starts)


@bare
def _is_worth_telling(track: Any, frame: int, state: Any, sound: Any, setup: Any) -> bool:
    """Whether a partial in doubt stands clear, and is not of an attack that has been told."""
    over_db = expected_db(track, state.points, sound.floor)
    if over_db < setup.clearly_db or _of_an_attack(track, state):
        return False
    if reverberation.is_tail(track.place, track.power, track.born, sound, setup.frames_per_s):
        return False
    gust_db = cfar.gust_db(track.born, frame, track.place, sound.over, setup)
    return bool(over_db - gust_db >= setup.clearly_db)


@bare
def _of_an_attack(track: Any, state: Any) -> bool:
    """Whether a wide sound began with the partial, which then has been told already."""
    for n in range(state.clock[OPEN]):
        group = state.groups[state.open[n]]
        if group.wide and group.told and abs(track.born - group.fresh) <= SAME:
            return True
    return False


@bare
def _announce(track: Any, onset: int, clock: Any, starts: Any) -> None:
    number, place = clock[NEXT_GROUP], track.place
    level_db = 10.0 * math.log10(track.power)
    if write_start(onset, number, place, place, place, level_db, clock, starts):
        clock[NEXT_GROUP] += 1
        track.told = number + 1


@bare
def _attack_of(track: Any, state: Any) -> int:
    """The wide sound, not told yet, that turned out to begin with a partial; or -1."""
    for n in range(state.clock[OPEN]):
        group = state.groups[state.open[n]]
        if group.wide and not group.told and abs(track.since - group.fresh) <= TOGETHER:
            return int(state.open[n])
    return -1


@bare
def _hand_over(track: Any, g: int, state: Any, starts: Any) -> None:
    group = state.groups[g]
    if not hand_over(track.told - 1, group.number, state.clock, starts):
        return
    track.told = 0
    if min(abs(track.born - group.onset), abs(track.since - group.onset)) <= TOGETHER:
        group.told = 1


REACH = 8.0  # bins a frame
PAUSE = 2  # frames
WHOLE = 4  # points that prove a sweep
FAR_OVER_DB = 6.0  # over the mark of a note: chance peaks lie about everywhere else


@bare
def take_up(track: Any, frame: int, state: Any) -> None:
    """Let a partial born in this frame go on the sweep that broke off nearest to it."""
    best = -1
    nearest = REACH
    for n in range(state.clock[LIVING]):
        other = state.tracks[state.living[n]]
        gap = frame - other.last
        if other.group != -1 or gap < 1 or gap > PAUSE or other.pieces < 0:
            continue
        slope = (track.place - other.place) / gap
        way = other.step if other.count > 1 else other.slope
        if abs(slope) < nearest and slope * way >= 0.0:
            nearest = abs(slope)
            best = state.living[n]
    if best < 0:
        return
    other = state.tracks[best]
    track.slope = (track.place - other.place) / (frame - other.last)
    track.pieces = other.pieces + other.count
    track.since = other.since
    track.told = other.told
    # It has one heir.
    other.pieces = -1
    other.told = 0


@bare
def is_whole(track: Any, state: Any, floor: Any, setup: Any) -> bool:
    """Whether a piece proves its sweep: far over the floor, and amid no wide sound."""
    if track.pieces <= 0 or track.pieces + track.count < WHOLE:
        return False
    if expected_db(track, state.points, floor) < setup.clearly_db + FAR_OVER_DB:
        return False
    wide = 0
    for n in range(state.clock[OPEN]):
        wide += state.groups[state.open[n]].wide
    return bool(wide == 0)

"""Early starts: partials that stand clear before a group has taken them.

Goal
----
A tone that begins amid a wide sound is held in doubt until it has shown itself
apart from it (`callresp.listen.joining`), which takes some 25 ms. Where it
stands as clear as a note must, its start is told meanwhile: under a number of
its own, which its group then takes over. So is a sweep that breaks into pieces
too short to prove themselves (`callresp.listen.sweeps`).

Conventions
-----------
A row of starts whose `before` is a number tells that what was told by it is
the start of a note of the row's group, or of none.
"""

from __future__ import annotations

import math
from typing import Any

from callresp.listen import gusts, sweeps, tails
from callresp.listen.compiled import bare
from callresp.listen.groups import TOGETHER
from callresp.listen.joining import PROVED
from callresp.listen.starting import expected_db, hand_over, write_start
from callresp.listen.state import ALONE, LIVING, NEXT_GROUP, OPEN

SAME = 2  # frames


@bare
def tell_early(frame: int, state: Any, sound: Any, setup: Any, starts: Any) -> None:
    """Announce partials in doubt that stand clear, and hand over those that found a group."""
    clock = state.clock
    for n in range(clock[LIVING]):
        track = state.tracks[state.living[n]]
        if track.born == frame:
            sweeps.take_up(track, frame, state)
        if track.told:
            g = track.group if track.group >= 0 else _attack_of(track, state)
            if g >= 0:
                _hand_over(track, g, state, starts)
        elif track.last == frame and track.group == ALONE:
            if track.count >= PROVED:
                if _is_worth_telling(track, frame, state, sound, setup):
                    _announce(track, track.born, clock, starts)
            elif sweeps.is_whole(track, state, sound.floor, setup):
                _announce(track, track.since, clock, starts)


@bare
def _is_worth_telling(track: Any, frame: int, state: Any, sound: Any, setup: Any) -> bool:
    """Whether a partial in doubt stands clear, and is not of an attack that has been told."""
    over_db = expected_db(track, state.points, sound.floor)
    if over_db < setup.clearly_db or _of_an_attack(track, state):
        return False
    if tails.is_tail(track.place, track.power, track.born, sound, setup.frames_per_s):
        return False
    gust_db = gusts.gust_db(track.born, frame, track.place, sound.over, setup)
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

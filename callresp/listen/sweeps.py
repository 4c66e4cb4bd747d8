"""Sweeps so fast that their partial breaks into pieces, none of them long enough to prove itself.

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

from typing import Any

from callresp.listen.compiled import bare
from callresp.listen.starting import expected_db
from callresp.listen.state import LIVING, OPEN

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

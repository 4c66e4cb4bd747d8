"""Attacks: the same sound struck or sung again before it has ended.

Goal
----
A drummer's strokes and the notes of a trill come faster than their groups
close, so a group that has been told is told again at each new attack.

Conventions
-----------
A group's power is followed through its crest and the trough after it. A new
attack rises out of a trough as deep as that at which the finished group will
be parted into notes (`callresp.listen.finish`), and comes near the crest
before it, even if no higher. Attacks closer than `FUSED` are one rough sound.
"""

from __future__ import annotations

import math
from typing import Any

from callresp.listen.compiled import bare
from callresp.listen.starting import announce, announce_wide
from callresp.listen.state import TONAL

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

"""Wide onsets: many bands that rise at once.

Goal
----
Hear knocks, clicks, harsh calls and the attack of a stack of harmonics as one
event each, where partials alone would tell dozens.

Conventions
-----------
The spectrum is cut into bands of equal width; a band's level is dB over the
floor, not below 0. A band rises where its level passes the highest level of
itself and its two neighbours some 10 ms before, so that vibrato and sweeps are
no rises; bands that lie far below the loudest rising one are the splatter of
its attack and don't count.

Source: Böck & Widmer (2013), "Maximum filter vibrato suppression for onset
detection", Proc. 16th Int. Conf. Digital Audio Effects (DAFx-13).
"""

from __future__ import annotations

import math
from typing import Any

from callresp.listen.compiled import inner
from callresp.listen.state import RING

SPLATTER_DB = 30.0
LEAST_DB = 9.0


@inner
def band_levels(power: Any, floor: Any, setup: Any, over: Any, level: Any) -> None:
    """Level of each band: over the floor (not below 0), and of its own, dB."""
    for b in range(setup.bands):
        first = setup.low + b * setup.band_bins
        total = 1e-30
        noise = 1e-30
        for k in range(first, first + setup.band_bins):
            total += power[k]
            noise += floor[k]
        level[b] = 10.0 * math.log10(total)
        over[b] = max(0.0, level[b] - 10.0 * math.log10(noise))


@inner
def rises(frame: int, band_db: Any, level: Any, setup: Any, risen: Any) -> int:
    """Mark the bands that rise; returns how many."""
    now = band_db[frame % RING]
    before = band_db[(frame - setup.lag) % RING]
    loudest = -300.0
    for b in range(setup.bands):
        risen[b] = 0
        reference = before[b]
        if b > 0:
            reference = max(reference, before[b - 1])
        if b + 1 < setup.bands:
            reference = max(reference, before[b + 1])
        if now[b] >= LEAST_DB and now[b] - reference >= setup.rise_db:
            risen[b] = 1
            loudest = max(loudest, level[b])
    count = 0
    for b in range(setup.bands):
        if risen[b] and level[b] < loudest - SPLATTER_DB:
            risen[b] = 0
        count += risen[b]
    return count

"""Wide onsets: many bands that rise at once.

Goal
----
Hear knocks, clicks, harsh calls and the attack of a stack of harmonics as one
event each, where partials alone would tell dozens.

Conventions
-----------
The spectrum is cut into bands of equal width. A band's `over` is its power
over the floor's, not below 1. A band rises where it passes the highest `over`
that it or its two neighbours had some 10 ms before, so that vibrato and sweeps
are no rises; bands far below the loudest rising one are the splatter of its
attack and don't count.

Source: Böck & Widmer (2013), "Maximum filter vibrato suppression for onset
detection", Proc. 16th Int. Conf. Digital Audio Effects (DAFx-13).
"""

from __future__ import annotations

from typing import Any

from callresp.listen.compiled import inner
from callresp.listen.state import BAND_BINS, RING

SPLATTER = 10**-3.0  # 30 dB
LEAST = 10**0.9  # 9 dB


@inner
def band_powers(power: Any, floor: Any, setup: Any, over: Any, total: Any) -> None:
    """Power of each band, and the same over the floor's."""
    own, under = power[setup.low :], floor[setup.low :]
    for b in range(total.size):
        here = 0.0
        noise = 1e-30
        for k in range(BAND_BINS):
            here += own[BAND_BINS * b + k]
            noise += under[BAND_BINS * b + k]
        total[b] = here
        ratio = here / noise
        over[b] = ratio if ratio > 1.0 else 1.0


@inner
def rises(frame: int, ring: Any, total: Any, setup: Any, risen: Any) -> int:
    """Mark the bands that rise; returns how many."""
    now = ring[frame & (RING - 1)]
    before = ring[(frame - setup.lag) & (RING - 1)]
    loudest = 0.0
    last = setup.bands - 1
    for b in range(setup.bands):
        risen[b] = 0
        if now[b] < LEAST:
            continue
        reference = max(before[b], before[max(b - 1, 0)], before[min(b + 1, last)])
        if now[b] >= setup.rise * reference:
            risen[b] = 1
            loudest = max(loudest, total[b])
    count = 0
    for b in range(setup.bands):
        if risen[b] and total[b] < loudest * SPLATTER:
            risen[b] = 0
        count += risen[b]
    return count

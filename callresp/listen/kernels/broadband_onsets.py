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

import numpy as np

from callresp.listen.kernels._jit import bare
from callresp.listen.kernels.layout import BAND_BINS, RING

SPLATTER = 10**-3.0  # 30 dB
LEAST = np.float32(10**0.9)  # 9 dB


@bare
def set_calm(floor: Any, calm: Any) -> None:
    """One over the floor's power of each band; `floor` starts with the lowest bin listened to."""
    for b in range(calm.size):
        noise = 1e-30
        for k in range(BAND_BINS):
            noise += floor[BAND_BINS * b + k]
        calm[b] = 1.0 / noise


@bare
def band_powers(power: Any, calm: Any, over: Any, total: Any) -> None:
    """Power of each band, and the same over the floor's."""
    for b in range(total.size):
        here = 0.0
        for k in range(BAND_BINS):
            here += power[BAND_BINS * b + k]
        total[b] = here
        ratio = here * calm[b]
        over[b] = ratio if ratio > 1.0 else 1.0


@bare
def rises(frame: int, ring: Any, total: Any, setup: Any, risen: Any) -> int:
    """Mark the bands that rise; returns how many."""
    now = ring[frame & (RING - 1)]
    before = ring[(frame - setup.lag) & (RING - 1)]
    rise = np.float32(setup.rise)
    last = setup.bands - 1
    some = _pass(now[1:last], before, rise, risen[1:last])
    for b in (0, last):
        most = max(before[b], before[max(b - 1, 0)], before[min(b + 1, last)])
        risen[b] = now[b] >= LEAST and now[b] >= rise * most
        some += risen[b]
    if some == 0:
        return 0
    loudest = 0.0
    for b in range(setup.bands):
        if risen[b]:
            loudest = max(loudest, total[b])
    count = 0
    for b in range(setup.bands):
        if risen[b] and total[b] < loudest * SPLATTER:
            risen[b] = 0
        count += risen[b]
    return count


@bare
def _pass(now: Any, before: Any, rise: Any, risen: Any) -> int:
    """Mark the bands that pass what they and both neighbours had: a loop without a branch."""
    some = 0
    left, own, right = before[: now.size], before[1 : now.size + 1], before[2 : now.size + 2]
    for b in range(now.size):
        most = left[b] if left[b] > right[b] else right[b]
        most = own[b] if own[b] > most else most
        risen[b] = (now[b] >= LEAST) & (now[b] >= rise * most)
        some += risen[b]
    return some

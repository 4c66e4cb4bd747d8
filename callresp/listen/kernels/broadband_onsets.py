"""Broadband onsets: many bands that rise at once.

Goal
----
Take a knock, a click, a harsh call or the attack of a stack of harmonics for
one event each, where partials alone would give dozens.

Conventions
-----------
The spectrum is cut into bands of equal width. A band's SNR is its power over
the noise floor's, not below 1. A band rises where its SNR passes, by a set
ratio, the highest that it or either neighbour had some 10 ms before, so that
vibrato and sweeps do not count as rises. Nor does the splatter of a sharp attack:
bands far below the loudest rising one; and where all that rise lie close together
and three of them hold nearly all the power, that is a tone.

Source: Böck & Widmer (2013), "Maximum filter vibrato suppression for onset
detection", Proc. 16th Int. Conf. Digital Audio Effects (DAFx-13).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from callresp.listen.kernels._jit import noalloc
from callresp.listen.kernels.layout import BAND_BINS, RING

SPLATTER = 10**-3.0  # 30 dB below the loudest rising band
TONE_BANDS = 4  # to either side of a tone that its attack spreads over
TONE_SHARE = 0.97  # of the power that rises, in three bands
LEAST_SNR = np.float32(10**0.9)  # 9 dB


@noalloc
def invert_floor(floor: Any, inverse_floor: Any) -> None:
    """One over the noise power of each band; `floor` starts with the lowest bin of the band."""
    for b in range(inverse_floor.size):
        noise = 1e-30
        for k in range(BAND_BINS):
            noise += floor[BAND_BINS * b + k]
        inverse_floor[b] = 1.0 / noise


@noalloc
def band_powers(power: Any, inverse_floor: Any, band_snr: Any, band_power: Any) -> None:
    """Power of each band, and its ratio to the noise floor's."""
    for b in range(band_power.size):
        # Written out, or the loop is not vectorised: four bins make a band (`BAND_BINS`).
        own = power[BAND_BINS * b : BAND_BINS * (b + 1)]
        here = np.float64(own[0]) + own[1] + own[2] + own[3]
        band_power[b] = here
        ratio = here * inverse_floor[b]
        band_snr[b] = ratio if ratio > 1.0 else 1.0


@noalloc
def mark_rises(
    frame: int, band_snr: Any, band_power: Any, setup: Any, rises: Any, which: Any
) -> int:
    """Mark the bands that rise in `rises`; returns how many. `which` is room for a number each."""
    now = band_snr[frame & (RING - 1)]
    before = band_snr[(frame - setup.rise_lag) & (RING - 1)]
    ratio = np.float32(setup.rise_ratio)
    last = setup.bands - 1
    some = _mark_inner(now[1:last], before, ratio, rises[1:last])
    for b in (0, last):
        most = max(before[b], before[max(b - 1, 0)], before[min(b + 1, last)])
        rises[b] = now[b] >= LEAST_SNR and now[b] >= ratio * most
        some += rises[b]
    if some == 0:
        return 0
    # Which ones, first, without branches: mostly they are few.
    count = 0
    for b in range(setup.bands):
        which[count] = b
        count += rises[b]
    peak = which[0]
    for b in which[:some]:
        if band_power[b] > band_power[peak]:
            peak = b
    count = 0
    total = 0.0
    tone = 0.0
    spread = 0
    for b in which[:some]:
        if band_power[b] < band_power[peak] * SPLATTER:
            rises[b] = 0
            continue
        count += 1
        total += band_power[b]
        spread = max(spread, abs(b - peak))
        if abs(b - peak) <= 1:
            tone += band_power[b]
    if spread <= TONE_BANDS and tone > TONE_SHARE * total:
        rises[:] = 0
        return 0
    return count


@noalloc
def _mark_inner(now: Any, before: Any, ratio: Any, rises: Any) -> int:
    """Mark the bands that have two neighbours: a loop without branches, so vectorised."""
    some = 0
    left, own, right = before[: now.size], before[1 : now.size + 1], before[2 : now.size + 2]
    for b in range(now.size):
        most = left[b] if left[b] > right[b] else right[b]
        most = own[b] if own[b] > most else most
        rises[b] = (now[b] >= LEAST_SNR) & (now[b] >= ratio * most)
        some += rises[b]
    return some

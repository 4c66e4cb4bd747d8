"""Constant false-alarm rate: judging a sound by the power of its surroundings.

Goal
----
The noise floor follows wind and water over some seconds. A gust is quicker, and
lifts chance peaks over the threshold by dozens; but it lifts everything about
them too, which a song does not.

Conventions
-----------
The surroundings of a sound are the bands within `REACH` of its own: from `BEFORE`
frames ahead of it to its end, and as it is loudest, since a drop is briefer than
any note. Their lower third counts, so that another
singer among them is not taken for weather.

Source: ordered-statistic thresholds beside a clutter edge, Rohling (1983),
"Radar CFAR thresholding in clutter and multiple target situations", IEEE
Trans. Aerospace Electron. Syst. AES-19(4).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels._jit import inner, noalloc
from callresp.listen.kernels.layout import BAND_BINS, RING

REACH = 8  # bands
# The quantiles that tell the spread, and how far they lie apart in a normal distribution; over
# how many frames, of which every so manieth is taken, and how many there must be.
SPREAD_LOW, SPREAD_MIDDLE, SPREAD_SIGMAS = 0.03, 0.15, 0.84
SPREAD_FRAMES = 3000
SPREAD_STEP = 8
SPREAD_LEAST = 40
GATED = 1.3  # times a converter's noise
GUARD = 1  # bands to either side that a sound fills itself
BEFORE = 12  # frames
STEADY_NOISE = 10**0.1  # SNR that bands of steady noise read, clipped at 1 as they are


@inner
def excess_db(first: int, last: int, freq: float, spec: Any, setup: Any) -> float:
    """How far the surroundings of `freq` stood over the floor from frame to frame, dB, ≥ 0.

    In the mean of frames [first, last].
    """
    own = int((freq - setup.low) / BAND_BINS)
    low = max(0, own - REACH)
    total = np.zeros(max(0, min(setup.bands, own + REACH + 1) - low))
    first = max(0, first)
    for frame in range(first, last + 1):
        row = spec.band_snr[frame & (RING - 1), low : low + total.size]
        for i in range(total.size):
            total[i] += row[i]
    count = 0
    for i in range(total.size):
        if abs(low + i - own) <= GUARD:
            continue
        # Sorted into the room of those that have been taken already.
        insert_sorted(total, count, total[i] / max(1, last + 1 - first))
        count += 1
    if count == 0:
        return 0.0
    return max(0.0, 10.0 * math.log10(total[count // 3] / STEADY_NOISE))


@noalloc
def even_snr(bins: Any, frame: int, spec: Any) -> float:
    """Mean SNR of some bins in a frame: each counts alike, however loud the noise in it."""
    row = spec.power[frame & (RING - 1)]
    total = 1e-30
    for k in bins:
        total += row[k] / spec.floor[k]
    return total / bins.size


@inner
def noise_spread_db(bins: Any, before: int, state: Any, spec: Any, setup: Any) -> float:
    """Spread of the mean SNR of some bins over the seconds before a frame, dB.

    It is told by the lower frames alone, which sound between them does not touch:
    the standard deviation of a normal distribution with the same quantiles.
    """
    floor = 0.0
    for k in bins:
        floor += spec.floor[k]
    if floor < GATED * setup.converter * bins.size:
        # Cut away by a codec or an editor, it says nothing of the place.
        return np.inf
    first = max(0, before - SPREAD_FRAMES, state.frame - RING + 2)
    power = np.empty(max(0, before - first) // SPREAD_STEP)
    if power.size < SPREAD_LEAST:
        if state.opening_spread_db == 0.0:
            return np.inf
        return state.opening_spread_db * math.sqrt((setup.high - setup.low) / bins.size)
    for i in range(power.size):
        power[i] = even_snr(bins, first + i * SPREAD_STEP, spec)
    power.sort()
    low, middle = power[int(SPREAD_LOW * power.size)], power[int(SPREAD_MIDDLE * power.size)]
    return 10.0 * math.log10(middle / low) / SPREAD_SIGMAS


@noalloc
def insert_sorted(values: Any, count: int, value: float) -> None:
    """Insert `value` into the first `count` of `values`, which stand in ascending order."""
    at = count
    while at > 0 and values[at - 1] > value:
        values[at] = values[at - 1]
        at -= 1
    values[at] = value

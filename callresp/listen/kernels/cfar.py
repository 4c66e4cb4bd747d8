"""Gusts: how far the surroundings of a note stand over the floor while it sounds.

Goal
----
The floor follows wind and water over some seconds. A gust is quicker, and lifts
chance peaks over the threshold by dozens; but it lifts everything about them
too, which a song does not.

Conventions
-----------
The surroundings are the bands within `REACH` of the note's own, from some
`BEFORE` frames ahead of it to its end. Their lower third counts, so that another
singer among them is not taken for weather.

Source: ordered-statistic thresholds beside a clutter edge, Rohling (1983),
"Radar CFAR thresholding in clutter and multiple target situations", IEEE
Trans. Aerospace Electron. Syst. AES-19(4).

Values in order of size, put in one at a time: for a handful, to take their median or third.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels._jit import bare, inner
from callresp.listen.kernels.layout import BAND_BINS, RING

REACH = 8  # bands
GUARD = 1
BEFORE = 12  # frames
CALM = 10**0.1  # what bands of steady noise read, clipped at the floor as they are


@inner
def gust_db(first: int, last: int, middle: float, over: Any, setup: Any) -> float:
    """How far the bands about bin `middle` stood over the floor meanwhile, dB, not below 0."""
    own = int((middle - setup.low) / BAND_BINS)
    low = max(0, own - REACH)
    total = np.zeros(max(0, min(setup.bands, own + REACH + 1) - low))
    start = max(0, first - BEFORE)
    for frame in range(start, last + 1):
        row = over[frame & (RING - 1), low : low + total.size]
        for i in range(total.size):
            total[i] += row[i]
    n = 0
    for i in range(total.size):
        if abs(low + i - own) <= GUARD:
            continue
        # Those before it have been taken already, so their room is free.
        put(total, n, total[i] / max(1, last + 1 - start))
        n += 1
    if n == 0:
        return 0.0
    return max(0.0, 10.0 * math.log10(total[n // 3] / CALM))


@bare
def put(kept: Any, count: int, value: float) -> None:
    """Put `value` into its place among the first `count` of `kept`, which stand in order."""
    at = count
    while at > 0 and kept[at - 1] > value:
        kept[at] = kept[at - 1]
        at -= 1
    kept[at] = value

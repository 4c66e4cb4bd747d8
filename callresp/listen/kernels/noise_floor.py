"""The noise floor: mean noise power in every bin, followed as it changes.

Goal
----
Know how strong wind, water and traffic are in every bin, through song that
fills most of the time.

Conventions
-----------
Each bin follows the lower quartile of its own power by small steps in
decibels (a quantile by stochastic approximation: up by q of a step, down by
1 - q of it), so that it does not matter how loud the song above it is. The
power of Gaussian noise is exponentially distributed, so its mean is the
quartile divided by -ln(1 - q) = 0.2877: that mean, smoothed over neighbouring
bins, is the floor.

Sources: Robbins & Monro (1951) for the recursion; Martin (2001), "Noise power
spectral density estimation based on optimal smoothing and minimum statistics",
IEEE Trans. Speech Audio Process. 9(5), for following a low statistic through
speech.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels._jit import noalloc

QUANTILE = 0.25  # q
MEAN_OVER_QUANTILE = 1.0 / -math.log(1.0 - QUANTILE)
FIRST_STEP_DB = 3.0
STEP_DB = 0.025
SETTLE_FRAMES = 20.0  # after which the step has halved
# By which the quantile moves once the step has become small: no power of ten in each frame.
UP = np.float32(10.0 ** (0.1 * STEP_DB * QUANTILE))
DOWN = np.float32(10.0 ** (-0.1 * STEP_DB * (1.0 - QUANTILE)))


@noalloc
def step_db(frames: int) -> float:
    """Step of the quantile, dB, after so many frames: large at first, then small."""
    return max(STEP_DB, FIRST_STEP_DB / (1.0 + frames / SETTLE_FRAMES))


@noalloc
def follow(power: Any, quantile: Any, step: float) -> None:
    """Move the quantile of every bin one step towards its power."""
    up, down = UP, DOWN
    if step > STEP_DB:
        up = np.float32(10.0 ** (0.1 * step * QUANTILE))
        down = np.float32(10.0 ** (-0.1 * step * (1.0 - QUANTILE)))
    for k in range(power.size):
        step_to = up if power[k] > quantile[k] else down
        quantile[k] = quantile[k] * step_to


@noalloc
def update(quantile: Any, floor: Any) -> None:
    """Mean noise power of each bin: by the quantile, smoothed over five bins."""
    scale = np.float32(MEAN_OVER_QUANTILE / 5.0)
    last = quantile.size - 1
    # Counted from 0: an index that could be negative would keep the loop from being vectorised.
    for k in range(last - 3):
        floor[k + 2] = scale * (
            quantile[k] + quantile[k + 1] + quantile[k + 2] + quantile[k + 3] + quantile[k + 4]
        )
    for k in range(2):
        floor[k] = floor[2]
        floor[last - k] = floor[last - 2]

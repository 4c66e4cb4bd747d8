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
bins, is the floor. It is never lower than the noise of the recording's converter
spread over the bins: what an editor or a codec leaves below that is no sound of
the place.

What sounds from the first sample on can't be told from noise by time. For as
long as a note may last, a bin's quartile therefore counts for no more than
`LINE` times those about it: noise is smooth over some hundred hertz, and what
stands out of it is a tone. So it is where digital silence (muted gaps, a gate)
lets nothing sound for longer than that: the quartile may be that of calls alone.

Sources: Robbins & Monro (1951) for the recursion; Martin (2001), "Noise power
spectral density estimation based on optimal smoothing and minimum statistics",
IEEE Trans. Speech Audio Process. 9(5), for following a low statistic through
speech.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from callresp.listen.kernels._jit import inner, noalloc
from callresp.listen.kernels.cfar import SPREAD_LOW, SPREAD_MIDDLE, SPREAD_SIGMAS, insert_sorted

QUANTILE = 0.25  # q
MEAN_OVER_QUANTILE = 1.0 / -math.log(1.0 - QUANTILE)
FIRST_STEP_DB = 3.0
STEP_DB = 0.025
SETTLE_FRAMES = 20.0  # after which the step has halved
# By which the quantile moves once the step has become small: no power of ten in each frame.
# Of the opening: the lowest frames that count, and by how much the quartile passes what they say.
LOW = 0.05
FILLED = 2.0
LINE = np.float32(4.0)
LINE_GUARD = 3  # bins to either side that a tone fills itself
LINE_REACH = 12
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
def update(quantile: Any, floor: Any, least: Any) -> None:
    """Mean noise power of each bin, by the quantile: smoothed over five, and `least` at least."""
    scale = np.float32(MEAN_OVER_QUANTILE / 5.0)
    last = quantile.size - 1
    # Counted from 0: an index that could be negative would keep the loop from being vectorised.
    for k in range(last - 3):
        mean = scale * (
            quantile[k] + quantile[k + 1] + quantile[k + 2] + quantile[k + 3] + quantile[k + 4]
        )
        floor[k + 2] = mean if mean > least else least
    for k in range(2):
        floor[k] = floor[2]
        floor[last - k] = floor[last - 2]


@inner
def without_lines(quantile: Any) -> Any:
    """The quantile with what stands out of its neighbours cut down."""
    out = np.empty_like(quantile)
    ordered = np.empty(LINE_REACH, np.float32)
    # Of each run of bins that may lie beside another; the first begins LINE_REACH below bin 0.
    third = np.empty(quantile.size + LINE_REACH + LINE_GUARD, np.float32)
    for n in range(third.size):
        start = n - LINE_REACH
        third[n] = _lower_third(quantile, start, start + LINE_REACH - LINE_GUARD + 1, ordered)
    for k in range(quantile.size):
        beside = max(third[k], third[k + LINE_REACH + LINE_GUARD])
        out[k] = min(quantile[k], LINE * beside)
    return out


@noalloc
def _lower_third(values: Any, start: int, stop: int, ordered: Any) -> Any:
    """What a third of ``values[start:stop]`` lie below, of those that there are; 0 for none."""
    count = 0
    for k in range(max(0, start), min(values.size, stop)):
        insert_sorted(ordered, count, values[k])
        count += 1
    return ordered[count // 3] if count else np.float32(0.0)


def opening_quantile(power: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """The quartile of every bin over an opening, shape ``(frames, bins)``.

    Where sound fills most of the opening the quartile is its own: it then stands
    farther above the lowest few frames than in noise, and is taken from those.
    """
    low, quartile = np.quantile(power, (LOW, QUANTILE), axis=0)
    by_low = low * math.log(1.0 - QUANTILE) / math.log(1.0 - LOW)
    kernel = np.full(5, 0.2)
    filled = np.convolve(quartile, kernel, "same") > FILLED * np.convolve(by_low, kernel, "same")
    found: npt.NDArray[np.float32] = np.where(filled, by_low, quartile).astype(np.float32)
    return found


def opening_spread_db(power: npt.NDArray[np.float32], quantile: npt.NDArray[np.float32]) -> float:
    """Spread of the mean SNR of all bins over an opening, dB, as `cfar.noise_spread_db` has it.

    Of the bins that have a floor; 0, not known, where none has.
    """
    floored = quantile > 0.0
    if not floored.any():
        return 0.0
    even = (power[:, floored] / (MEAN_OVER_QUANTILE * quantile[floored])).mean(axis=1)
    low, middle = np.quantile(even, (SPREAD_LOW, SPREAD_MIDDLE))
    return float(10.0 * np.log10(middle / max(low, 1e-12)) / SPREAD_SIGMAS)

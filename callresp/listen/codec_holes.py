"""Holes that a codec cuts into noise: the level of what is left is the noise floor.

Goal
----
A codec leaves out, block by block and band by band, what it takes for inaudible. Where
that is more than a quarter of the time the quartile that the noise floor follows
(`callresp.listen.kernels.noise_floor`) lies in the holes, and the place's own noise
stands far over it in patches that look like notes.

Conventions
-----------
Noise keeps to its level: half of all frames of a band lie within a few decibels of one
another, however deep the others are. Song does not, nor does it leave half of the time
a level that is higher than the quartile. So where the shortest span of levels that
holds half of the frames is narrow, and lies `OVER` times over what the lowest frames say
of noise, that is the noise, and what lies below are holes. So it is if frames that hold
no more than a converter's noise are left out, and there are enough others; but these may
be calls of one pitch, so their level must not stand out of those of the bands around.

It is asked of files coded with loss alone: of 10,781 notes of others 147 changed.

Source: the shortest half, for the middle of what is contaminated in less than half:
Rousseeuw & Leroy (1988), "A robust scale estimator based on the shortest half",
Statistica Neerlandica 42(2). The figures are our own (`tools/bench_codecs.py`).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from callresp.listen.kernels.cfar import GUARD, REACH
from callresp.listen.kernels.layout import BAND_BINS, Setup
from callresp.listen.kernels.noise_floor import LOW, MEAN_OVER_QUANTILE

Floats = npt.NDArray[np.float64]
Powers = npt.NDArray[np.float32]

EVERY = 2048  # frames, after which holes are looked for anew
HELD = 16  # frames, after which a quartile that has sunk into holes is lifted again
FRAMES, STEP = 3000, 16  # frames that are looked back over, and of which one is taken
LEAST = 60  # of the frames taken: fewer tell nothing
EMPTY = 10**0.8  # times the converter's noise, 8 dB: no more is an empty frame
LEAST_SHARE = 0.15  # of all frames must stand out of the holes
WIDEST = 10**0.9  # 9 dB: the shortest span that holds half of the frames of noise
OVER = 10**0.4  # 4 dB: that the noise lies over what the lowest frames say, at least
SOME_OVER = 10**0.2  # 2 dB: half of the frames that are not empty must lie so far over it
OUTSTANDING = 10**1.0  # 10 dB over the bands around: calls of one pitch


def least_quantile(power: Powers, setup: Setup) -> Powers:
    """What the quartile of each bin is at least, by what its band has held of late.

    Parameters
    ----------
    power
        Of each `STEP`-th frame, shape ``(frames, bins)``.
    setup
        Of the listener.

    Returns
    -------
    ndarray of float32
        Shape ``(bins,)``: 0 where there are no holes.
    """
    least = np.zeros(setup.bins, np.float32)
    if len(power) < LEAST:
        return least
    bins = slice(setup.low, setup.low + BAND_BINS * setup.bands)
    in_bands = power[:, bins].astype(np.float64).reshape(len(power), -1, BAND_BINS)
    bands = in_bands.sum(axis=2)
    low = np.quantile(in_bands, LOW, axis=0).sum(axis=1)
    floor = np.maximum(low / -math.log(1.0 - LOW), BAND_BINS * setup.converter)
    emptiest = BAND_BINS * EMPTY * setup.converter
    over = (bands > np.maximum(SOME_OVER * floor, emptiest)).sum(axis=0)
    empty = (bands <= emptiest).sum(axis=0)
    noise, sure = floor.copy(), np.zeros(setup.bands, np.bool_)
    asked = (2 * over > len(bands) - empty) & (over > LEAST_SHARE * len(bands))
    for b in np.flatnonzero(asked).tolist():
        ordered = np.sort(bands[:, b])
        level = _shortest_half(ordered)
        sure[b] = level > OVER * floor[b]
        if not sure[b]:
            level = _shortest_half(ordered[empty[b] :])
        noise[b] = level if level > OVER * floor[b] else floor[b]
    for b in np.flatnonzero(noise > floor).tolist():
        if sure[b] or not _stands_out(noise, b):
            first = setup.low + BAND_BINS * b
            least[first : first + BAND_BINS] = noise[b] / BAND_BINS / MEAN_OVER_QUANTILE
    return least


def _stands_out(noise: Floats, band: int) -> bool:
    """Whether a band's level is far over those around it, of which the lower third counts."""
    beside = np.arange(max(0, band - REACH), min(len(noise), band + REACH + 1))
    # With its own, for where there is no other: that is the last wherever it may stand out.
    away = np.abs(beside - band)
    around = np.sort(noise[beside[(away > GUARD) | (away == 0)]])
    return bool(noise[band] > OUTSTANDING * around[(len(around) - 1) // 3])


def _shortest_half(ordered: Floats) -> float:
    """Middle of the shortest span that holds half of some powers; 0 where it is wide."""
    half = len(ordered) // 2
    low = ordered[: len(ordered) - half]
    ratio = ordered[half:] / np.maximum(low, 1e-30)
    best = int(np.argmin(ratio))
    return float(ordered[best + half // 2]) if ratio[best] <= WIDEST else 0.0

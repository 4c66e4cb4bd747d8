"""A closed group, laid out frame by frame: its envelope and its partials.

Conventions
-----------
The envelope is the power that belongs to the group (of its own bands, and of
three bins about each partial elsewhere) less the floor, in dB; it starts
`BEFORE` frames before the group's onset, so that edges can be found by it.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels._jit import inner
from callresp.listen.kernels.layout import BAND_BINS, RING, TRACKS

BEFORE = 10
AFTER = 6
SKIRT = 3  # bins to either side that a partial fills


@inner
def members(g: int, tracks: Any) -> Any:
    """Slots of the group's partials, as they lie."""
    found = np.empty(TRACKS, np.int64)
    n = 0
    for t in range(TRACKS):
        if tracks[t].group == g:
            found[n] = t
            n += 1
    return found[:n]


@inner
def own_bounds(own: Any, setup: Any, bounds: Any) -> None:
    """Widen `bounds`, lowest and highest bin, to the bands that a group owns."""
    for band in range(setup.bands):
        if own[band]:
            bounds[0] = min(bounds[0], setup.low + band * BAND_BINS)
            bounds[1] = max(bounds[1], setup.low + (band + 1.0) * BAND_BINS)


@inner
def lay_out(slots: Any, first: int, frames: int, tracks: Any, points: Any) -> tuple[Any, Any]:
    """Places and levels of each partial that sounds: (partials, frames), nan where silent."""
    place = np.full((slots.size, frames), np.nan, np.float32)
    level = np.full((slots.size, frames), np.nan, np.float32)
    for i in range(slots.size):
        p = tracks[slots[i]].head
        while p >= 0:
            at = points[p].frame - first
            if at < 0:
                break
            if at < frames:
                place[i, at] = points[p].place
                level[i, at] = points[p].level
            p = points[p].before
    # What sounded before `first` alone is none of it.
    heard = np.zeros(slots.size, np.bool_)
    for i in range(slots.size):
        heard[i] = not np.isnan(place[i]).all()
    kept = np.flatnonzero(heard)
    return place[kept], level[kept]


@inner
def envelope(
    own: Any, place: Any, but: Any, first: int, setup: Any, power: Any, floor: Any
) -> tuple[Any, Any]:
    """The group's power frame by frame without the partials `but`, and the floor's meanwhile."""
    frames = place.shape[1]
    bins = _own_bins(own, setup)
    under = 0.0
    for k in bins:
        under += floor[k]
    total = np.zeros(frames)
    noise = np.full(frames, under)
    if bins.size:
        for at in range(frames):
            row = power[(first + at) % RING]
            here = 0.0
            for k in bins:
                here += row[k]
            total[at] = here
    if but.shape[0]:
        _take_out(but, own, first, setup, power, floor, total, noise)
    for i in range(place.shape[0]):
        _add_partial(place[i], own, first, setup, power, floor, total, noise)
    return total, noise


@inner
def _own_bins(own: Any, setup: Any) -> Any:
    """The bins of the bands that a group owns, in order."""
    found = np.empty(setup.bands * BAND_BINS, np.int64)
    n = 0
    for b in range(setup.bands):
        if own[b]:
            for k in range(BAND_BINS):
                found[n] = setup.low + b * BAND_BINS + k
                n += 1
    return found[:n]


@inner
def _take_out(
    but: Any, own: Any, first: int, setup: Any, power: Any, floor: Any, total: Any, noise: Any
) -> None:
    """Take the skirts of the partials `but` out of the power of the bands."""
    taken = np.full(setup.bins, -1)  # the frame in which each bin was taken
    for at in range(but.shape[1]):
        row = power[(first + at) & (RING - 1)]
        for i in range(but.shape[0]):
            here = _about(but[i], at)
            if math.isnan(here):
                continue
            middle = int(round(here))
            for k in range(max(1, middle - SKIRT), min(setup.bins - 1, middle + SKIRT + 1)):
                band = (k - setup.low) // BAND_BINS
                if taken[k] == at or not (0 <= band < own.size) or not own[band]:
                    continue
                taken[k] = at
                total[at] = max(0.0, total[at] - row[k])
                noise[at] = max(1e-30, noise[at] - floor[k])


@inner
def _about(places: Any, at: int) -> float:
    """Where a partial is, or was or will be within a few frames: its edges are its own."""
    for d in range(BEFORE - 2):
        if at - d >= 0 and not math.isnan(places[at - d]):
            return float(places[at - d])
        if at + d < places.size and not math.isnan(places[at + d]):
            return float(places[at + d])
    return np.nan


@inner
def _add_partial(
    places: Any, own: Any, first: int, setup: Any, power: Any, floor: Any, total: Any, noise: Any
) -> None:
    start = -1
    end = -1
    for at in range(places.size):
        if not math.isnan(places[at]):
            if start < 0:
                start = at
            end = at
    if start < 0:
        return
    here = places[start]
    for at in range(max(0, start - BEFORE), min(places.size, end + AFTER + 1)):
        if not math.isnan(places[at]):
            here = places[at]
        middle = int(round(here))
        band = (middle - setup.low) // BAND_BINS
        if 0 <= band < setup.bands and own[band]:
            continue
        row = power[(first + at) % RING]
        for k in range(max(1, middle - 1), min(setup.bins - 1, middle + 2)):
            total[at] += row[k]
            noise[at] += floor[k]

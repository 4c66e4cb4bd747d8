"""A closed group laid out frame by frame: its partials and its envelope.

Conventions
-----------
- Partials are arrays of shape ``(partials, frames)``, nan where silent.
- The envelope is the power that belongs to the group: that of its own bands, and
  of three bins about each partial elsewhere. It starts `LEAD` frames before the
  group's onset, so that the onset can be found by it.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels._jit import inner, noalloc
from callresp.listen.kernels.layout import BAND_BINS, MOST_TRACKS, RING

LEAD = 10  # frames before and after a partial that are laid out with it
TRAIL = 6
SKIRT = 3  # bins to either side that a partial fills


@inner
def members(g: int, tracks: Any) -> Any:
    """Slots of the partials of group `g`."""
    found = np.empty(MOST_TRACKS, np.int64)
    n = 0
    for t in range(MOST_TRACKS):
        if tracks[t].group == g:
            found[n] = t
            n += 1
    return found[:n]


@noalloc
def widen_to_bands(owned: Any, setup: Any, bounds: Any) -> None:
    """Widen `bounds`, lowest and highest bin, to the bands that a group owns."""
    for b in range(setup.bands):
        if owned[b]:
            bounds[0] = min(bounds[0], setup.low + b * BAND_BINS)
            bounds[1] = max(bounds[1], setup.low + (b + 1.0) * BAND_BINS)


@inner
def lay_out(slots: Any, first: int, frames: int, tracks: Any, points: Any) -> tuple[Any, Any]:
    """Frequencies and levels of the partials that sound in `frames` frames from `first` on."""
    freq = np.full((slots.size, frames), np.nan, np.float32)
    level_db = np.full((slots.size, frames), np.nan, np.float32)
    sounds = np.zeros(slots.size, np.bool_)
    for i in range(slots.size):
        p = tracks[slots[i]].head
        while p >= 0:
            at = points[p].frame - first
            if at < 0:
                break
            if at < frames:
                freq[i, at] = points[p].freq
                level_db[i, at] = points[p].level_db
                sounds[i] = True
            p = points[p].before
    if not sounds.all():
        kept = np.flatnonzero(sounds)
        freq, level_db = freq[kept], level_db[kept]
    return freq, level_db


@noalloc
def points(freq: Any) -> int:
    """How many points a partial has; where it has none its frequency is nan, unequal to itself.

    A loop without branches is vectorised.
    """
    count = 0
    for at in range(freq.size):
        count += freq[at] == freq[at]
    return count


@inner
def envelope(
    owned: Any, freq: Any, without: Any, first: int, spec: Any, setup: Any
) -> tuple[Any, Any]:
    """Power of a group frame by frame, and that of the noise floor in the same bins.

    Parameters
    ----------
    owned
        Which bands are the group's own.
    freq
        Its partials.
    without
        Partials whose power is taken out of the bands.
    first
        Frame of the first column.
    """
    frames = freq.shape[1]
    bins = owned_bins(owned, setup)
    floor = 0.0
    for k in bins:
        floor += spec.floor[k]
    total = np.zeros(frames)
    noise = np.full(frames, floor)
    if bins.size:
        for at in range(frames):
            row = spec.power[(first + at) & (RING - 1)]
            here = 0.0
            for k in bins:
                here += row[k]
            total[at] = here
    if without.shape[0]:
        _take_out(without, owned, first, spec, setup, total, noise)
    for i in range(freq.shape[0]):
        _add_partial(freq[i], owned, first, spec, setup, total, noise)
    return total, noise


@inner
def owned_bins(owned: Any, setup: Any) -> Any:
    """The bins of the bands that a group owns, in order."""
    found = np.empty(setup.bands * BAND_BINS, np.int64)
    n = 0
    for b in range(setup.bands):
        if owned[b]:
            for k in range(BAND_BINS):
                found[n] = setup.low + b * BAND_BINS + k
                n += 1
    return found[:n]


@inner
def _take_out(
    without: Any, owned: Any, first: int, spec: Any, setup: Any, total: Any, noise: Any
) -> None:
    """Take partials and their skirts out of the power of the owned bands."""
    taken_at = np.full(setup.bins, -1)  # the frame in which each bin was taken out last
    for at in range(without.shape[1]):
        row = spec.power[(first + at) & (RING - 1)]
        for i in range(without.shape[0]):
            here = _nearest_freq(without[i], at)
            if math.isnan(here):
                continue
            middle = int(round(here))
            for k in range(max(1, middle - SKIRT), min(setup.bins - 1, middle + SKIRT + 1)):
                band = (k - setup.low) // BAND_BINS
                if taken_at[k] == at or not (0 <= band < owned.size) or not owned[band]:
                    continue
                taken_at[k] = at
                total[at] = max(0.0, total[at] - row[k])
                noise[at] = max(1e-30, noise[at] - spec.floor[k])


@noalloc
def _nearest_freq(freq: Any, at: int) -> float:
    """Where a partial is, or was or will be within a few frames: its flanks are its own."""
    for d in range(LEAD - 2):
        if at - d >= 0 and not math.isnan(freq[at - d]):
            return float(freq[at - d])
        if at + d < freq.size and not math.isnan(freq[at + d]):
            return float(freq[at + d])
    return np.nan


@noalloc
def _add_partial(
    freq: Any, owned: Any, first: int, spec: Any, setup: Any, total: Any, noise: Any
) -> None:
    """Add the power of a partial and of the frames about it, where the group owns no band."""
    start = -1
    end = -1
    for at in range(freq.size):
        if not math.isnan(freq[at]):
            if start < 0:
                start = at
            end = at
    if start < 0:
        return
    here = freq[start]
    for at in range(max(0, start - LEAD), min(freq.size, end + TRAIL + 1)):
        if not math.isnan(freq[at]):
            here = freq[at]
        middle = int(round(here))
        band = (middle - setup.low) // BAND_BINS
        if 0 <= band < setup.bands and owned[band]:
            continue
        row = spec.power[(first + at) & (RING - 1)]
        power, floor = total[at], noise[at]
        for k in range(max(1, middle - 1), min(setup.bins - 1, middle + 2)):
            power += row[k]
            floor += spec.floor[k]
        total[at], noise[at] = power, floor

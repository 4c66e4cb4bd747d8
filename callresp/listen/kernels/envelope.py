"""A closed group laid out frame by frame: its partials and its envelope.

Conventions
-----------
- Partials are `Partials`: the points of each stand one after another, nan where it is silent
  between them. A long group has hundreds of brief ones, so rows of all frames were mostly empty.
- The envelope is the power that belongs to the group: that of its own bands, and
  of three bins about each partial elsewhere. It starts `LEAD` frames before the
  group's onset, so that the onset can be found by it.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from callresp.listen.kernels._jit import inner, noalloc
from callresp.listen.kernels.layout import BAND_BINS, MOST_TRACKS, RING

LEAD = 10  # frames before and after a partial that are laid out with it
TRAIL = 6
SKIRT = 3  # bins to either side that a partial fills


class Partials(NamedTuple):
    """Partials of a group.

    Attributes
    ----------
    start, end
        Frames of the first and the last point of each, shape ``(partials,)``.
    at
        Where the point of frame 0 would stand: that of frame n is ``freq[at[i] + n]``.
    freq, level_db
        Of all points.
    frames
        That are laid out.
    """

    start: Any
    end: Any
    at: Any
    freq: Any
    level_db: Any
    frames: int


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
def lay_out(slots: Any, first: int, frames: int, tracks: Any, points: Any) -> Partials:
    """The partials that sound in `frames` frames from `first` on."""
    begin = np.empty(slots.size, np.int64)
    start = np.full(slots.size, frames)
    end = np.full(slots.size, -1)
    at = np.empty(slots.size, np.int64)
    size = 0
    for i in range(slots.size):
        begin[i] = max(0, tracks[slots[i]].born - first)
        at[i] = size - begin[i]
        size += max(0, min(frames, tracks[slots[i]].last - first + 1) - begin[i])
    freq = np.full(size, np.nan, np.float32)
    level_db = np.empty(size, np.float32)
    for i in range(slots.size):
        last = min(frames - 1, tracks[slots[i]].last - first)
        p = tracks[slots[i]].head
        while p >= 0:
            here = points[p].frame - first
            if here < begin[i]:
                break
            if here <= last:
                freq[at[i] + here] = points[p].freq
                level_db[at[i] + here] = points[p].level_db
                start[i] = min(start[i], here)
                end[i] = max(end[i], here)
            p = points[p].before
    return chosen(Partials(start, end, at, freq, level_db, frames), np.flatnonzero(end >= 0))


@inner
def chosen(partials: Partials, rows: Any) -> Partials:
    """Some of the partials."""
    start, end, at, freq, level_db, frames = partials
    return Partials(start[rows], end[rows], at[rows], freq, level_db, frames)


@noalloc
def freq_at(partials: Partials, i: int, frame: int) -> float:
    """Frequency of partial `i` in a frame, nan where it is silent."""
    sounds = partials.start[i] <= frame <= partials.end[i]
    return partials.freq[partials.at[i] + frame] if sounds else np.nan


@noalloc
def points(partials: Partials, i: int, start: int, end: int) -> int:
    """How many points partial `i` has in frames [start, end).

    Where it has none its frequency is nan, unequal to itself: no branches, so vectorised.
    """
    count = 0
    first, last = max(start, partials.start[i]), min(end - 1, partials.end[i])
    for p in range(partials.at[i] + first, partials.at[i] + last + 1):
        count += partials.freq[p] == partials.freq[p]
    return count


@inner
def envelope(
    owned: Any, partials: Partials, without: Partials, first: int, spec: Any, setup: Any
) -> tuple[Any, Any]:
    """Power of a group frame by frame, and that of the noise floor in the same bins.

    Parameters
    ----------
    owned
        Which bands are the group's own.
    partials
        Its own.
    without
        Partials whose power is taken out of the bands.
    first
        Frame that they count from.
    """
    frames = partials.frames
    bins = owned_bins(owned, setup)
    floor = 0.0
    for k in bins:
        floor += spec.floor[k]
    total = np.zeros(frames)
    noise = np.full(frames, floor)
    if bins.size:
        for at in range(0, frames, 4):
            _sum_bins(bins, first + at, spec.power, total[at : at + 4])
    if without.start.size:
        _take_out(without, owned, first, spec, setup, total, noise)
    for i in range(partials.start.size):
        _add_partial(partials, i, owned, first, spec, setup, total, noise)
    return total, noise


@noalloc
def _sum_bins(bins: Any, first: int, power: Any, total: Any) -> None:
    """Power of some bins in up to four frames.

    Additions of one sum must keep their order, and each waits for the one before: so four sums
    are made side by side.
    """
    last = first + total.size - 1
    a = power[first & (RING - 1)]
    b = power[min(first + 1, last) & (RING - 1)]
    c = power[min(first + 2, last) & (RING - 1)]
    d = power[last & (RING - 1)]
    in_a, in_b, in_c, in_d = 0.0, 0.0, 0.0, 0.0
    for k in bins:
        in_a += a[k]
        in_b += b[k]
        in_c += c[k]
        in_d += d[k]
    for n in range(total.size):
        total[n] = in_a if n == 0 else in_b if n == 1 else in_c if n == 2 else in_d


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
    without: Partials, owned: Any, first: int, spec: Any, setup: Any, total: Any, noise: Any
) -> None:
    """Take partials and their skirts out of the power of the owned bands."""
    taken_at = np.full(setup.bins, -1)  # the frame in which each bin was taken out last
    for at in range(without.frames):
        row = spec.power[(first + at) & (RING - 1)]
        for i in range(without.start.size):
            here = _nearest_freq(without, i, at)
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
def _nearest_freq(partials: Partials, i: int, at: int) -> float:
    """Where a partial is, or was or will be within a few frames: its flanks are its own."""
    for d in range(LEAD - 2):
        for frame in (at - d, at + d):
            here = freq_at(partials, i, frame)
            if not math.isnan(here):
                return float(here)
    return np.nan


@noalloc
def _add_partial(
    own: Partials, i: int, owned: Any, first: int, spec: Any, setup: Any, total: Any, noise: Any
) -> None:
    """Add the power of a partial and of the frames about it, where the group owns no band."""
    start, end = own.start[i], own.end[i]
    here = freq_at(own, i, start)
    for at in range(max(0, start - LEAD), min(own.frames, end + TRAIL + 1)):
        now = freq_at(own, i, at)
        if not math.isnan(now):
            here = now
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

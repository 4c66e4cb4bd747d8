"""Partials: spectral peaks joined into tracks from frame to frame.

Goal
----
Follow every tone, however fast it sweeps, through the tones of others.

Conventions
-----------
A peak's frequency between bins comes from a parabola through the logarithms of
three powers. A track expects its next point where its slope leads; track and
peak join where each is the other's nearest. A track that finds no peak for
more than `MOST_MISSES` frames has ended.

Source: McAulay & Quatieri (1986), "Speech analysis/synthesis based on a
sinusoidal representation", IEEE Trans. ASSP 34(4).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels._jit import inner, noalloc
from callresp.listen.kernels.layout import FREE, MOST_PEAKS, MOST_POINTS, MOST_TRACKS, UNGROUPED

MOST_MISSES = 2
# Forward masking: a track goes on down to CONTINUES below what was lately heard in its bin, and
# starts only above STARTS below it.
CONTINUES = np.float32(10**-2.3)
STARTS = 10**-1.0
# Masking by neighbours: how much stronger a bin 2 to 3, or 4 to 8, bins away hides a peak.
NEAR_MASKER = 10**1.2
FAR_MASKER = 10**2.6
_LN_TO_DB = 10.0 / math.log(10.0)


@noalloc
def set_threshold(floor: Any, ratio: float, threshold: Any) -> None:
    """The power of each bin that makes a peak."""
    least = np.float32(ratio)
    for k in range(floor.size):
        threshold[k] = least * floor[k]


@inner
def new_marks(setup: Any) -> Any:
    """A byte for each bin listened to, filled up to a multiple of eight."""
    return np.zeros((setup.high - setup.low + 7) // 8 * 8, np.uint8)


@noalloc
def find_peaks(power: Any, threshold: Any, masking: Any, setup: Any, marks: Any, peaks: Any) -> int:
    """Find the peaks of a frame; returns how many.

    The rows of `peaks` are frequency, level in dB, power, and 1 where a peak also
    stands out from what was lately heard in its bin, so that it may start a track.
    """
    low, high = setup.low, setup.high
    _mark(power[low - 1 : high + 1], threshold[low:high], masking[low:high], marks)
    eights = marks.view(np.uint64)
    found = 0
    for n in range(eights.size):
        if eights[n] == 0:
            continue
        for k in range(8 * n, 8 * n + 8):
            if marks[k] and found < MOST_PEAKS and not _is_masked(power, low + k, setup.bins):
                _measure(low + k, power, masking, peaks[:, found])
                found += 1
    return found


@noalloc
def _mark(power: Any, threshold: Any, masking: Any, marks: Any) -> None:
    """Mark local maxima above all thresholds: a loop without branches, so vectorised.

    `power` has one bin more at either end.
    """
    n = threshold.size
    left, own, right = power[:n], power[1 : n + 1], power[2 : n + 2]
    for k in range(n):
        p = own[k]
        marks[k] = (
            (p > threshold[k]) & (p > left[k]) & (p >= right[k]) & (p > CONTINUES * masking[k])
        )


@noalloc
def _measure(k: int, power: Any, masking: Any, peak: Any) -> None:
    """Fill the column of the peak at bin `k`."""
    left = math.log(power[k - 1] + 1e-30)
    middle = math.log(power[k])
    right = math.log(power[k + 1] + 1e-30)
    bend = left - 2.0 * middle + right
    shift = 0.5 * (left - right) / bend if bend < -1e-9 else 0.0
    peak[0] = k + shift
    peak[1] = _LN_TO_DB * (middle - 0.25 * (left - right) * shift)
    peak[2] = power[k] * math.exp(-0.25 * (left - right) * shift)
    peak[3] = 1.0 if power[k] > STARTS * masking[k] else 0.0


@noalloc
def _is_masked(power: Any, k: int, bins: int) -> bool:
    """Whether a much stronger neighbour hides this peak, which may be a side lobe of it."""
    limit = power[k] * NEAR_MASKER
    for d in range(2, 4):
        if (k - d >= 0 and power[k - d] > limit) or (k + d < bins and power[k + d] > limit):
            return True
    limit = power[k] * FAR_MASKER
    for d in range(4, 9):
        if (k - d >= 0 and power[k - d] > limit) or (k + d < bins and power[k + d] > limit):
            return True
    return False


@noalloc
def update_masking(power: Any, masking: Any, keep: float) -> None:
    """Let the masking power of each bin fade, and take in this frame's.

    Not by `max`, which looks for numbers that are none: that is not vectorised.
    """
    fade = np.float32(keep)
    for k in range(power.size):
        faded = masking[k] * fade
        masking[k] = faded if faded > power[k] else power[k]


@noalloc
def link(
    frame: int, peaks: Any, count: int, joined: Any, expected: Any, state: Any, setup: Any
) -> None:
    """Join tracks and peaks; `joined` gets the track of each peak, or -1."""
    tracks, living = state.tracks, state.living
    for i in range(count):
        joined[i] = -1
    for n in range(state.living_count):
        track = tracks[living[n]]
        expected[0, n] = track.freq
        expected[1, n] = (frame - track.last) * track.slope
    # Filled up to a multiple of eight by what lies nowhere, or the last few would be taken singly.
    peak_room, room = (count + 7) // 8 * 8, (state.living_count + 7) // 8 * 8
    peaks[0, count:peak_room] = np.inf
    expected[0, state.living_count : room] = np.inf
    expected[1, state.living_count : room] = 0.0
    freq, drift = expected[0, :room], expected[1, :room]
    # A second round if any track lost a peak to a nearer one: it may find another.
    lost = 1
    for _ in range(2):
        if lost == 0 or count == 0:
            break
        lost = 0
        for n in range(state.living_count):
            t = living[n]
            if tracks[t].last == frame:
                continue
            gap = frame - tracks[t].last
            # A newborn track has no slope yet, and a fast sweep leaves it far behind.
            reach = setup.link_bins if tracks[t].count > 1 else setup.first_link_bins
            i = _nearest_peak(freq[n] + drift[n], peaks[0, :peak_room], joined, reach)
            if i < 0:
                continue
            away = abs(peaks[0, i] - (freq[n] + drift[n]))
            if _other_is_nearer(n, peaks[0, i], away, freq, drift):
                lost += 1
                continue
            freq[n] = np.inf  # it expects nothing any more
            joined[i] = t
            tracks[t].last = frame
            tracks[t].roughness += 0.3 * (away - tracks[t].roughness)
            slope = (peaks[0, i] - tracks[t].freq) / gap
            share = 0.5 if tracks[t].count > 1 else 0.7
            tracks[t].slope += share * (slope - tracks[t].slope)
            tracks[t].freq = peaks[0, i]
            tracks[t].power = peaks[2, i]
            tracks[t].count += 1


@noalloc
def _nearest_peak(freq: float, peaks: Any, joined: Any, reach: float) -> int:
    """The nearest of the peaks at those frequencies, in order, that has no track yet."""
    best = -1
    first = 0
    for i in range(peaks.size):  # vectorised: most lie farther below than that
        first += peaks[i] < freq - reach - 0.5
    for i in range(first, peaks.size):
        away = abs(peaks[i] - freq)
        if away < reach and joined[i] < 0:
            reach = away
            best = i
        elif peaks[i] - freq >= reach:
            break
    return best


@noalloc
def _other_is_nearer(own: int, peak: float, away: float, freq: Any, drift: Any) -> bool:
    """Whether a track other than `own` expects its next point nearer to `peak` than `away`.

    A loop without branches, so vectorised.
    """
    nearer = 0
    for n in range(freq.size):
        nearer += abs(peak - freq[n] - drift[n]) < away
    return bool(nearer > (abs(peak - freq[own] - drift[own]) < away))


@noalloc
def add_points(frame: int, peaks: Any, count: int, joined: Any, state: Any) -> None:
    """Keep this frame's points, start a track for every peak that joined none, end others."""
    tracks, living, points = state.tracks, state.living, state.points
    for i in range(count):
        t = joined[i]
        if t < 0:
            if peaks[3, i] == 0.0:
                continue
            t = _start_track(frame, peaks[0, i], peaks[2, i], state)
            if t < 0:
                continue
            joined[i] = t
        here = state.point_count % MOST_POINTS
        state.point_count += 1
        points[here].frame = frame
        points[here].freq = peaks[0, i]
        points[here].level_db = peaks[1, i]
        points[here].before = tracks[t].head
        tracks[t].head = here
    kept = 0
    for n in range(state.living_count):
        t = living[n]
        if frame - tracks[t].last > MOST_MISSES:
            tracks[t].alive = 0
            if tracks[t].group < 0:
                free(t, state)
        else:
            living[kept] = t
            kept += 1
    state.living_count = kept


@noalloc
def free(t: int, state: Any) -> None:
    """Leave the slot of a track to another."""
    state.tracks[t].group = FREE
    state.first_free = min(state.first_free, t)


@noalloc
def _start_track(frame: int, freq: float, power: float, state: Any) -> int:
    """Start a track in the first free slot; -1 where there is no room."""
    for t in range(state.first_free, MOST_TRACKS):
        track = state.tracks[t]
        if track.group == FREE:
            track.freq = freq
            track.slope = 0.0
            track.power = power
            track.born = frame
            track.last = frame
            track.count = 1
            track.alive = 1
            track.roughness = 0.3
            track.group = UNGROUPED
            track.head = -1
            track.sweep_points = 0
            track.sweep_born = frame
            track.sweep_slope = 0.0
            track.reported = 0
            state.living[state.living_count] = t
            state.living_count += 1
            state.first_free = t + 1
            return t
    state.first_free = MOST_TRACKS
    return -1

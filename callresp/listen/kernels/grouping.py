"""Grouping: which partials and bands belong to one note.

Goal
----
A stack of harmonics is one note, two birds at once are two, and a harsh call
with a hundred brief peaks is one again.

Conventions
-----------
- A broadband onset opens a group that owns the bands which rose, or renews a
  broadband group that has just sunk. After `CLASSIFY_AFTER` frames it is
  classified: tonal, where smooth partials hold most of its power (it then keeps
  the partials of one fundamental and gives its bands back), else noisy (it keeps
  the bands, and whatever partial starts within them).
- A partial born elsewhere joins a group that it is harmonic to, or opens a group
  of its own. One that begins amid a broadband sound stays ungrouped until it has
  shown that it is no part of that.
- A group closes when nothing of it has sounded for `HANG` frames.

Thresholds are ratios of power, since all this runs at every frame.

Source: Bregman (1990), Auditory Scene Analysis, MIT Press: common onset and
harmonicity bind partials into one event.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels import f0, onsets
from callresp.listen.kernels._jit import inner, noalloc
from callresp.listen.kernels.layout import (
    BAND_BINS,
    HANN_SUM,
    MOST_GROUPS,
    MOST_TRACKS,
    NOISY,
    NOT_YET,
    REPORTED,
    TONAL,
    UNDECIDED,
    UNGROUPED,
)

# Groups: times in frames.
TOGETHER = 5  # onsets this near are one
CLASSIFY_AFTER = 6
HANG = 8
REFRACTORY = 9  # between broadband onsets
YOUNG = 36  # for which a broadband sound may still spread to more bands
SUNK = 10**-0.6  # 6 dB below its peak
FADED = 10**-3.0  # 30 dB below its peak a group no longer sounds
SOUNDING_SNR = 10**0.6  # 6 dB
TONAL_SHARE = 0.5

# Partials that seek a group.
PROVED = 3  # points
APART = 9  # points by which a tone amid a broadband sound has shown itself apart from it
HIGHEST_HARMONIC = 8
SAME_BINS = 1.5  # from a tone: the same; a rough partial is part of its skirts a little farther
SKIRT_BINS = 4.0
LATE = 4  # frames after a noisy sound in which what begins still belongs to it
PART_OF_NOISY = 10**-1.2  # as faint as this beside a noisy sound, or a stack: part of it
PART_OF_STACK = 10**-2.0
OVERTONE = 10**-0.8  # late partials as faint as this are overtones


@noalloc
def open_group(frame: int, kind: int, state: Any) -> int:
    """Open a group; -1 where there is no room."""
    for g in range(MOST_GROUPS):
        group = state.groups[g]
        if group.live:
            continue
        group.live = 1
        group.reported = NOT_YET
        group.roughness = 0.0
        group.number = state.group_count
        state.group_count += 1
        group.kind = kind
        group.broadband = 0
        group.onset = frame
        group.last = frame
        group.last_in_bands = frame
        group.renewed = frame
        group.attack = frame
        group.f0 = 0.0
        group.peak = 0.0
        group.dip = 0.0
        group.crest = 0.0
        group.trough = 0.0
        group.power = 0.0
        group.power_before = 0.0
        for b in range(group.owned.size):
            group.owned[b] = 0
        state.open[state.open_count] = g
        state.open_count += 1
        return g
    return -1


@noalloc
def forget_closed(state: Any) -> None:
    """Drop closed groups from the list of open ones."""
    kept = 0
    for n in range(state.open_count):
        g = state.open[n]
        if state.groups[g].live:
            state.open[kept] = g
            kept += 1
    state.open_count = kept


@noalloc
def take_broadband_onset(
    frame: int, rising: int, rises: Any, state: Any, setup: Any, out: Any
) -> None:
    """Open a broadband group where enough bands rise, or renew one that is there."""
    if rising < setup.rising_bands or frame - state.last_broadband < REFRACTORY:
        return
    g = _renewable(frame, state)
    if g < 0:
        g = open_group(frame, UNDECIDED, state)
        if g < 0:
            return
    state.last_broadband = frame
    group = state.groups[g]
    group.broadband = 1
    group.renewed = frame
    group.kind = UNDECIDED
    group.last = frame
    _take_bands(g, rises, state)
    for n in range(state.open_count):
        other = state.open[n]
        young = frame - state.groups[other].onset <= TOGETHER
        if other == g or not young or state.groups[other].kind != TONAL:
            continue
        # What began just before as a tone was the first sign of this.
        state.groups[other].live = 0
        if state.groups[other].reported == REPORTED and onsets.move_onset(
            state.groups[other].number, group.number, out
        ):
            group.reported = REPORTED
        for t in range(MOST_TRACKS):
            if state.tracks[t].group == other:
                state.tracks[t].group = g
    forget_closed(state)


@noalloc
def _renewable(frame: int, state: Any) -> int:
    """The broadband group that a new broadband onset belongs to, or -1."""
    best = -1
    most = 0.0
    for n in range(state.open_count):
        g = state.open[n]
        group = state.groups[g]
        if not group.broadband or frame - group.last > HANG:
            continue
        sunk = group.dip < group.peak * SUNK
        young = frame - group.onset < YOUNG
        if (sunk or young or group.kind != TONAL) and group.peak >= most:
            best = g
            most = group.peak
    return best


@noalloc
def _take_bands(g: int, rises: Any, state: Any) -> None:
    """Give the bands that rise to group `g`, from whichever group owned them."""
    for b in range(rises.size):
        if rises[b]:
            for n in range(state.open_count):
                state.groups[state.open[n]].owned[b] = 0
            state.groups[g].owned[b] = 1


@noalloc
def follow_broadband(frame: int, rises: Any, band_snr: Any, band_power: Any, state: Any) -> None:
    """Power of the groups that own bands, and whether they still sound."""
    for n in range(state.open_count):
        g = state.open[n]
        group = state.groups[g]
        group.power = 0.0
        if group.kind == TONAL:
            continue
        if frame - group.renewed <= TOGETHER:
            _take_bands(g, rises, state)
        power, sounding, owned = _own_power(group, band_power, band_snr)
        group.power = power
        if owned and sounding >= max(2, owned // 4) and power > group.peak * FADED:
            group.last = frame
            group.last_in_bands = frame


@noalloc
def _own_power(group: Any, band_power: Any, band_snr: Any) -> tuple[float, int, int]:
    """Power in the bands of a group, how many of them sound, how many there are."""
    power = 0.0
    sounding = 0
    owned = 0
    for b in range(band_power.size):
        owned += group.owned[b]
        sounding += group.owned[b] & (band_snr[b] > SOUNDING_SNR)
    if owned:
        for b in range(band_power.size):
            power += band_power[b] if group.owned[b] else 0.0
    return power, sounding, owned


@noalloc
def classify(frame: int, band_power: Any, band_snr: Any, state: Any) -> None:
    """Tell which broadband onsets were those of a stack of harmonics, and which of noise."""
    for n in range(state.open_count):
        g = state.open[n]
        group = state.groups[g]
        if group.kind == UNDECIDED and frame - group.renewed >= CLASSIFY_AFTER:
            _classify_group(g, frame, band_power, band_snr, state)


@inner
def _classify_group(g: int, frame: int, band_power: Any, band_snr: Any, state: Any) -> None:
    group = state.groups[g]
    freq = np.empty(MOST_TRACKS)
    power = np.empty(MOST_TRACKS)
    smooth = np.empty(MOST_TRACKS, np.uint8)
    tonal = 0.0
    count = 0
    for n in range(state.living_count):
        track = state.tracks[state.living[n]]
        if track.group == g and track.last >= frame - 1 and track.count >= 4:
            freq[count] = track.freq
            power[count] = track.power
            smooth[count] = track.roughness < onsets.TONE_ROUGHNESS
            if smooth[count]:
                tonal += HANN_SUM * track.power
            count += 1
    whole, _, _ = _own_power(group, band_power, band_snr)
    group.kind = NOISY
    if tonal > TONAL_SHARE * whole:
        found = f0.fundamental(freq[:count], power[:count], smooth[:count], 2.0, 3)
        if found > 0.0:
            group.kind = TONAL
            group.f0 = found
            for b in range(group.owned.size):
                group.owned[b] = 0


@noalloc
def follow_f0(frame: int, state: Any) -> None:
    """Fit the fundamental of every tonal group to its partials (least squares)."""
    for n in range(state.open_count):
        state.groups[state.open[n]].fit_below = 0.0
        state.groups[state.open[n]].fit_above = 0.0
    for n in range(state.living_count):
        track = state.tracks[state.living[n]]
        if track.group < 0 or track.last != frame:
            continue
        group = state.groups[track.group]
        if group.kind == TONAL and group.f0 > 0.0:
            order = max(1.0, np.floor(track.freq / group.f0 + 0.5))
            weight = np.sqrt(track.power)
            group.fit_above += weight * order * track.freq
            group.fit_below += weight * order * order
    for n in range(state.open_count):
        group = state.groups[state.open[n]]
        if group.fit_below > 0.0:
            group.f0 = group.fit_above / group.fit_below


@noalloc
def follow_power(frame: int, state: Any, setup: Any, out: Any) -> None:
    """Follow the power of every group through its peaks and dips; report its new attacks."""
    for n in range(state.open_count):
        state.groups[state.open[n]].loudest = 0.0
    for n in range(state.living_count):
        track = state.tracks[state.living[n]]
        if track.group >= 0 and track.last == frame:
            group = state.groups[track.group]
            if group.kind == TONAL:
                group.power += HANN_SUM * track.power
            if track.power > group.loudest:
                group.loudest = track.power
                group.roughness = track.roughness
    for n in range(state.open_count):
        group = state.groups[state.open[n]]
        # A partial may be missed for one frame; that is no dip.
        power = max(group.power, group.power_before)
        group.power_before = group.power
        if power > group.peak:
            group.peak = power
            group.dip = power
        group.dip = min(group.dip, power)
        depth = setup.split_noisy_ratio if group.broadband else setup.split_ratio
        rise = max(group.dip * depth, group.peak * onsets.NEAR_CREST)
        if power > 0.0 and power >= rise and group.peak >= group.dip * depth:
            group.peak = power
            group.dip = power
        onsets.follow_attack(state.open[n], power, depth, frame, state, setup, out)


@noalloc
def assign_partials(frame: int, state: Any, setup: Any) -> None:
    """Give every partial that has proved itself to a group."""
    for n in range(state.living_count):
        track = state.tracks[state.living[n]]
        if track.group == UNGROUPED and track.count >= PROVED:
            g = _group_for(track, state, setup)
            if g < 0:
                if _in_doubt(track, state):
                    continue
                g = open_group(track.born, TONAL, state)
                if g < 0:
                    continue
                state.groups[g].f0 = track.freq
            elif state.groups[g].kind == TONAL and track.freq < 0.75 * state.groups[g].f0:
                state.groups[g].f0 = track.freq
            track.group = g
        if track.group >= 0 and track.last == frame:
            state.groups[track.group].last = frame


@noalloc
def _group_for(track: Any, state: Any, setup: Any) -> int:
    """The open group that a partial belongs to, or -1."""
    band = int((track.freq - setup.low) / BAND_BINS)
    for n in range(state.open_count):
        group = state.groups[state.open[n]]
        if group.kind == TONAL or not _born_within(track, group, group.last_in_bands + LATE):
            continue
        for b in range(max(0, band - 1), min(setup.bands, band + 2)):
            if group.owned[b]:
                return int(state.open[n])
    for n in range(state.open_count):
        group = state.groups[state.open[n]]
        if group.broadband and _born_within(track, group, group.last + 1):
            below = PART_OF_STACK if group.kind == TONAL else PART_OF_NOISY
            if track.power < group.peak * below:
                return int(state.open[n])
    for n in range(state.open_count):
        group = state.groups[state.open[n]]
        if group.kind == TONAL and group.f0 > 0.0 and _is_harmonic(track, group):
            return int(state.open[n])
    return -1


@noalloc
def _born_within(track: Any, group: Any, until: int) -> bool:
    return bool(group.onset - TOGETHER <= track.born <= until)


@noalloc
def _is_harmonic(track: Any, group: Any) -> bool:
    """Whether a partial is a harmonic of a tonal group, or its true fundamental."""
    together = abs(track.born - group.onset) <= TOGETHER
    if track.freq < 0.75 * group.f0:
        ratio = group.f0 / track.freq
        n = math.floor(ratio + 0.5)
        return together and 2 <= n <= 4 and abs(ratio - n) < 0.012 * n
    ratio = track.freq / group.f0
    n = math.floor(ratio + 0.5)
    if n == 1:
        rough = track.roughness > onsets.TONE_ROUGHNESS
        return bool(abs(track.freq - group.f0) < (SKIRT_BINS if rough else SAME_BINS))
    if n > HIGHEST_HARMONIC or abs(ratio - n) > 0.012 * n + 0.3 / group.f0:
        return False
    return bool(together or track.power < group.peak * OVERTONE)


@noalloc
def _in_doubt(track: Any, state: Any) -> bool:
    """Whether a partial begins amid a broadband sound and has not shown itself apart from it."""
    for n in range(state.open_count):
        group = state.groups[state.open[n]]
        if group.broadband and _born_within(track, group, group.last + 1):
            return bool(track.count < APART or track.roughness > onsets.TONE_ROUGHNESS)
    return False

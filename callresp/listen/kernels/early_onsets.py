"""Early onsets: partials that stand clear before a group has taken them.

Goal
----
A tone that begins amid a broadband sound stays ungrouped until it has shown
itself apart from it, which takes some 25 ms. Where it stands clear of the noise
floor meanwhile, its onset is reported under a number of its own, which is moved
to its group once it has one.

A note that sweeps through three kilohertz in 25 ms leaves its partial farther
behind at each frame than the track can follow, and would be reported when it is
nearly over. Its pieces continue in one direction, each from where the last broke
off; together they prove the sweep while none of them does.

Conventions
-----------
A piece continues an earlier one that no group has taken yet. It inherits the
number of points and the birth of the whole sweep, and the number under which it
was reported.
"""

from __future__ import annotations

import math
from typing import Any

from callresp.listen.kernels import cfar, crackle, reverberation
from callresp.listen.kernels._jit import noalloc
from callresp.listen.kernels.grouping import PROVED, TOGETHER
from callresp.listen.kernels.layout import NOT_YET, REPORTED, UNGROUPED
from callresp.listen.kernels.onsets import (
    TONE_ROUGHNESS,
    expected_snr_db,
    move_onset,
    write_onset,
)

SAME_ATTACK = 2  # frames
SWEEP_BINS = 8.0  # that a sweep moves in a frame at most
SWEEP_GAP = 2  # frames
SWEEP_POINTS = 4  # that prove it
SWEEP_OVER_DB = 6.0  # over a note's least SNR: chance peaks lie about everywhere below


@noalloc
def report(frame: int, state: Any, spec: Any, setup: Any, out: Any) -> None:
    """Report ungrouped partials that stand clear, and move onsets to groups that were found."""
    for n in range(state.living_count):
        track = state.tracks[state.living[n]]
        if track.born == frame:
            _continue_sweep(track, frame, state)
        if track.reported:
            g = track.group if track.group >= 0 else _unreported_attack(track, state)
            if g >= 0:
                _move(track, state.groups[g], out)
        elif track.last == frame and track.group == UNGROUPED:
            if track.count >= PROVED:
                if _stands_clear(track, frame, state, spec, setup):
                    _report_track(track, track.born, state, out)
            elif _proves_sweep(track, state, spec.floor, setup):
                _report_track(track, track.sweep_born, state, out)


@noalloc
def _stands_clear(track: Any, frame: int, state: Any, spec: Any, setup: Any) -> bool:
    """Whether a partial stands clear, and is no part of an attack that has been reported."""
    snr_db = expected_snr_db(track, state.points, spec.floor)
    if snr_db < setup.note_db:
        return False
    for n in range(state.open_count):
        group = state.groups[state.open[n]]
        together = abs(track.born - group.renewed) <= SAME_ATTACK
        if group.broadband and group.reported == REPORTED and together:
            return False
    if reverberation.may_be_tail(track.freq, track.power, track.born, spec, setup):
        return False
    tone = track.roughness <= TONE_ROUGHNESS and crackle.lasts(track.count, setup)
    if not tone and snr_db < crackle.asked_db(track.born, frame, state, setup):
        return False
    excess_db = cfar.excess_db(track.born - cfar.BEFORE, frame, track.freq, spec, setup)
    return bool(snr_db - excess_db >= setup.note_db)


@noalloc
def _report_track(track: Any, onset: int, state: Any, out: Any) -> None:
    number, freq = state.group_count, track.freq
    if write_onset(onset, number, freq, freq, freq, 10.0 * math.log10(track.power), out):
        state.group_count += 1
        track.reported = number + 1


@noalloc
def _unreported_attack(track: Any, state: Any) -> int:
    """The broadband group, not reported yet, that turned out to begin with a partial; or -1."""
    for n in range(state.open_count):
        group = state.groups[state.open[n]]
        together = abs(track.sweep_born - group.renewed) <= TOGETHER
        if group.broadband and group.reported == NOT_YET and together:
            return int(state.open[n])
    return -1


@noalloc
def _move(track: Any, group: Any, out: Any) -> None:
    if not move_onset(track.reported - 1, group.number, out):
        return
    track.reported = 0
    if min(abs(track.born - group.onset), abs(track.sweep_born - group.onset)) <= TOGETHER:
        group.reported = REPORTED


@noalloc
def _continue_sweep(track: Any, frame: int, state: Any) -> None:
    """Let a partial born in this frame continue the sweep that broke off nearest to it."""
    best = -1
    nearest = SWEEP_BINS
    for n in range(state.living_count):
        other = state.tracks[state.living[n]]
        gap = frame - other.last
        free = other.group == UNGROUPED and other.sweep_points >= 0
        if not free or gap < 1 or gap > SWEEP_GAP:
            continue
        slope = (track.freq - other.freq) / gap
        direction = other.slope if other.count > 1 else other.sweep_slope
        if abs(slope) < nearest and slope * direction >= 0.0:
            nearest = abs(slope)
            best = state.living[n]
    if best < 0:
        return
    other = state.tracks[best]
    track.sweep_slope = (track.freq - other.freq) / (frame - other.last)
    track.sweep_points = other.sweep_points + other.count
    track.sweep_born = other.sweep_born
    track.reported = other.reported
    # It is continued once only.
    other.sweep_points = -1
    other.reported = 0


@noalloc
def _proves_sweep(track: Any, state: Any, floor: Any, setup: Any) -> bool:
    """Whether a piece proves its sweep: far over the noise floor, amid no broadband sound."""
    if track.sweep_points <= 0 or track.sweep_points + track.count < SWEEP_POINTS:
        return False
    if expected_snr_db(track, state.points, floor) < setup.note_db + SWEEP_OVER_DB:
        return False
    broadband = 0
    for n in range(state.open_count):
        broadband += state.groups[state.open[n]].broadband
    return bool(broadband == 0)

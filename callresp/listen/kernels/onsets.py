"""Onsets reported at once, for those who reply while it happens.

Goal
----
A listener at a microphone can't wait for the end of a note to say that one has
begun. A group's onset is reported in the first frame in which it stands clear
of the noise floor and of whatever gust lifts its surroundings. Within a group
that has been reported each new attack is reported again: a drummer's strokes
and the notes of a trill come faster than groups close. Partials that no group
has taken yet are the matter of `callresp.listen.kernels.early_onsets`.

Conventions
-----------
- The thresholds are those by which the finished note will be judged
  (`callresp.listen.kernels.note_formation`), so that few onsets come to nothing.
- For attacks, a group's power is followed through its crest and the trough after
  it. A new attack rises out of a trough as deep as that at which the finished
  group will be split into notes, and comes near the crest before it, even if no
  higher. Attacks closer than `FUSED` are one rough sound.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels import cfar, crackle, envelope, reverberation
from callresp.listen.kernels._jit import inner, noalloc
from callresp.listen.kernels.layout import COVERED, HANN_SUM, REPORTED, TONAL

# A sine's mean power over three bins of a Hann window, over that of its peak bin.
HANN_MEAN = 0.5
# A level in noise wavers: where its mean over some points lies this near below the threshold, it
# will pass it sooner or later.
STEADY_POINTS = 4
STEADY_DB = 1.0
STEADY_ROUGHNESS = 0.3  # bins, of a partial whose mean is taken
BROADBAND_AGE = 1  # frames before a broadband onset is judged

TONE_ROUGHNESS = 0.22  # bins: a rougher partial is no tone
FRAGMENT_GAP = 4  # frames, and the frequencies of the pieces of one rough sound, as in fragments
FRAGMENT_OCTAVE = 2.3
SMOOTH_POINTS = 9  # by which a tone amid them has shown itself smooth
FUSED = 11  # frames
NEAR_CREST = 10**-1.5  # 15 dB
NEAR_CREST_TONE = 10**-0.8  # 8 dB: reverberation beats, too


@noalloc
def report(
    frame: int, band_snr: Any, band_power: Any, state: Any, spec: Any, setup: Any, out: Any
) -> None:
    """Report each group that stands clear for the first time."""
    for n in range(state.open_count):
        g = state.open[n]
        group = state.groups[g]
        if group.reported == REPORTED:
            continue
        if group.kind == TONAL:
            _report_tonal(g, frame, state, spec, setup, out)
        elif frame - group.onset >= BROADBAND_AGE:
            _report_broadband(group, frame, band_snr, band_power, state, setup, out)


@noalloc
def _report_tonal(g: int, frame: int, state: Any, spec: Any, setup: Any, out: Any) -> None:
    snr_db = -300.0
    power = 0.0
    freq = 0.0
    count = 0
    for n in range(state.living_count):
        track = state.tracks[state.living[n]]
        if track.group == g and track.last == frame:
            snr_db = max(snr_db, expected_snr_db(track, state.points, spec.floor))
            if track.power > power:
                power = track.power
                freq = track.freq
                count = track.count
    if snr_db < setup.note_db:
        return
    group = state.groups[g]
    before = group.onset - cfar.BEFORE
    if snr_db - cfar.excess_db(before, frame, freq, spec, setup) < setup.note_db:
        return
    if reverberation.may_be_tail(freq, power, group.onset, spec, setup):
        return
    tone = group.roughness <= TONE_ROUGHNESS and crackle.lasts(count, setup)
    if not tone and snr_db < crackle.asked_db(group.onset, frame, state, setup):
        return
    beside = _rough_beside(g, frame, state)
    doubtful = group.roughness > TONE_ROUGHNESS or (beside > 1 and count < SMOOTH_POINTS)
    if beside > 0 and doubtful:
        # One more piece of a croak or a rasp that has been reported, see `fragments`.
        group.reported = COVERED
        return
    group.reported = REPORTED
    write_onset(group.onset, group.number, freq, freq, freq, 10.0 * math.log10(power), out)


@noalloc
def _rough_beside(g: int, frame: int, state: Any) -> int:
    """How many other groups of rough partials sound within an octave."""
    group = state.groups[g]
    count = 0
    for n in range(state.open_count):
        other = state.groups[state.open[n]]
        rough = other.reported == COVERED or (
            other.reported == REPORTED and other.roughness > TONE_ROUGHNESS
        )
        sounds = other.kind == TONAL and frame - other.last <= FRAGMENT_GAP
        if state.open[n] == g or not rough or not sounds or other.f0 <= 0.0:
            continue
        count += max(group.f0, other.f0) < FRAGMENT_OCTAVE * min(group.f0, other.f0)
    return count


@noalloc
def expected_snr_db(track: Any, points: Any, floor: Any) -> float:
    """SNR at which a partial will have stood at its highest, by what it shows now, dB.

    That is its SNR now, or, for a smooth one, somewhat more than its mean of late.
    """
    ratio = HANN_MEAN * track.power / (floor[int(track.freq + 0.5)] + 1e-30)
    now_db = 10.0 * math.log10(ratio + 1e-30)
    if track.count < STEADY_POINTS or track.roughness > STEADY_ROUGHNESS:
        return now_db
    level_db = 0.0
    p = track.head
    for _ in range(STEADY_POINTS):
        level_db += points[p].level_db / STEADY_POINTS
        p = points[p].before
    return max(now_db, now_db + level_db - 10.0 * math.log10(track.power + 1e-30) + STEADY_DB)


@noalloc
def _report_broadband(
    group: Any, frame: int, band_snr: Any, band_power: Any, state: Any, setup: Any, out: Any
) -> None:
    power = 0.0
    noise = 1e-30
    for b in range(band_snr.size):
        if group.owned[b]:
            power += band_power[b]
            noise += band_power[b] / band_snr[b]
    power = max(power, group.peak)
    snr_db = 10.0 * math.log10(power / noise + 1e-30)
    if snr_db < setup.note_db:
        return
    asked_db = crackle.asked_db(group.onset, frame, state, setup)
    if snr_db >= crackle.asked_of_harsh_db(asked_db, frame - group.onset, setup):
        _write_broadband(group, group.onset, power, setup, out)


@noalloc
def follow_attack(
    g: int, power: float, depth: float, frame: int, state: Any, setup: Any, out: Any
) -> None:
    """Follow the power of a group, and report the attack that it shows in this frame.

    `depth` is the ratio of powers that parts two notes.
    """
    group = state.groups[g]
    rise = group.trough * depth
    near = NEAR_CREST_TONE if group.kind == TONAL else NEAR_CREST
    if power > 0.0 and power >= rise and group.crest >= rise and power >= group.crest * near:
        if group.reported == REPORTED and frame - group.attack > FUSED:
            # The pieces of a croak waver: what rises in one again is no new croak.
            rough = group.kind == TONAL and group.roughness > TONE_ROUGHNESS
            if not (rough and _rough_beside(g, frame, state) > 0):
                _report_attack(group, frame, setup, out)
        group.attack = frame
        group.crest = power
        group.trough = power
    elif power > group.crest:
        group.crest = power
        group.trough = power
    else:
        group.trough = min(group.trough, power)


@noalloc
def _report_attack(group: Any, frame: int, setup: Any, out: Any) -> None:
    if group.kind != TONAL:
        _write_broadband(group, frame, group.power + 1e-30, setup, out)
    elif group.f0 > 0.0:
        level_db = 10.0 * math.log10(group.power + 1e-30)
        write_onset(frame, group.number, group.f0, group.f0, group.f0, level_db, out)


@inner
def _write_broadband(group: Any, frame: int, power: float, setup: Any, out: Any) -> None:
    bounds = np.array([1e9, 0.0])
    envelope.widen_to_bands(group.owned, setup, bounds)
    if bounds[1] == 0.0:
        return
    group.reported = REPORTED
    level_db = 10.0 * math.log10(power / HANN_SUM)
    write_onset(frame, group.number, 0.0, bounds[0], bounds[1], level_db, out)


@noalloc
def write_onset(
    frame: int, group: int, freq: float, low: float, high: float, level_db: float, out: Any
) -> bool:
    """Write an onset under the number of a group; False where there is no room."""
    if out.onset_count >= len(out.onsets):
        return False
    row = out.onsets[out.onset_count]
    row.frame = frame
    row.group = group
    row.moved_from = -1
    row.freq = freq
    row.low = low
    row.high = high
    row.level_db = level_db
    out.onset_count += 1
    return True


@noalloc
def move_onset(moved_from: int, group: int, out: Any) -> bool:
    """Write that what was reported under one number belongs to another group now."""
    if out.onset_count >= len(out.onsets):
        return False
    row = out.onsets[out.onset_count]
    row.group = group
    row.moved_from = moved_from
    out.onset_count += 1
    return True

"""From a closed group to its notes."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen import edges, gather, tone
from callresp.listen.compiled import kernel
from callresp.listen.state import FRAME, NOTE_POINTS, NOTES, RING

CLEARLY_DB = 12.0


@kernel
def finish_group(g: int, state: Any, setup: Any, out: Any) -> None:
    """Write the notes of group `g` and free its partials."""
    groups = state.groups
    slots = gather.members(g, state.tracks)
    first = max(groups.onset[g] - gather.BEFORE, 0, state.clock[FRAME] - RING + 2)
    frames = int(min(groups.last[g] + gather.AFTER, state.clock[FRAME]) - first + 1)
    if frames > 2:
        place, level = gather.lay_out(slots, first, frames, state.tracks, state.points)
        total, noise = gather.envelope(
            groups.own[g], place, first, setup, state.rings.power, state.floor
        )
        shape, base = edges.in_db(total, noise)
        deep = setup.part_db if groups.wide[g] else setup.split_db
        least_wide = int(0.014 * setup.frames_per_s) if groups.wide[g] else 2
        parts = edges.dips(shape, deep, least_wide, int(0.025 * setup.frames_per_s))
        for n in range(parts.size - 1):
            _write(g, parts[n], parts[n + 1], first, shape, base, place, level, state, setup, out)
    for i in range(slots.size):
        state.tracks.group[slots[i]] = -2 if not state.tracks.alive[slots[i]] else -1
    groups.live[g] = 0


@kernel
def _write(
    g: int,
    start: int,
    end: int,
    first: int,
    shape: Any,
    base: float,
    place: Any,
    level: Any,
    state: Any,
    setup: Any,
    out: Any,
) -> None:
    onset, offset, top = edges.cross(shape, start, end, base, int(0.025 * setup.frames_per_s))
    length = offset - onset
    if shape[top] - base < CLEARLY_DB or length < setup.shortest:
        return
    a, b = int(math.ceil(onset)), int(offset) + 1
    count, mean, power, rough = tone.summarise(place, level, a, b)
    use = np.zeros(mean.size, np.uint8)
    tonal = 0.0
    everything = 1e-30
    for i in range(mean.size):
        if count[i] >= 4:
            share = math.exp(-((rough[i] / 0.6) ** 2))
            if share > 0.3:
                use[i] = 1
                tonal += power[i] * share
    low = 1e9
    high = 0.0
    for i in range(mean.size):
        everything += power[i]
        if count[i]:
            low = min(low, mean[i])
            high = max(high, mean[i])
    for band in range(setup.bands):
        if groups_own(state, g, band):
            low = min(low, setup.low + band * setup.band_bins)
            high = max(high, setup.low + (band + 1) * setup.band_bins)
    sums = 0.0
    for at in range(a, min(b, shape.size)):
        sums += 10.0 ** (0.1 * shape[at])
    n = state.clock[NOTES]
    if n >= len(out.notes):
        return
    row = out.notes[n]
    pitch = np.full(max(1, b - a), np.nan)
    f0 = tone.fundamental(mean, power, use, 200.0 / setup.bin_hz)
    tonality = min(1.0, tonal / everything)
    row.pitch_hz = np.nan
    row.first = state.clock[NOTE_POINTS]
    row.points = 0
    if f0 > 0 and tonality >= setup.least_tonality:
        tone.follow_pitch(f0, place, level, mean, use, a, b, pitch)
        row.points = _write_track(first + a, pitch, shape[a:b], setup, state, out)
        row.pitch_hz = np.nanmedian(pitch) * setup.bin_hz
    row.onset_s = (first + onset) / setup.frames_per_s
    row.offset_s = (first + offset) / setup.frames_per_s
    row.level_db = 10.0 * math.log10(sums / max(1, b - a))
    row.snr_db = shape[top] - base
    row.low_hz = low * setup.bin_hz
    row.high_hz = high * setup.bin_hz
    row.tonality = tonality
    row.voice = 0
    row.phrase = 0
    state.clock[NOTES] += 1


@kernel
def groups_own(state: Any, g: int, band: int) -> bool:
    return state.groups.own[g, band] != 0


@kernel
def _write_track(frame: int, pitch: Any, level: Any, setup: Any, state: Any, out: Any) -> int:
    n = 0
    for i in range(pitch.size):
        at = state.clock[NOTE_POINTS]
        if math.isnan(pitch[i]) or at >= len(out.track) or i >= level.size:
            continue
        out.track[at].at_s = (frame + i) / setup.frames_per_s
        out.track[at].pitch_hz = pitch[i] * setup.bin_hz
        out.track[at].level_db = level[i]
        state.clock[NOTE_POINTS] += 1
        n += 1
    return n

"""Tidying: what the neighbours of a note tell about it.

Goal
----
A breath between two loud notes, the echo of a shout, a second reading of the
same event: each looks like a note by itself, and is none beside its
neighbours.

Conventions
-----------
A finished note waits a little (offline 0.3 s, online hardly at all) so that
its neighbours are known, and is then given out or left out.

Source: that brief faint sounds just before and after a loud one go unheard is
temporal masking (Zwicker & Fastl, Psychoacoustics, Springer, chapter 4); the
times and levels here are our own.
"""

from __future__ import annotations

from typing import Any

from callresp.listen.kernels import fragments
from callresp.listen.kernels._jit import inner
from callresp.listen.kernels.layout import (
    BESIDE,
    INSIDE,
    LEFT_OUT,
    MOST_LEFT,
    NEXT_DUE,
    NOTE_POINTS,
    NOTES,
    TAIL,
    TWIN,
    WAITING_ROOM,
)
from callresp.listen.kernels.reverberation import TAIL_BINS, TAIL_DB, TAIL_DB_S, TAIL_S

BESIDE_S = 0.2
BRIEF_MS = 12.0
SAME_S = 0.012
END_S = 0.02
SHADOW_DB = 15.0
SKIRT_BINS = 4.0
FORGET_S = 1.0
BEGUN_S = 0.02  # before a tail begins what it is the tail of


@inner
def give_out(frame: int, state: Any, setup: Any, out: Any) -> None:
    """Give out the notes that are due by `frame`."""
    if frame < state.clock[NEXT_DUE]:
        return
    state.clock[NEXT_DUE] = 1 << 62
    for n in range(WAITING_ROOM):
        extra = state.waiting[n]
        if extra.used == 1 and extra.due <= frame:
            reason = _explained(n, state, setup)
            if reason == 0:
                _write(n, state, out)
            else:
                note, per_s = state.waiting_notes[n], setup.frames_per_s
                note_down(
                    reason,
                    note.onset_s * per_s,
                    note.offset_s * per_s,
                    note.low_hz / setup.bin_hz,
                    note.high_hz / setup.bin_hz,
                    note.snr_db,
                    state,
                )
            extra.used = 2
        elif extra.used == 2 and frame - extra.due > FORGET_S * setup.frames_per_s:
            extra.used = 0
        elif extra.used == 1:
            state.clock[NEXT_DUE] = min(state.clock[NEXT_DUE], extra.due)


@inner
def note_down(
    reason: int, onset: float, offset: float, low: float, high: float, over_db: float, state: Any
) -> None:
    """Keep what was left out: frames, bins, dB over the floor, and why."""
    row = state.left[state.clock[LEFT_OUT] % MOST_LEFT]
    row.onset = onset
    row.offset = offset
    row.low = low
    row.high = high
    row.snr_db = over_db
    row.reason = reason
    state.clock[LEFT_OUT] += 1


@inner
def _explained(n: int, state: Any, setup: Any) -> int:
    """Why a neighbour explains note `n` away, or 0."""
    for m in range(WAITING_ROOM):
        if m != n and state.waiting[m].used:
            reason = _explains(m, n, state, setup)
            if reason:
                return reason
    return 0


@inner
def _explains(m: int, n: int, state: Any, setup: Any) -> int:
    note, other = state.waiting_notes[n], state.waiting_notes[m]
    mine, its = state.waiting[n], state.waiting[m]
    parted = mine.number == its.number
    if parted and not note.pitch_hz > 0.0 and _skirts(note, other, setup.bin_hz):
        return INSIDE
    louder = its.peak_db - mine.peak_db
    if louder <= 0.0:
        return 0
    if not mine.wide and fragments.is_of(note, other, its):
        return INSIDE
    shared = fragments.shared_s(note, other)
    if (
        mine.solid_ms < BRIEF_MS
        and note.tonality < 0.5
        and shared > -BESIDE_S
        and louder > setup.faint_db
        and its.solid_ms > 1.5 * mine.solid_ms
    ):
        return BESIDE
    if _tails(note, other, louder, state.waiting_features[m], setup.bin_hz):
        return TAIL
    if parted and (mine.wide or other.pitch_hz > 0.0):
        # What was parted for good reasons is not one sound again.
        return 0
    if _twins(note, other):
        return TWIN
    if not its.wide:
        return 0
    mostly = shared > 0.7 * (note.offset_s - note.onset_s)
    same_start = abs(note.onset_s - other.onset_s) < SAME_S
    if mostly and same_start and mine.wide:
        return INSIDE
    return INSIDE if mostly and louder > SHADOW_DB and note.tonality < 0.5 else 0


@inner
def _skirts(note: Any, other: Any, bin_hz: float) -> bool:
    """Whether all that a tone left of the sound about it lies in the tone's own skirts."""
    skirt = SKIRT_BINS * bin_hz
    return bool(
        fragments.shared_s(note, other) > 0.5 * (note.offset_s - note.onset_s)
        and note.low_hz >= other.pitch_hz - skirt
        and note.high_hz <= other.pitch_hz + skirt
    )


@inner
def _tails(note: Any, other: Any, louder: float, its: Any, bin_hz: float) -> bool:
    """Whether a note is what the place rings on with after a louder one of the same pitch."""
    after_s = note.onset_s - other.offset_s
    if after_s > TAIL_S or note.onset_s < other.onset_s + BEGUN_S:
        return False
    if not (note.pitch_hz > 0.0 and other.pitch_hz > 0.0):
        return False
    if louder < TAIL_DB + TAIL_DB_S * max(0.0, after_s):
        return False
    room = TAIL_BINS * bin_hz
    return bool(its.lowest_hz - room <= note.pitch_hz <= its.highest_hz + room)


@inner
def _twins(note: Any, other: Any) -> bool:
    """Whether two notes begin and end together and are harmonics of one fundamental."""
    if abs(note.onset_s - other.onset_s) > SAME_S or abs(note.offset_s - other.offset_s) > END_S:
        return False
    if not (note.pitch_hz > 0.0 and other.pitch_hz > 0.0):
        return True
    high = max(note.pitch_hz, other.pitch_hz)
    low = min(note.pitch_hz, other.pitch_hz)
    for below in range(1, 6):
        above = round(high / low * below)
        if above <= 16 and abs(high / low * below - above) < 0.012 * above:
            return True
    return False


@inner
def _write(n: int, state: Any, out: Any) -> None:
    clock, extra = state.clock, state.waiting[n]
    at = clock[NOTES]
    if at >= len(out.notes) or clock[NOTE_POINTS] + extra.points > len(out.track):
        return
    out.notes[at] = state.waiting_notes[n]
    out.features[at] = state.waiting_features[n]
    out.numbers[at] = extra.number
    out.notes[at].first = clock[NOTE_POINTS]
    out.notes[at].points = extra.points
    for i in range(extra.points):
        row = out.track[clock[NOTE_POINTS]]
        row.at_s = extra.at_s[i]
        row.pitch_hz = extra.pitch_hz[i]
        row.level_db = extra.point_db[i]
        clock[NOTE_POINTS] += 1
    clock[NOTES] += 1

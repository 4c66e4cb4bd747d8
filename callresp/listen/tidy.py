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

from callresp.listen.compiled import inner
from callresp.listen.state import NEXT_DUE, NOTE_POINTS, NOTES, WAITING_ROOM

BESIDE_S = 0.2
BRIEF_MS = 12.0
SAME_S = 0.012
END_S = 0.02
SHADOW_DB = 15.0
FORGET_S = 1.0


@inner
def give_out(frame: int, state: Any, setup: Any, out: Any) -> None:
    """Give out the notes that are due by `frame`."""
    if frame < state.clock[NEXT_DUE]:
        return
    state.clock[NEXT_DUE] = 1 << 62
    for n in range(WAITING_ROOM):
        extra = state.waiting[n]
        if extra.used == 1 and extra.due <= frame:
            if _stands(n, state, setup):
                _write(n, state, out)
            extra.used = 2
        elif extra.used == 2 and frame - extra.due > FORGET_S * setup.frames_per_s:
            extra.used = 0
        elif extra.used == 1:
            state.clock[NEXT_DUE] = min(state.clock[NEXT_DUE], extra.due)


@inner
def _stands(n: int, state: Any, setup: Any) -> bool:
    """Whether no neighbour explains note `n` away."""
    for m in range(WAITING_ROOM):
        if m != n and state.waiting[m].used and _explains(m, n, state, setup):
            return False
    return True


@inner
def _explains(m: int, n: int, state: Any, setup: Any) -> bool:
    note, other = state.waiting_notes[n], state.waiting_notes[m]
    mine, its = state.waiting[n], state.waiting[m]
    louder = its.peak_db - mine.peak_db
    if louder <= 0.0:
        return False
    gap = max(note.onset_s - other.offset_s, other.onset_s - note.offset_s)
    if (
        mine.solid_ms < BRIEF_MS
        and note.tonality < 0.5
        and gap < BESIDE_S
        and louder > setup.faint_db
        and its.solid_ms > 1.5 * mine.solid_ms
    ):
        return True
    if _twins(note, other):
        return True
    if not its.wide:
        return False
    inside = min(note.offset_s, other.offset_s) - max(note.onset_s, other.onset_s)
    mostly = inside > 0.7 * (note.offset_s - note.onset_s)
    same_start = abs(note.onset_s - other.onset_s) < SAME_S
    if mostly and same_start and mine.wide:
        return True
    return mostly and louder > SHADOW_DB and note.tonality < 0.5


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

"""Masking: what the neighbours of a note say about it, before it is given out.

Goal
----
A breath between two loud notes, the echo of a shout, a second reading of the
same event: each looks like a note by itself, and is none beside its neighbours.

Conventions
-----------
A finished note waits a little, so that its neighbours are known, and is then
given out or left out.

Source: that brief faint sounds just before and after a loud one go unheard is
temporal masking (Zwicker & Fastl, Psychoacoustics, Springer, chapter 4); the
times and levels here are our own.
"""

from __future__ import annotations

from typing import Any

from callresp.listen.kernels import crackle, fragments, reverberation
from callresp.listen.kernels._jit import noalloc
from callresp.listen.kernels.layout import (
    CRACKLE,
    EMPTY,
    GIVEN_OUT,
    MASKED,
    MOST_PENDING,
    MOST_REJECTED,
    TAIL,
    TWIN,
    WAITING,
    WITHIN,
)

MASKING_S = 0.2  # before and after a loud note
BRIEF_MS = 12.0
SAME_ONSET_S = 0.012
SAME_OFFSET_S = 0.02
# A tone and a harsh sound that share so much of both begin within this: one call.
SAME_CALL_S = 0.025
SHARED = 0.65
SHADOW_DB = 15.0  # below a broadband sound: part of it
SKIRT_BINS = 4.0
FAINTER_DB = 3.0  # a sound in a tone's skirts may be louder by so much, and still be part of it
# What is brief has a pitch for certain if it is so clear, and comes again, as in a trill.
CLEAR_TONALITY = 0.8
SAME_PITCH = 1.04
FORGET_S = 1.0  # after which a note given out says nothing about others any more


@noalloc
def give_out(frame: int, state: Any, setup: Any, out: Any) -> None:
    """Give out, or leave out, the pending notes that are due by `frame`."""
    if frame < state.next_due:
        return
    state.next_due = 1 << 62
    for n in range(MOST_PENDING):
        pending = state.pending[n]
        if pending.status == WAITING and pending.due <= frame:
            reason = _why_none(n, state, setup)
            if reason == 0:
                _write(n, state, out)
            else:
                note, per_s = state.pending_notes[n], setup.frames_per_s
                reject(
                    reason,
                    note.onset_s * per_s,
                    note.offset_s * per_s,
                    note.low_hz / setup.bin_hz,
                    note.high_hz / setup.bin_hz,
                    note.snr_db,
                    pending.asked_db if reason == CRACKLE else setup.note_db,
                    state,
                )
            pending.status = GIVEN_OUT
        elif pending.status == GIVEN_OUT and frame - pending.due > FORGET_S * setup.frames_per_s:
            pending.status = EMPTY
        elif pending.status == WAITING:
            state.next_due = min(state.next_due, pending.due)


@noalloc
def reject(
    reason: int,
    onset: float,
    offset: float,
    low: float,
    high: float,
    snr_db: float,
    asked_db: float,
    state: Any,
) -> None:
    """Keep what was left out, in frames, bins and dB, and why."""
    row = state.rejected[state.rejected_count % MOST_REJECTED]
    row.onset = onset
    row.offset = offset
    row.low = low
    row.high = high
    row.snr_db = snr_db
    row.asked_db = asked_db
    row.reason = reason
    state.rejected_count += 1


@noalloc
def _why_none(n: int, state: Any, setup: Any) -> int:
    """Why pending note `n` is none beside any of its neighbours or amid crackle, or 0."""
    for m in range(MOST_PENDING):
        if m != n and state.pending[m].status != EMPTY:
            reason = _why_none_beside(m, n, state, setup)
            if reason:
                return reason
    note, pending = state.pending_notes[n], state.pending[n]
    length = (note.offset_s - note.onset_s) * setup.frames_per_s
    if note.pitch_hz > 0.0 and (crackle.lasts(length, setup) or _comes_again(n, state)):
        return 0
    pending.asked_db = crackle.asked_of_harsh_db(pending.asked_db, length, setup)
    return CRACKLE if note.snr_db < pending.asked_db else 0


@noalloc
def _comes_again(n: int, state: Any) -> bool:
    """Whether pending note `n` is a clear tone, and not the only one of its pitch about."""
    note = state.pending_notes[n]
    if note.tonality < CLEAR_TONALITY:
        return False
    for m in range(MOST_PENDING):
        other = state.pending_notes[m]
        near = m != n and state.pending[m].status != EMPTY
        if near and abs(other.onset_s - note.onset_s) < FORGET_S:
            ratio = other.pitch_hz / note.pitch_hz
            if 1.0 / SAME_PITCH < ratio < SAME_PITCH:
                return True
    return False


@noalloc
def _why_none_beside(m: int, n: int, state: Any, setup: Any) -> int:
    note, other = state.pending_notes[n], state.pending_notes[m]
    mine, its = state.pending[n], state.pending[m]
    same_group = mine.group == its.group
    louder_db = its.peak_db - mine.peak_db
    fainter = same_group or louder_db > -FAINTER_DB
    if fainter and not note.pitch_hz > 0.0 and _lies_in_skirts(note, other, setup.bin_hz):
        return WITHIN
    if louder_db <= 0.0:
        return 0
    if not mine.broadband and fragments.is_peak_of(note, other, its.fragments):
        return WITHIN
    shared_s = fragments.shared_s(note, other)
    if (
        mine.equivalent_ms < BRIEF_MS
        and note.tonality < 0.5
        and shared_s > -MASKING_S
        and louder_db > setup.faint_beside_loud_db
        and its.equivalent_ms > 1.5 * mine.equivalent_ms
    ):
        return MASKED
    # A tail has no attack of its own.
    if not mine.broadband and reverberation.is_tail(
        note, other, louder_db, state.pending_features[m], setup.bin_hz
    ):
        return TAIL
    if same_group and (mine.broadband or other.pitch_hz > 0.0):
        # What was split for good reasons is not one sound again.
        return 0
    if _are_twins(note, other):
        return TWIN
    if (mine.broadband or its.broadband) and _coincide(note, other):
        # A call of which one part was heard before the other.
        other.onset_s = min(other.onset_s, note.onset_s)
        return TWIN
    if not its.broadband:
        return 0
    mostly = shared_s > 0.7 * (note.offset_s - note.onset_s)
    same_onset = abs(note.onset_s - other.onset_s) < SAME_ONSET_S
    if mostly and same_onset and mine.broadband:
        return WITHIN
    return WITHIN if mostly and louder_db > SHADOW_DB and note.tonality < 0.5 else 0


@noalloc
def _lies_in_skirts(note: Any, other: Any, bin_hz: float) -> bool:
    """Whether a sound without pitch lies in the skirts of a tone that sounds with it."""
    skirt = SKIRT_BINS * bin_hz
    return bool(
        fragments.shared_s(note, other) > 0.5 * (note.offset_s - note.onset_s)
        and note.low_hz >= other.pitch_hz - skirt
        and note.high_hz <= other.pitch_hz + skirt
    )


@noalloc
def _coincide(note: Any, other: Any) -> bool:
    """Whether a tone and a sound of many bands begin together and share most of their time."""
    shared_s = fragments.shared_s(note, other)
    return bool(
        abs(note.onset_s - other.onset_s) < SAME_CALL_S
        and shared_s > SHARED * (note.offset_s - note.onset_s)
        and shared_s > SHARED * (other.offset_s - other.onset_s)
    )


@noalloc
def _are_twins(note: Any, other: Any) -> bool:
    """Whether two notes begin and end together and are harmonics of one fundamental."""
    if abs(note.onset_s - other.onset_s) > SAME_ONSET_S:
        return False
    if abs(note.offset_s - other.offset_s) > SAME_OFFSET_S:
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


@noalloc
def _write(n: int, state: Any, out: Any) -> None:
    pending, at = state.pending[n], out.note_count
    if at >= len(out.notes) or out.point_count + pending.points > len(out.track):
        return
    out.notes[at] = state.pending_notes[n]
    out.features[at] = state.pending_features[n]
    out.groups[at] = pending.group
    out.notes[at].first = out.point_count
    out.notes[at].points = pending.points
    for i in range(pending.points):
        row = out.track[out.point_count]
        row.at_s = pending.at_s[i]
        row.pitch_hz = pending.pitch_hz[i]
        row.level_db = pending.point_db[i]
        out.point_count += 1
    out.note_count += 1

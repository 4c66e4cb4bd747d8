"""Fragments: one harsh voice in a narrow band, heard as a crowd of brief peaks.

Goal
----
A frog's croak or a rasp fills an octave with peaks that come and go. Too narrow
for a broadband onset, it falls into fragments, each a rough note of its own.
Rough notes that sound together within an octave are one sound, so each that ends
is merged into the one that waits.
"""

from __future__ import annotations

import math
from typing import Any

from callresp.listen.kernels._jit import noalloc
from callresp.listen.kernels.layout import EMPTY, MOST_PENDING, WAITING

ROUGH = 0.6  # tonality of a fragment at most
GAP_S = 0.01  # between fragments of one sound
OCTAVE = 2.3  # and a little, since the edges of bands are unsure
CROWD = 3  # fragments that make one
# A tone is a further peak of a crowd where it lies within it for MOSTLY of its own length, is
# shorter than BRIEF of the crowd's, and sticks out of its band by no more than BAND_ROOM.
MOSTLY = 0.6
BRIEF = 0.7
BAND_ROOM = 1.15


@noalloc
def merge_into_waiting(n: int, state: Any, setup: Any) -> None:
    """Merge pending note `n`, which has just ended, into a waiting fragment of the same sound."""
    note, pending = state.pending_notes[n], state.pending[n]
    if pending.broadband or note.tonality >= ROUGH:
        return
    longest_s = setup.longest / setup.frames_per_s
    for m in range(MOST_PENDING):
        its = state.pending[m]
        other = state.pending_notes[m]
        if m == n or its.status != WAITING or its.broadband or not _are_one(note, other):
            continue
        if max(note.offset_s, other.offset_s) - min(note.onset_s, other.onset_s) > longest_s:
            continue
        _merge(m, n, state)
        pending.status = EMPTY
        return


@noalloc
def shared_s(note: Any, other: Any) -> float:
    """How long two notes sound together; below 0, the gap between them."""
    return float(min(note.offset_s, other.offset_s) - max(note.onset_s, other.onset_s))


@noalloc
def is_peak_of(note: Any, other: Any, fragments: int) -> bool:
    """Whether a tone is but one more peak of a sound merged from so many fragments."""
    length = note.offset_s - note.onset_s
    return bool(
        fragments >= CROWD
        and shared_s(note, other) > MOSTLY * length
        and length < BRIEF * (other.offset_s - other.onset_s)
        and note.low_hz > other.low_hz / BAND_ROOM
        and note.high_hz < other.high_hz * BAND_ROOM
    )


@noalloc
def _are_one(note: Any, other: Any) -> bool:
    low, high = min(note.low_hz, other.low_hz), max(note.high_hz, other.high_hz)
    return bool(other.tonality < ROUGH and shared_s(note, other) > -GAP_S and high < OCTAVE * low)


@noalloc
def _merge(m: int, n: int, state: Any) -> None:
    """Merge pending note `n` into `m`."""
    note, pending = state.pending_notes[n], state.pending[n]
    whole, its = state.pending_notes[m], state.pending[m]
    if pending.peak_db > its.peak_db:
        state.pending_features[m] = state.pending_features[n]
        its.equivalent_ms = pending.equivalent_ms
    if note.onset_s < whole.onset_s:
        # The earliest onset reported is that of the whole.
        its.group = pending.group
    its.due = max(its.due, pending.due)
    energy = 10.0 ** (0.1 * note.level_db) * (note.offset_s - note.onset_s)
    energy += 10.0 ** (0.1 * whole.level_db) * (whole.offset_s - whole.onset_s)
    whole.onset_s = min(whole.onset_s, note.onset_s)
    whole.offset_s = max(whole.offset_s, note.offset_s)
    whole.level_db = 10.0 * math.log10(energy / (whole.offset_s - whole.onset_s))
    whole.snr_db = max(whole.snr_db, note.snr_db)
    whole.low_hz = min(whole.low_hz, note.low_hz)
    whole.high_hz = max(whole.high_hz, note.high_hz)
    whole.tonality = min(whole.tonality, note.tonality)
    whole.pitch_hz = math.nan
    its.points = 0
    its.fragments += pending.fragments
    its.peak_db = max(its.peak_db, pending.peak_db)

"""Crowds: one harsh voice in a narrow band, heard as a crowd of brief peaks.

Goal
----
A frog's croak or a rasp fills an octave with peaks that come and go. Too narrow
for a wide onset, it falls into pieces, each a rough note of its own. Rough
pieces that sound together within an octave are one sound, so each that ends is
taken into the one that waits.
"""

from __future__ import annotations

import math
from typing import Any

from callresp.listen.kernels._jit import inner
from callresp.listen.kernels.layout import WAITING_ROOM

ROUGH = 0.6  # tonality of a piece at most
GAP_S = 0.01  # between pieces of one sound
OCTAVE = 2.3  # and a little: edges of bands are unsure
CROWD = 3  # pieces that make one
MOSTLY = 0.7
BRIEF = 0.7  # of the crowd's length
ROOM = 1.15  # by which a peak may stick out of the band


@inner
def take_in(n: int, state: Any, setup: Any) -> None:
    """Take note `n`, which has just ended, into the piece of the same crowd that waits, if any."""
    note, mine = state.waiting_notes[n], state.waiting[n]
    if mine.wide or note.tonality >= ROUGH:
        return
    longest_s = setup.longest / setup.frames_per_s
    for m in range(WAITING_ROOM):
        its = state.waiting[m]
        other = state.waiting_notes[m]
        if m == n or its.used != 1 or its.wide or not _one(note, other):
            continue
        if max(note.offset_s, other.offset_s) - min(note.onset_s, other.onset_s) > longest_s:
            continue
        _merge(m, n, state)
        mine.used = 0
        return


@inner
def shared_s(note: Any, other: Any) -> float:
    """How long two notes sound together; below 0, the gap between them."""
    return float(min(note.offset_s, other.offset_s) - max(note.onset_s, other.onset_s))


@inner
def is_of(note: Any, other: Any, its: Any) -> bool:
    """Whether a tone is but another peak of a crowd: brief, within its time and its band."""
    inside = shared_s(note, other)
    length = note.offset_s - note.onset_s
    return bool(
        its.pieces >= CROWD
        and inside > MOSTLY * length
        and length < BRIEF * (other.offset_s - other.onset_s)
        and note.low_hz > other.low_hz / ROOM
        and note.high_hz < other.high_hz * ROOM
    )


@inner
def _one(note: Any, other: Any) -> bool:
    low, high = min(note.low_hz, other.low_hz), max(note.high_hz, other.high_hz)
    return bool(other.tonality < ROUGH and shared_s(note, other) > -GAP_S and high < OCTAVE * low)


@inner
def _merge(m: int, n: int, state: Any) -> None:
    note, mine = state.waiting_notes[n], state.waiting[n]
    whole, its = state.waiting_notes[m], state.waiting[m]
    if mine.peak_db > its.peak_db:
        state.waiting_features[m] = state.waiting_features[n]
        its.solid_ms = mine.solid_ms
    if note.onset_s < whole.onset_s:
        # The earliest start told is the whole's.
        its.number = mine.number
    its.due = max(its.due, mine.due)
    spent = 10.0 ** (0.1 * note.level_db) * (note.offset_s - note.onset_s)
    spent += 10.0 ** (0.1 * whole.level_db) * (whole.offset_s - whole.onset_s)
    whole.onset_s = min(whole.onset_s, note.onset_s)
    whole.offset_s = max(whole.offset_s, note.offset_s)
    whole.level_db = 10.0 * math.log10(spent / (whole.offset_s - whole.onset_s))
    whole.snr_db = max(whole.snr_db, note.snr_db)
    whole.low_hz = min(whole.low_hz, note.low_hz)
    whole.high_hz = max(whole.high_hz, note.high_hz)
    whole.tonality = min(whole.tonality, note.tonality)
    whole.pitch_hz = math.nan
    its.points = 0
    its.pieces += mine.pieces
    its.peak_db = max(its.peak_db, mine.peak_db)

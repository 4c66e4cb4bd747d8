"""Tails: what a place rings on with after a louder sound of the same pitch.

Goal
----
A partial that breaks off and goes on far fainter is no new note. A finished note
is judged by its neighbours; an onset must be judged before it has any, by the
power lately heard at its frequency.

Conventions
-----------
A louder sound rings on for `TAIL_S`, at first `TAIL_DB` below itself and fading
by `TAIL_DB_S`, within `TAIL_BINS` of its pitch. The figures are our own, for
woods and courtyards with a reverberation time of about a second.
"""

from __future__ import annotations

from typing import Any

from callresp.listen.kernels._jit import noalloc
from callresp.listen.kernels.layout import RING

TAIL_S = 0.25
TAIL_DB = 7.0
TAIL_DB_S = 60.0
TAIL_BINS = 2
CLEAR_FRAMES = 2  # before an onset, from which on back windows hold nothing of it
BEGUN_S = 0.02  # by which a sound begins before its own tail does


@noalloc
def may_be_tail(freq: float, power: float, born: int, spec: Any, setup: Any) -> bool:
    """Whether a partial at `freq` since frame `born` may be a tail, and so no onset."""
    middle = int(freq + 0.5)
    step = 10.0 ** (0.1 * TAIL_DB_S / setup.frames_per_s)
    least = power * 10.0 ** (0.1 * TAIL_DB) * step**CLEAR_FRAMES
    for back in range(CLEAR_FRAMES, min(int(TAIL_S * setup.frames_per_s), born) + 1):
        row = spec.power[(born - back) & (RING - 1)]
        for k in range(max(0, middle - TAIL_BINS), min(row.size, middle + TAIL_BINS + 1)):
            if row[k] > least:
                return True
        least *= step
    return False


@noalloc
def is_tail(note: Any, other: Any, louder_db: float, features: Any, bin_hz: float) -> bool:
    """Whether `note` is the tail of `other`, which has those features and is so much louder."""
    after_s = note.onset_s - other.offset_s
    if after_s > TAIL_S or note.onset_s < other.onset_s + BEGUN_S:
        return False
    if not (note.pitch_hz > 0.0 and other.pitch_hz > 0.0):
        return False
    if louder_db < TAIL_DB + TAIL_DB_S * max(0.0, after_s):
        return False
    room = TAIL_BINS * bin_hz
    return bool(features.lowest_hz - room <= note.pitch_hz <= features.highest_hz + room)

"""Tails: what a place rings on with after a louder sound of the same pitch.

Goal
----
A partial that breaks off and goes on far fainter is no new note. Finished
notes are judged by their neighbours (`callresp.listen.kernels.masking`); a start must be
judged before it has any, by the power lately heard where it stands.

Conventions
-----------
A louder sound rings on for `TAIL_S`, `TAIL_DB` below itself and fading by
`TAIL_DB_S`, within `TAIL_BINS` of its pitch. The figures are our own, for
woods and courtyards that ring for a second.
"""

from __future__ import annotations

from typing import Any

from callresp.listen.kernels._jit import bare
from callresp.listen.kernels.layout import RING

TAIL_S = 0.25
TAIL_DB = 7.0
TAIL_DB_S = 60.0
TAIL_BINS = 2
LATEST = 2  # frames before a start whose windows hold none of it


@bare
def is_tail(place: float, power: float, born: int, sound: Any, frames_per_s: float) -> bool:
    """Whether what stands at `place`, bins, since frame `born` may be a tail, and no start."""
    middle = int(place + 0.5)
    step = 10.0 ** (0.1 * TAIL_DB_S / frames_per_s)
    least = power * 10.0 ** (0.1 * TAIL_DB) * step**LATEST
    for back in range(LATEST, min(int(TAIL_S * frames_per_s), born) + 1):
        row = sound.power[(born - back) & (RING - 1)]
        for k in range(max(0, middle - TAIL_BINS), min(row.size, middle + TAIL_BINS + 1)):
            if row[k] > least:
                return True
        least *= step
    return False

"""The best matches of a recording, cut out for eye and ear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.io.audio import Recording
from callresp.scout.presence import Call

AROUND_S = 1.0
SHOWN = 3


@dataclass(frozen=True, slots=True)
class Match:
    """A call with the sound around it.

    `samples` begin `begins_s` into the recording.
    """

    call: Call
    begins_s: float
    samples: npt.NDArray[np.float32]
    sample_rate_hz: int


def best_matches(
    recording: Recording, calls: Sequence[Call], count: int = SHOWN
) -> tuple[Match, ...]:
    """The likeliest calls with a second around each, the best first; one pass over the file.

    Parameters
    ----------
    recording
        In which they were found.
    calls
        What was found.
    count
        How many at most.

    Returns
    -------
    tuple of Match
        With their sound.
    """
    best = sorted(calls, key=lambda call: -call.score)[:count]
    rate = recording.sample_rate_hz
    spans = [
        (max(0, int((call.onset_s - AROUND_S) * rate)), int((call.offset_s + AROUND_S) * rate))
        for call in best
    ]
    pieces: list[list[npt.NDArray[np.float32]]] = [[] for _ in best]
    at, last = 0, max((end for _, end in spans), default=0)
    for block in recording.blocks():
        if at >= last:
            break
        for (first, end), kept in zip(spans, pieces, strict=True):
            if first < at + len(block) and end > at:
                kept.append(block[max(0, first - at) : end - at])
        at += len(block)
    return tuple(
        Match(call, first / rate, np.concatenate(kept), rate)
        for call, (first, _), kept in zip(best, spans, pieces, strict=True)
        if kept
    )

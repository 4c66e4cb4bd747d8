"""The best matches of a recording, cut out for eye and ear."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.io.audio import Recording
from callresp.scout.presence import Call, Search

AROUND_S = 1.0
SHOWN = 3


@dataclass(frozen=True, slots=True)
class Match:
    """A call with the sound around it.

    `samples` begin `begins_s` into the recording; `example` is the number of the example that
    fits best, and `above_db` the level over the noise of the place.
    """

    call: Call
    example: int
    above_db: float
    begins_s: float
    samples: npt.NDArray[np.float32]
    sample_rate_hz: int


def best_matches(recording: Recording, found: Search) -> tuple[Match, ...]:
    """The `SHOWN` likeliest calls with a second around each, the best first; one pass.

    Parameters
    ----------
    recording
        In which they were found.
    found
        What was found.

    Returns
    -------
    tuple of Match
        With their sound.
    """
    calls = found.presence.calls
    order = sorted(range(len(calls)), key=lambda number: -calls[number].score)[:SHOWN]
    best = [calls[number] for number in order]
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
        Match(
            calls[number],
            found.by[number],
            found.above_db[number],
            first / rate,
            np.concatenate(kept),
            rate,
        )
        for number, (first, _), kept in zip(order, spans, pieces, strict=True)
        if kept
    )

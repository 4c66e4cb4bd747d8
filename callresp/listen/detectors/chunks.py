"""Long recordings as overlapping chunks, for detectors that want an array.

Conventions
-----------
A chunk is a middle of its own with `before` and `after` samples around it that
belong to its neighbours: a detector may use them, but what it finds there is
dropped. Middles start at multiples of `middle`, so that frames of a hop that
divides it lie on one grid through the whole recording.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from callresp.io.audio import Progress, Recording, Samples


@dataclass(frozen=True, slots=True)
class Chunk:
    """A stretch of a recording: a middle of its own, with its surroundings.

    `before` and `middle` count the samples before the middle and in it; the middle begins at
    sample `start` of the recording, at the chunks' rate. `last` is set where the recording ends
    with it.
    """

    samples: Samples
    before: int
    middle: int
    start: int
    last: bool

    @property
    def own(self) -> Samples:
        """The middle alone."""
        return self.samples[self.before : self.before + self.middle]


def resampled(
    recording: Recording, rate_hz: int, progress: Progress | None = None
) -> Iterator[Samples]:
    """The blocks of a recording at another rate (soxr, high quality)."""
    taken = 0
    same = recording.sample_rate_hz == rate_hz
    if not same:
        import soxr

        stream = soxr.ResampleStream(recording.sample_rate_hz, rate_hz, 1, dtype="float32")
    for block in recording.blocks():
        taken += len(block)
        yield block if same else stream.resample_chunk(block)
        if progress is not None:
            progress(min(1.0, taken / max(1, recording.frames)))
    if not same:
        yield stream.resample_chunk(np.zeros(0, np.float32), last=True)


def chunks(blocks: Iterator[Samples], middle: int, before: int, after: int) -> Iterator[Chunk]:
    """Cut a stream of blocks into chunks; memory is that of one chunk.

    Examples
    --------
    >>> found = list(chunks(iter([np.arange(7, dtype=np.float32)]), 3, 1, 1))
    >>> [chunk.samples.tolist() for chunk in found]
    [[0.0, 1.0, 2.0, 3.0], [2.0, 3.0, 4.0, 5.0, 6.0], [5.0, 6.0]]
    >>> [chunk.own.tolist() for chunk in found]
    [[0.0, 1.0, 2.0], [3.0, 4.0, 5.0], [6.0]]
    """
    held = np.zeros(0, np.float32)
    lead = 0  # samples held before the next middle
    start = 0
    for block in blocks:
        held = np.concatenate([held, block]) if len(held) else block
        while len(held) > lead + middle + after:
            yield Chunk(held[: lead + middle + after], lead, middle, start, last=False)
            start += middle
            drop = max(0, lead + middle - before)
            lead = lead + middle - drop
            held = held[drop:].copy()
    while len(held) > lead:
        own = min(middle, len(held) - lead)
        end = lead + own + after
        yield Chunk(held[:end], lead, own, start, last=lead + own == len(held))
        start += own
        drop = max(0, lead + own - before)
        lead = lead + own - drop
        held = held[drop:]

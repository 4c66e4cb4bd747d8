"""Heard and answered: short stretches of the sound, kept as FLAC.

The last half minute stands in a ring; a stretch is cut out when its end has come.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from callresp.files import whole_file
from callresp.live.sources import Block
from callresp.live.things import Keep
from callresp.sound import Samples

RING_S = 40.0
# Snippets that may wait for their end.
WAITING_MAX = 8


class Ring:
    """The last `RING_S` of sound, by the engine's clock; lost sound is silence."""

    def __init__(self, sample_rate_hz: int) -> None:
        self.sample_rate_hz = sample_rate_hz
        self._ring = np.zeros(round(RING_S * sample_rate_hz), dtype=np.float32)
        self._end = 0
        self._waiting: list[Keep] = []

    def add(self, block: Block) -> None:
        """Take a block."""
        start = round(block.at_s * self.sample_rate_hz)
        size = len(self._ring)
        if start > self._end:
            gap = min(start - self._end, size)
            self._ring[np.arange(start - gap, start) % size] = 0.0
        place = start % size
        first = min(size - place, len(block.samples))
        self._ring[place : place + first] = block.samples[:first]
        self._ring[: len(block.samples) - first] = block.samples[first:]
        self._end = start + len(block.samples)

    def want(self, keep: Keep) -> None:
        """Cut this out when its end has come."""
        if len(self._waiting) < WAITING_MAX:
            self._waiting.append(keep)

    def ready(self) -> Iterator[tuple[str, Samples]]:
        """Names and samples of what has come to its end."""
        now_s = self._end / self.sample_rate_hz
        for keep in [keep for keep in self._waiting if keep.until_s <= now_s]:
            self._waiting.remove(keep)
            yield keep.name, self._cut(keep)

    def _cut(self, keep: Keep) -> Samples:
        size = len(self._ring)
        first = max(round(keep.from_s * self.sample_rate_hz), self._end - size, 0)
        last = min(round(keep.until_s * self.sample_rate_hz), self._end)
        cut: Samples = self._ring[np.arange(first, max(last, first)) % size]
        return cut


def write_flac(path: Path, samples: Samples, sample_rate_hz: int) -> None:
    """Write a snippet, whole or not at all; 16 bits."""
    import soundfile

    with whole_file(path) as part:
        clipped = np.clip(samples, -1.0, 1.0)
        soundfile.write(part, clipped, sample_rate_hz, subtype="PCM_16", format="FLAC")

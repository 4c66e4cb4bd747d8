"""The listener on the engine's clock, which counts lost samples too.

Conventions
-----------
Short losses are filled with noise as loud as the sound before them, so that
neither the clock nor the noise floor moves. After a long one, as when a sound
card was away, the listener starts afresh: it knows nothing of before, and
should not.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

import numpy as np

from callresp.io.audio import Samples
from callresp.listen.online import Event
from callresp.live.sources import Block

# A loss up to this long is filled; after a longer one the listener starts afresh.
FILLED_S = 0.5


class BlockListener(Protocol):
    """What is needed of a listener: see `callresp.listen.online.Listener`."""

    def restart(self, at_s: float) -> None:
        """Forget everything; the next sample is that of `at_s`."""

    def push(self, block: Samples) -> list[Event]:
        """Take a block; return what began and ended by it."""

    def settle(self, notes: Iterable[int]) -> None:
        """These notes were answered: they keep their voices."""

    def finish(self) -> list[Event]:
        """What was still open."""


class ClockedListener:
    """Feeds a listener and keeps its time.

    Parameters
    ----------
    listener
        Is restarted at the first block, and after each long loss.
    sample_rate_hz
        Of the sound.
    """

    def __init__(self, listener: BlockListener, sample_rate_hz: int) -> None:
        self._listener = listener
        self._rate_hz = sample_rate_hz
        self._listening = False
        self._rms = 0.0
        self._rng = np.random.default_rng(0)

    def feed(self, block: Block) -> list[Event]:
        """Hear a block."""
        found: list[Event] = []
        if block.lost > FILLED_S * self._rate_hz:
            found = self.rest()
        if not self._listening:
            self._listener.restart(block.at_s)
            self._listening = True
        elif block.lost:
            fill = self._rms * self._rng.standard_normal(block.lost)
            found += self._listener.push(fill.astype(np.float32))
        if not len(block.samples):
            return found
        self._rms = float(np.sqrt(np.mean(np.square(block.samples))))
        return found + self._listener.push(block.samples)

    def settle(self, notes: Iterable[int]) -> None:
        """Notes, by id, were answered: they keep their voices."""
        self._listener.settle(notes)

    def rest(self) -> list[Event]:
        """Stop hearing for a while; returns how what was open has ended."""
        if not self._listening:
            return []
        self._listening = False
        return self._listener.finish()

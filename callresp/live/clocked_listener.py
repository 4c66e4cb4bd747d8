"""The ear: blocks of sound in, what begins and what ends out, on the engine's clock.

Goal
----
Keep the online listener's clock, which counts the samples that it was given,
together with the engine's, which counts lost ones too.

Conventions
-----------
Short losses are filled with noise as loud as the sound before them, so that
neither the clock nor the noise floor moves. After a long one, as when a sound
card was away, a new listener starts: it knows nothing of before, and should not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Protocol

import msgspec
import numpy as np

from callresp.io.audio import Samples
from callresp.io.score import Note
from callresp.listen.online import Began, Ended, Event
from callresp.live.sources import Block

# A loss up to this long is filled; a longer one starts a new listener.
FILLED_S = 0.5


class BlockListener(Protocol):
    """What the ear needs of a listener: see `callresp.listen.online.Listener`."""

    def feed(self, block: Samples) -> list[Event]:
        """Take a block; return what began and ended by it."""

    def finish(self) -> list[Event]:
        """What was still open."""


class ClockedListener:
    """Feeds a listener and keeps its time.

    Parameters
    ----------
    make
        Makes a listener; called again after each long loss.
    sample_rate_hz
        Of the sound.
    """

    def __init__(self, make: Callable[[], BlockListener], sample_rate_hz: int) -> None:
        self._make = make
        self._rate_hz = sample_rate_hz
        self._listener: BlockListener | None = None
        self._zero_s = 0.0
        self._lives = 0
        self._notes = 0
        self._rms = 0.0
        self._rng = np.random.default_rng(0)

    def feed(self, block: Block) -> list[Event]:
        """Hear a block."""
        found: list[Event] = []
        if block.lost > FILLED_S * self._rate_hz:
            found = self.rest()
        if self._listener is None:
            self._listener = self._make()
            self._lives += 1
            self._zero_s = block.at_s
        elif block.lost:
            fill = self._rms * self._rng.standard_normal(block.lost)
            found += self._taken(self._listener.feed(fill.astype(np.float32)))
        if not len(block.samples):
            return found
        self._rms = float(np.sqrt(np.mean(np.square(block.samples))))
        return found + self._taken(self._listener.feed(block.samples))

    def rest(self) -> list[Event]:
        """Stop hearing for a while; returns how what was open has ended."""
        if self._listener is None:
            return []
        found = self._taken(self._listener.finish())
        self._listener = None
        return found

    def _taken(self, events: Iterable[Event]) -> list[Event]:
        return [self._event(event) for event in events]

    def _event(self, event: Event) -> Event:
        # Keys are a listener's own: after a new one begins they would come again.
        key = self._lives << 40 | event.key
        if isinstance(event, Began):
            return replace(event, key=key, onset_s=event.onset_s + self._zero_s)
        return Ended(key, None if event.note is None else self._note(event.note))

    def _note(self, note: Note) -> Note:
        self._notes += 1
        zero_s = self._zero_s
        return msgspec.structs.replace(
            note,
            id=self._notes - 1,
            onset_s=note.onset_s + zero_s,
            offset_s=note.offset_s + zero_s,
            track=tuple((at_s + zero_s, hz) for at_s, hz in note.track),
        )

"""The engine: a stream of blocks in, tables of finished notes out.

Goal
----
One causal core serves a file and a microphone. The engine feeds it and
collects what it gives; it never looks at more than the newest ten seconds.

Conventions
-----------
Offline, the floor may be learned from the opening seconds before they are
heard (`warm_up`); online it settles while it listens.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import numpy.typing as npt

from callresp.listen.kernels import frame
from callresp.listen.kernels import layout as states
from callresp.listen.notes import NoteTable
from callresp.listen.profile import Profile
from callresp.listen.stft import Framer

Block = npt.NDArray[np.float32]

WARM_UP_S = 4.0


class Engine:
    """Hears a stream by blocks.

    Parameters
    ----------
    sample_rate_hz
        Of the stream.
    profile
        What to listen for.
    patience_s
        How long a finished note waits for its neighbours.

    Attributes
    ----------
    out
        What the latest step gave, until `clear` is called.
    """

    def __init__(
        self,
        sample_rate_hz: int,
        profile: Profile,
        patience_s: float = states.PATIENCE_S,
    ) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.profile = profile
        self.framer = Framer(sample_rate_hz, profile)
        self.setup = states.setup_for(self.framer, profile, patience_s)
        self.state = states.new_state(self.setup)
        self.out = states.new_out()
        self._rows = (
            self.state.whole,
            self.state.sound,
            states.as_row(self.setup),
            self.out.whole,
        )

    def warm_up(self, blocks: Iterable[Block]) -> None:
        """Learn the floor from sound that will be pushed again."""
        framer = Framer(self.sample_rate_hz, self.profile)
        for block in blocks:
            for spectra in framer.push(block):
                frame.run(spectra, frame.WARM_UP, *self._rows)

    def push(self, block: Block, last: bool = False) -> list[NoteTable]:
        """Hear a block; returns the notes that it finished."""
        tables = [self._drain() for _ in self.steps(block, last)]
        return [table for table in tables if len(table)]

    def steps(self, block: Block, last: bool = False) -> Iterator[None]:
        """Hear a block in steps; after each, `out` is to be taken and cleared."""
        for spectra in self.framer.push(np.ascontiguousarray(block, dtype=np.float32), last):
            frame.run(spectra, frame.HEAR, *self._rows)
            yield
        if last:
            nothing = np.zeros((0, self.setup.bins), np.complex64)
            frame.run(nothing, frame.LAST, *self._rows)
            yield

    def clear(self) -> None:
        """Make room for what the next step gives."""
        clock = self.state.clock
        clock[states.NOTES] = clock[states.NOTE_POINTS] = clock[states.STARTS] = 0

    def _drain(self) -> NoteTable:
        clock, out = self.state.clock, self.out
        notes, points = clock[states.NOTES], clock[states.NOTE_POINTS]
        table = NoteTable(
            out.notes[:notes].copy(), out.features[:notes].copy(), out.track[:points].copy()
        )
        self.clear()
        return table

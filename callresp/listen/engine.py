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

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from callresp.listen import core
from callresp.listen import state as states
from callresp.listen.frames import Framer
from callresp.listen.model import NoteTable
from callresp.listen.profile import Profile

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
    """

    def __init__(self, sample_rate_hz: int, profile: Profile) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.profile = profile
        self.framer = Framer(sample_rate_hz, profile)
        self.setup = states.setup_for(self.framer, profile)
        self.state = states.new_state(self.setup)
        self._out = states.new_out()

    def warm_up(self, blocks: Iterable[Block]) -> None:
        """Learn the floor from sound that will be pushed again."""
        framer = Framer(self.sample_rate_hz, self.profile)
        for block in blocks:
            for spectra in framer.push(block):
                core.run(spectra, core.WARM_UP, self.state, self.setup, self._out)

    def push(self, block: Block, last: bool = False) -> list[NoteTable]:
        """Hear a block; returns the notes that it finished."""
        tables = []
        for spectra in self.framer.push(np.ascontiguousarray(block, dtype=np.float32), last):
            core.run(spectra, core.HEAR, self.state, self.setup, self._out)
            tables.append(self._drain())
        if last:
            nothing = np.zeros((0, self.setup.bins), np.complex64)
            core.run(nothing, core.LAST, self.state, self.setup, self._out)
            tables.append(self._drain())
        return [table for table in tables if len(table)]

    def _drain(self) -> NoteTable:
        clock, out = self.state.clock, self._out
        notes, points = clock[states.NOTES], clock[states.NOTE_POINTS]
        table = NoteTable(
            out.notes[:notes].copy(), out.features[:notes].copy(), out.track[:points].copy()
        )
        clock[states.NOTES] = clock[states.NOTE_POINTS] = clock[states.STARTS] = 0
        return table

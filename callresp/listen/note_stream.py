"""The note stream: blocks of sound in, finished notes and fresh onsets out.

Goal
----
One causal analysis serves a file and a microphone. It never looks at more than
the newest ten seconds, so its memory does not grow with the sound.

Conventions
-----------
Offline, the noise floor may be learned from the opening seconds before they are
analysed (`NoteStream.learn_floor`); online it settles while listening.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from callresp.listen.kernels import frame
from callresp.listen.kernels import layout as states
from callresp.listen.notes import NoteTable, Rows
from callresp.listen.profile import Profile
from callresp.listen.stft import Framer

Block = npt.NDArray[np.float32]

FLOOR_S = 4.0  # of the opening from which the floor is learned


class StreamOutput(NamedTuple):
    """What one run over some frames gave.

    Attributes
    ----------
    notes
        Notes that are finished, not in order of onset.
    groups
        Shape ``(len(notes),)``: the number of the group that each note was formed from.
    onsets
        Rows of `callresp.listen.kernels.layout.START`.
    """

    notes: NoteTable
    groups: npt.NDArray[np.int64]
    onsets: Rows


class NoteStream:
    """Analyses a stream block by block.

    Parameters
    ----------
    sample_rate_hz
        Of the stream.
    profile
        What to listen for.
    patience_s
        How long a finished note waits for its neighbours.

    Raises
    ------
    UserError
        Where the rate does not hold the profile's band.
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
        self._out = states.new_out()
        self._rows = (
            self.state.whole,
            self.state.sound,
            states.as_row(self.setup),
            self._out.whole,
        )

    def learn_floor(self, blocks: Iterable[Block]) -> None:
        """Learn the noise floor from sound that will be pushed again."""
        framer = Framer(self.sample_rate_hz, self.profile)
        for block in blocks:
            for spectra in framer.push(block):
                frame.run(spectra, frame.WARM_UP, *self._rows)

    def push(self, block: Block, last: bool = False) -> Iterator[StreamOutput]:
        """Analyse a block, shape ``(n,)``; yields what every few hundred frames of it gave.

        Parameters
        ----------
        block
            May be empty.
        last
            Whether the stream ends with it: then every open note is ended.
        """
        for spectra in self.framer.push(np.ascontiguousarray(block, dtype=np.float32), last):
            frame.run(spectra, frame.HEAR, *self._rows)
            yield self._take()
        if last:
            nothing = np.zeros((0, self.setup.bins), np.complex64)
            frame.run(nothing, frame.LAST, *self._rows)
            yield self._take()

    def open_groups(self) -> set[int]:
        """Numbers of the groups that may still give notes."""
        state = self.state
        opened = state.open[: state.clock[states.OPEN]]
        numbers = set(state.groups["number"][opened].tolist())
        told = state.tracks["told"][state.living[: state.clock[states.LIVING]]]
        numbers.update((told[told > 0] - 1).tolist())
        waits = state.waiting["used"] == 1
        numbers.update(state.waiting["number"][waits].tolist())
        return numbers

    def _take(self) -> StreamOutput:
        clock, out = self.state.clock, self._out
        notes, points = clock[states.NOTES], clock[states.NOTE_POINTS]
        found = StreamOutput(
            NoteTable(
                out.notes[:notes].copy(), out.features[:notes].copy(), out.track[:points].copy()
            ),
            out.numbers[:notes].copy(),
            out.starts[: clock[states.STARTS]].copy(),
        )
        clock[states.NOTES] = clock[states.NOTE_POINTS] = clock[states.STARTS] = 0
        return found

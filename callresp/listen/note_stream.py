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

from callresp.listen import codec_holes
from callresp.listen.kernels import frame, layout, noise_floor
from callresp.listen.notes import NoteTable, Rows, empty_table
from callresp.listen.profile import Profile
from callresp.listen.stft import Framer

Block = npt.NDArray[np.float32]
Power = npt.NDArray[np.float32]

FLOOR_S = 4.0  # of the opening from which the floor is learned
MANY = layout.MOST_NOTES_OUT // 5  # notes or onsets that don't wait for the end of their block


class StreamOutput(NamedTuple):
    """What some frames gave.

    Attributes
    ----------
    notes
        Notes that are finished, not in order of onset.
    groups
        Shape ``(len(notes),)``: the number of the group that each note was formed from.
    onsets
        Rows of `callresp.listen.kernels.layout.ONSET`.
    """

    notes: NoteTable
    groups: npt.NDArray[np.int64]
    onsets: Rows


NOTHING = StreamOutput(empty_table(), np.zeros(0, np.int64), np.zeros(0, layout.ONSET))


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
    bits
        Of the samples that it was recorded with: what lies below their noise is no sound.
    lossy
        Whether a codec has left something out since.

    Raises
    ------
    UserError
        Where the rate does not hold the profile's band.
    """

    def __init__(
        self,
        sample_rate_hz: int,
        profile: Profile,
        patience_s: float = layout.PATIENCE_S,
        bits: int = layout.BITS,
        lossy: bool = False,
    ) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.profile = profile
        self.framer = Framer(sample_rate_hz, profile)
        self.setup = layout.setup_for(self.framer, profile, patience_s, bits, lossy)
        self.spec = layout.new_spectral_state(self.setup)
        self._state = layout.new_state()
        self._setup = self.setup.as_row()
        self._least = np.zeros(self.setup.bins, np.float32)
        self._out = np.zeros(1, layout.OUTPUT)
        self._found = self._out[0]

    @property
    def state(self) -> np.void:
        """The row of `callresp.listen.kernels.layout.STATE`; to be read only."""
        row: np.void = self._state[0]
        return row

    def learn_floor(self, blocks: Iterable[Block]) -> None:
        """Learn the noise floor from the opening of a sound that will be pushed again."""
        framer = Framer(self.sample_rate_hz, self.profile)
        kept = slice(self.setup.kept_from, self.setup.kept_to)
        spectra = [part[:, kept] for block in blocks for part in framer.push(block)]
        if not spectra:
            return
        power = np.abs(np.concatenate(spectra)) ** 2
        power = power[power.max(axis=1) > frame.DIGITAL_SILENCE]
        if len(power):
            quantile = noise_floor.opening_quantile(power)
            self.spec.quantile[kept] = quantile
            self._state["opening_spread_db"] = noise_floor.opening_spread_db(power, quantile)
            # A multiple of what the floor is updated by, so that the first frame does.
            self._state["sounding_frames"] = frame.FLOOR_EVERY * len(power)
            if self.setup.lossy:
                rows = np.zeros((len(power[:: codec_holes.STEP]), self.setup.bins), np.float32)
                rows[:, kept] = power[:: codec_holes.STEP]
                self._least = codec_holes.least_quantile(rows, self.setup)

    def push(self, block: Block, last: bool = False) -> Iterator[StreamOutput]:
        """Analyse a block, shape ``(n,)``; yields what every few hundred frames of it gave.

        Parameters
        ----------
        block
            May be empty.
        last
            Whether the stream ends with it: then every open note is ended.
        """
        for power in self._transformed(block, last):
            yield from self.followed([power])
        if last:
            yield from self.followed([], last=True)

    def transformed(self, block: Block, last: bool = False) -> list[Power]:
        """The first half of `push`: the power of a block's frames, for `followed`."""
        return list(self._transformed(block, last))

    def followed(self, powers: Iterable[Power], last: bool = False) -> list[StreamOutput]:
        """The second half of `push`; another thread may be at it while `transformed` goes on.

        What is found waits for the end of all, if it is not very much.
        """
        found = []
        for power in powers:
            self._analyse(power, last=False)
            if max(self._found["note_count"], self._found["onset_count"]) > MANY:
                found.append(self._taken())
        if last:
            self._analyse(np.zeros((0, 0), np.float32), last=True)
        return [*found, self._taken()]

    def open_groups(self) -> set[int]:
        """Numbers of the groups that may still give notes."""
        state = self.state
        opened = state["open"][: state["open_count"]]
        numbers = set(state["groups"]["number"][opened].tolist())
        living = state["living"][: state["living_count"]]
        reported = state["tracks"]["reported"][living]
        numbers.update((reported[reported > 0] - 1).tolist())
        waiting = state["pending"]["status"] == layout.WAITING
        numbers.update(state["pending"]["group"][waiting].tolist())
        return numbers

    def _transformed(self, block: Block, last: bool) -> Iterator[Power]:
        kept = self.setup.kept_from, self.setup.kept_to
        for spectra in self.framer.push(np.ascontiguousarray(block, dtype=np.float32), last):
            yield frame.power_of(spectra, *kept)

    def _analyse(self, power: Power, last: bool) -> None:
        while self.setup.lossy and len(power):
            # At the same frames, however the sound comes.
            now = self.state["frame"]
            if now % codec_holes.HELD == 0:
                self._fill_holes(now)
            step = codec_holes.HELD if self._least.any() else codec_holes.EVERY
            left = step - now % step
            self._take(power[:left], last=False)
            power = power[left:]
        self._take(power, last)

    def _fill_holes(self, now: int) -> None:
        """Lift the quartile where it lies in holes that a codec cut, at frame `now`."""
        if now and now % codec_holes.EVERY == 0:
            past = np.arange(max(0, now - codec_holes.FRAMES), now, codec_holes.STEP)
            rows = self.spec.power[past & (layout.RING - 1)]
            self._least = codec_holes.least_quantile(rows, self.setup)
        np.maximum(self.spec.quantile, self._least, out=self.spec.quantile)

    def _take(self, power: Power, last: bool) -> None:
        frame.analyse(power, last, self._state, self.spec, self._setup, self._out)

    def _taken(self) -> StreamOutput:
        """What was found since this was last asked."""
        out = self._found
        notes, points, onsets = out["note_count"], out["point_count"], out["onset_count"]
        if not (notes or onsets):
            return NOTHING
        out["note_count"] = out["point_count"] = out["onset_count"] = 0
        return StreamOutput(
            NoteTable(
                out["notes"][:notes].copy(),
                out["features"][:notes].copy(),
                out["track"][:points].copy(),
            ),
            out["groups"][:notes].copy(),
            out["onsets"][:onsets].copy(),
        )

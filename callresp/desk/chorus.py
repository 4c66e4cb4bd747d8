"""The recording as the page hears and sees it: samples from anywhere, tiles of its spectrogram.

Method
------
A recording can be read forward only (`callresp.io.audio`), so it is read once: up to
`IN_MEMORY` samples are kept, more go to a temporary file that is mapped. An overview with
columns of `2**OVERVIEW` ms is worked out behind it; a tile of longer columns is pooled from
that by its loudest, one of shorter columns, or a little longer ones where the overview has not
come yet, is worked out from the samples when asked for.

Conventions
-----------
A tile of level z has `COLUMNS` columns of 2**z ms and `ROWS` rows, low first, a byte each:
0 at the noise floor and 255 at the darkest, as rehearsal pictures are drawn.
"""

from __future__ import annotations

import tempfile
import threading
from collections import OrderedDict

import numpy as np
import numpy.typing as npt

from callresp.desk.source import Source
from callresp.errors import UserError
from callresp.io.audio import BLOCK, Recording, Samples
from callresp.io.score import HeardScore
from callresp.plots.excerpt_heard import DARKEST_DB, frequency_range
from callresp.plots.spectrogram import (
    FLOOR_QUANTILE,
    RANGE_DB,
    RowSpectra,
    grey_range,
    share_below,
    windows_of,
)

Bytes = npt.NDArray[np.uint8]
Levels = npt.NDArray[np.float32]

COLUMNS, ROWS = 256, 160
OVERVIEW = 5  # its columns last 32 ms
ALONE_MAX = 4  # overview columns in one of a tile that need not wait for the overview
LEVEL_MAX = 16
HOP_S = 0.004
IN_MEMORY = 1 << 24
PIECE_S = 30.0
SAMPLED = 48  # pieces of a second, from which floor and range of a long recording are told
SHORT = 1 << 12  # columns of an overview that is worked out at once
# Read and worked out in so large steps: after each, a thread waits its turn to go on.
READ = 8 * BLOCK
WINDOWS = 512
TILES_KEPT = 256
# Ends of the frequency axis that differ by less than this share are as good as each other.
NEAR = 0.12


class Chorus:
    """One recording: samples and tiles.

    Parameters
    ----------
    recording
        It is read once, by `read`.

    Attributes
    ----------
    frames : int
        As the file says; what it does not hold is silence.
    low_hz, high_hz : float
        Ends of the frequency axis.
    looked : threading.Event
        Set once it has been read and looked at, or could not be.
    fault : str or None
        Why it could not.
    """

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        self.rate_hz = recording.sample_rate_hz
        self.frames = recording.frames
        self._samples = _room_for(self.frames)
        self._read = 0
        self._grown = threading.Condition()
        columns = int(np.ceil(1000 * self.frames / self.rate_hz / 2**OVERVIEW))
        self._overview = np.zeros((columns, ROWS), np.uint8)
        self._looking = threading.Lock()
        self._axes = 0
        self._started = self._closed = False
        self.looked = threading.Event()
        self.fault: str | None = None
        self.low_hz = self.high_hz = 0.0
        self._take_axis(*frequency_range(None, self.rate_hz))

    def _take_axis(self, low_hz: float, high_hz: float) -> None:
        self.low_hz, self.high_hz = low_hz, high_hz
        self._axes += 1
        self._spectra = RowSpectra(self.rate_hz, low_hz, high_hz, ROWS)
        self._seen = 0
        self._floor: Levels | None = None
        self._range_db = (0.0, DARKEST_DB)
        self._tiles: OrderedDict[tuple[int, int], bytes] = OrderedDict()

    def reach(self, heard: HeardScore) -> bool:
        """Choose a frequency axis that holds all that was heard.

        Returns
        -------
        bool
            Whether it is another than before: then all is to be looked at again.
        """
        low_hz, high_hz = frequency_range(heard, self.rate_hz)
        if abs(low_hz / self.low_hz - 1) < NEAR and abs(high_hz / self.high_hz - 1) < NEAR:
            return False
        with self._looking:
            self._take_axis(low_hz, high_hz)
        return True

    def start(self) -> None:
        """Read and look, in a thread of its own; once."""
        if not self._started:
            self._started = True
            threading.Thread(target=self._run, name="desk chorus", daemon=True).start()

    def close(self) -> None:
        """Look no further; nobody waits for samples any more."""
        with self._grown:
            self._closed = True
            self._grown.notify_all()

    def _run(self) -> None:
        try:
            self.read()
            self.look()
        except UserError as fault:
            self.fault = str(fault)
        with self._grown:
            self.looked.set()
            self._grown.notify_all()

    def read(self) -> None:
        """Read the whole recording, at the pace of the disk."""
        for block in self.recording.blocks(READ):
            room = min(len(block), self.frames - self._read)
            self._samples[self._read : self._read + room] = block[:room]
            with self._grown:
                self._read += room
                self._grown.notify_all()
        with self._grown:
            self._read = self.frames
            self._grown.notify_all()

    def samples(self, first: int, last: int) -> Samples:
        """Samples from `first` to `last`; silence beyond the ends. Waits until they are read.

        Raises
        ------
        UserError
            When they could not be read, or are not yet and it has been closed.
        """
        low, high = min(max(first, 0), self.frames), min(max(last, 0), self.frames)
        with self._grown:
            self._grown.wait_for(lambda: self._read >= high or self.looked.is_set() or self._closed)
            if self._read < high:
                raise UserError(self.fault or "it was closed before it was read")
        out = np.zeros(max(last - first, 0), np.float32)
        out[low - first : high - first] = self._samples[low:high]
        return out

    def chunk(self, number: int) -> bytes:
        """Chunk `number` of `BLOCK` samples, little-endian float32."""
        return self.samples(number * BLOCK, (number + 1) * BLOCK).astype("<f4").tobytes()

    def look(self) -> None:
        """Work out the overview, from the start on, for the axis as it is now."""
        axes, whole = self._axes, len(self._overview)
        short = whole <= SHORT
        step = max(whole, 1) if short else round(PIECE_S * 1000 / 2**OVERVIEW)
        for first in range(0, whole, step):
            with self._looking:
                if self._closed or axes != self._axes:
                    return
                last = min(first + step, whole)
                if self._floor is None and not short:
                    self._learn_range(self._sampled())
                levels = self._levels(OVERVIEW, first, last)
                if self._floor is None:
                    self._learn_range(levels)
                self._overview[first:last] = self._shaded(levels)
                with self._grown:
                    self._seen = last
                    self._grown.notify_all()

    def _sampled(self) -> Levels:
        """Levels of some pieces of a second, spread over a long recording."""
        starts = np.linspace(0.0, max(self.frames / self.rate_hz - 1.0, 0.0), SAMPLED)
        firsts = [int(start_s * 1000 / 2**OVERVIEW) for start_s in starts]
        return np.concatenate([self._levels(OVERVIEW, first, first + 31) for first in firsts])

    def _learn_range(self, levels: Levels) -> None:
        """Noise floor of each row, and the levels that are drawn lightest and darkest."""
        floor = share_below(levels, FLOOR_QUANTILE)
        floor = np.maximum(floor, levels.max() - RANGE_DB).astype(np.float32)
        above = np.clip(levels - floor, 0.0, None)
        self._range_db, self._floor = grey_range(above, DARKEST_DB), floor

    def _levels(self, level: int, first: int, last: int) -> Levels:
        """Levels in dB of columns `first` to `last`, shape ``(columns, rows)``."""
        column_s = 2**level / 1000
        per = max(1, round(column_s / HOP_S / 2) if level >= OVERVIEW else round(column_s / HOP_S))
        hop, size = column_s / per * self.rate_hz, self._spectra.size
        out = np.empty((last - first, ROWS), np.float32)
        step = min(max(WINDOWS // per, 1), last - first)
        scratch = self._spectra.scratch(step * per)
        for low in range(first, last, step):
            high = min(low + step, last)
            at = np.round((np.arange(low * per, high * per) + 0.5) * hop).astype(np.intp)
            sound = self.samples(int(at[0]) - size // 2, int(at[-1]) + size)
            power = self._spectra.power(windows_of(sound, size, 1)[at - at[0]], scratch)
            loudest = power[::per]
            for n in range(1, per):
                np.maximum(loudest, power[n::per], out=loudest)
            out[low - first : high - first] = 10 * np.log10(loudest + 1e-20)
        return out

    def _shades(self, level: int, first: int, last: int) -> Bytes:
        return self._shaded(self._levels(level, first, last))

    def _shaded(self, levels: Levels) -> Bytes:
        assert self._floor is not None
        low_db, high_db = self._range_db
        above = levels - self._floor
        return np.asarray(np.clip(255 * (above - low_db) / (high_db - low_db), 0, 255), np.uint8)

    def tile(self, level: int, number: int, patience_s: float = 0.0) -> bytes | None:
        """A tile, row by row; `None` while what it needs is not worked out within a while."""
        with self._grown:
            if not self._grown.wait_for(lambda: self._can_draw(level, number), patience_s):
                return None
        if (known := self._tiles.get((level, number))) is not None:
            self._tiles.move_to_end((level, number))
            return known
        first = number * COLUMNS
        if level < OVERVIEW:
            shades = self._shades(level, first, first + COLUMNS)
        else:
            factor = 1 << (level - OVERVIEW)
            low, high = self._overview_of(level, number)
            shades = np.zeros((COLUMNS, ROWS), np.uint8)
            if high > low:
                # Where somebody looks before the overview has come there, it is worked out alone.
                seen = high <= self._seen
                part = self._overview[low:high] if seen else self._shades(OVERVIEW, low, high)
                pooled = np.maximum.reduceat(part, np.arange(0, high - low, factor), axis=0)
                shades[: len(pooled)] = pooled
        tile = np.ascontiguousarray(shades.T).tobytes()
        self._tiles[level, number] = tile
        while len(self._tiles) > TILES_KEPT:
            self._tiles.popitem(last=False)
        return tile

    def _overview_of(self, level: int, number: int) -> tuple[int, int]:
        """The overview's columns that a tile is pooled from."""
        wide = COLUMNS << (level - OVERVIEW)
        return number * wide, min((number + 1) * wide, len(self._overview))

    def _can_draw(self, level: int, number: int) -> bool:
        if self._floor is None or level < OVERVIEW or (level, number) in self._tiles:
            return self._floor is not None
        high = self._overview_of(level, number)[1]
        if high <= self._seen:
            return True
        until_s = high * 2**OVERVIEW / 1000 + 1.0
        read = self._read >= min(until_s * self.rate_hz, self.frames)
        return read and 1 << (level - OVERVIEW) <= ALONE_MAX


def chorus_of(source: Source) -> Chorus | None:
    """The recording that was opened, its axis chosen by what is known to be heard in it."""
    if source.recording is None:
        return None
    chorus = Chorus(source.recording)
    if source.heard is not None:
        chorus.reach(source.heard)
    return chorus


def _room_for(frames: int) -> Samples:
    if frames <= IN_MEMORY:
        return np.zeros(frames, np.float32)
    with tempfile.TemporaryFile(prefix="callresp-desk-") as file:
        file.truncate(4 * frames)
        # The mapping outlives the file's name and handle; the system frees it with the mapping.
        return np.memmap(file, np.float32, "r+", shape=(frames,))

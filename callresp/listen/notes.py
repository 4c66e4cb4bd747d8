"""Notes as rows of arrays, before they become `callresp.io.score.Note`.

Goal
----
Notes come out of the listener by the hundred, and voices, phrases and rhythm
look at all of them at once, so inside this room they are rows of numpy
structured arrays. A day's notes as Python objects would take ten times the
memory. Three arrays go together:

- notes: one row of `NOTE` a note, in order of onset.
- features: one row of `FEATURES` a note, in the same order: what helps to tell
  one singer from another.
- track: the pitch tracks of all notes end to end, rows of `TRACK`; a note's
  points are ``track[first : first + points]``.

Conventions
-----------
Seconds from the start of the recording, hertz, dB re a full-scale sine
(AES17-2015). ``nan`` where a value is unknown: `pitch_hz` of an unpitched note,
and every feature that needs a pitch. Voices are numbered from 0 in the order in
which they were first heard (`callresp.listen.voices.assign`), phrases in that in
which they begin (`callresp.listen.voices.phrases`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
import numpy.typing as npt

from callresp.io.score import Note

# Parts of a note's length, and bands of a fifth of an octave and more, of its coarse spectrogram.
PARTS, BANDS = 4, 20
BANDS_FROM_HZ, BANDS_TO_HZ = 300.0, 14000.0

NOTE = np.dtype(
    [
        ("onset_s", np.float64),
        ("offset_s", np.float64),
        ("pitch_hz", np.float64),  # median of the track; nan: unpitched
        ("level_db", np.float64),  # RMS over the note in its own band
        ("snr_db", np.float64),  # highest level over the noise floor in that band
        ("low_hz", np.float64),
        ("high_hz", np.float64),
        ("tonality", np.float64),  # 0 noise or click, 1 a steady or sweeping tone
        ("voice", np.int32),
        ("phrase", np.int32),
        ("first", np.int64),  # first point of the note in the track array
        ("points", np.int32),
    ]
)

FEATURES = np.dtype(
    [
        ("centroid_hz", np.float32),  # centre of the note's energy
        ("bandwidth_hz", np.float32),  # its spread (standard deviation)
        ("start_hz", np.float32),  # pitch at its start, at its end, and its extremes
        ("end_hz", np.float32),
        ("lowest_hz", np.float32),
        ("highest_hz", np.float32),
        ("attack_ms", np.float32),  # from 10 % to 90 % of its peak amplitude
        ("decay_ms", np.float32),  # from 90 % to 10 %
        # Power over the noise floor by part and band, dB re a full-scale sine; 0: not known.
        ("spectrogram_db", np.int8, (PARTS, BANDS)),
    ]
)

TRACK = np.dtype([("at_s", np.float64), ("pitch_hz", np.float64), ("level_db", np.float32)])

Rows = npt.NDArray[np.void]


@dataclass(frozen=True, slots=True)
class NoteTable:
    """Notes in order of onset, with their features and pitch tracks."""

    notes: Rows
    features: Rows
    track: Rows

    def __len__(self) -> int:
        return len(self.notes)


def empty_table() -> NoteTable:
    """A table without notes."""
    return NoteTable(np.zeros(0, NOTE), np.zeros(0, FEATURES), np.zeros(0, TRACK))


# Notes converted at once: a day's columns as Python numbers would take more than the table.
AT_ONCE = 2048
# The fields of a note in a score, and the digits that are kept.
ROUNDED = (
    ("onset_s", 5),
    ("offset_s", 5),
    ("pitch_hz", 2),
    ("level_db", 2),
    ("snr_db", 2),
    ("low_hz", 1),
    ("high_hz", 1),
    ("tonality", 3),
    ("voice", 0),
    ("phrase", 0),
    ("first", 0),
    ("points", 0),
)


def voice_name(number: int) -> str:
    """A, B, …, Z, AA, AB, … for 0, 1, …."""
    name = ""
    number += 1
    while number:
        number, letter = divmod(number - 1, 26)
        name = chr(ord("A") + letter) + name
    return name


def to_notes(table: NoteTable) -> tuple[Note, ...]:
    """The table's rows as the notes of a score."""
    return tuple(NoteRows(table))


class NoteRows(Sequence[Note]):
    """The notes of a table, each made when it is asked for."""

    def __init__(self, table: NoteTable) -> None:
        self._table = NoteTable(table.notes, empty_table().features, table.track)
        voices = int(table.notes["voice"].max()) + 1 if len(table) else 0
        self._names = [voice_name(n) for n in range(voices)]

    def __len__(self) -> int:
        return len(self._table)

    def __iter__(self) -> Iterator[Note]:
        for start in range(0, len(self), AT_ONCE):
            rows = self._table.notes[start : start + AT_ONCE]
            yield from _convert(rows, start, self._table, self._names)

    @overload
    def __getitem__(self, at: int) -> Note: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[Note, ...]: ...
    def __getitem__(self, at: int | slice) -> Note | tuple[Note, ...]:
        if isinstance(at, slice):
            return tuple(self[n] for n in range(*at.indices(len(self))))
        at = range(len(self))[at]
        (note,) = _convert(self._table.notes[at : at + 1], at, self._table, self._names)
        return note


def _track_span(rows: Rows) -> tuple[int, int]:
    """First and last row of the notes' tracks, which stand in nearly the same order as they."""
    if len(rows) == 0:
        return 0, 0
    return int(rows["first"].min()), int((rows["first"] + rows["points"]).max())


def _convert(rows: Rows, start: int, table: NoteTable, names: list[str]) -> Iterator[Note]:
    rounded = [np.round(rows[name], digits).tolist() for name, digits in ROUNDED]
    before, after = _track_span(rows)
    at_s = np.round(table.track["at_s"][before:after], 4).tolist()
    pitch_hz = np.round(table.track["pitch_hz"][before:after], 1).tolist()
    track = tuple(zip(at_s, pitch_hz, strict=True))
    for number, values in enumerate(zip(*rounded, strict=True), start):
        onset, offset, pitch, level, snr, low, high, tonality, voice, phrase, first, count = values
        yield Note(
            id=number,
            onset_s=onset,
            offset_s=max(offset, onset),
            pitch_hz=pitch if pitch == pitch else None,
            level_db=level,
            voice=names[voice],
            tonality=min(1.0, max(0.0, tonality)),
            phrase=phrase,
            snr_db=snr,
            low_hz=low,
            high_hz=high,
            track=track[first - before : first - before + count],
        )

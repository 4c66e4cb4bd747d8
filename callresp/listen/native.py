"""The native detector: the engine over a whole recording."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, overload

import numpy as np

from callresp.listen.engine import WARM_UP_S, Engine
from callresp.listen.model import FEATURES, NOTE, TRACK, NoteTable, Rows, empty_table
from callresp.listen.phrases import close_phrases
from callresp.listen.profile import Profile
from callresp.listen.voices import assign_voices
from callresp.score import Note

Progress = Callable[[float], None]

# Notes made at once: a day's columns as Python numbers would outweigh the day itself.
AT_ONCE = 2048
# What is kept of a note, and to how many digits.
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


def hear_table(
    recording: Any, profile: Profile, progress: Progress | None = None
) -> tuple[NoteTable, float]:
    """Hear a recording; returns its notes, in order of onset, and its true length in seconds."""
    engine = Engine(recording.sample_rate_hz, profile)
    engine.warm_up(_opening(recording))
    gathered = _Gathered()
    taken = 0
    for block in recording.blocks():
        gathered.add(engine.push(block))
        taken += len(block)
        if progress is not None:
            progress(min(1.0, taken / max(1, recording.frames)))
    gathered.add(engine.push(np.zeros(0, np.float32), last=True))
    return with_voices(gathered.in_order(), profile), taken / recording.sample_rate_hz


def _opening(recording: Any) -> Iterator[Any]:
    left = int(WARM_UP_S * recording.sample_rate_hz)
    for block in recording.blocks():
        yield block[:left]
        left -= len(block)
        if left <= 0:
            return


class _Gathered:
    """Tables put end to end as they come, without ever holding them twice."""

    def __init__(self) -> None:
        self._notes, self._features, self._track = bytearray(), bytearray(), bytearray()

    def add(self, tables: list[NoteTable]) -> None:
        for table in tables:
            table.notes["first"] += len(self._track) // TRACK.itemsize
            self._notes += table.notes.tobytes()
            self._features += table.features.tobytes()
            self._track += table.track.tobytes()

    def in_order(self) -> NoteTable:
        """One table, in order of onset."""
        notes = np.frombuffer(self._notes, NOTE)
        features = np.frombuffer(self._features, FEATURES)
        order = np.argsort(notes["onset_s"], kind="stable")
        return NoteTable(notes[order], features[order], np.frombuffer(self._track, TRACK))


def with_voices(table: NoteTable, profile: Profile) -> NoteTable:
    """Give every note its voice and its phrase."""
    notes = assign_voices(table.notes, table.features)
    return NoteTable(close_phrases(notes, profile.rest_s), table.features, table.track)


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
    """The notes of a table, each made when it is asked for.

    A day's notes as Python objects weigh ten times what the table does.
    """

    def __init__(self, table: NoteTable) -> None:
        self._table = NoteTable(table.notes, empty_table().features, table.track)
        voices = int(table.notes["voice"].max()) + 1 if len(table) else 0
        self._names = [voice_name(n) for n in range(voices)]

    def __len__(self) -> int:
        return len(self._table)

    def __iter__(self) -> Iterator[Note]:
        for start in range(0, len(self), AT_ONCE):
            rows = self._table.notes[start : start + AT_ONCE]
            yield from _some_notes(rows, start, self._table, self._names)

    @overload
    def __getitem__(self, at: int) -> Note: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[Note, ...]: ...
    def __getitem__(self, at: int | slice) -> Note | tuple[Note, ...]:
        if isinstance(at, slice):
            return tuple(self[n] for n in range(*at.indices(len(self))))
        at = range(len(self))[at]
        (note,) = _some_notes(self._table.notes[at : at + 1], at, self._table, self._names)
        return note


def _span(rows: Rows) -> tuple[int, int]:
    """First and last point of the notes' tracks, which lie in nearly the same order as they."""
    if len(rows) == 0:
        return 0, 0
    return int(rows["first"].min()), int((rows["first"] + rows["points"]).max())


def _some_notes(rows: Rows, start: int, table: NoteTable, names: list[str]) -> Iterator[Note]:
    rounded = [np.round(rows[name], digits).tolist() for name, digits in ROUNDED]
    before, after = _span(rows)
    at_s = np.round(table.track["at_s"][before:after], 4).tolist()
    pitch_hz = np.round(table.track["pitch_hz"][before:after], 1).tolist()
    for number, values in enumerate(zip(*rounded, strict=True), start):
        onset, offset, pitch, level, snr, low, high, tonality, voice, phrase, first, count = values
        own = slice(first - before, first - before + count)
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
            track=tuple(zip(at_s[own], pitch_hz[own], strict=True)),
        )

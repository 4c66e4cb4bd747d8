"""The native detector: the engine over a whole recording."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from callresp.listen.engine import WARM_UP_S, Engine
from callresp.listen.model import NoteTable, Rows, empty_table
from callresp.listen.phrases import close_phrases
from callresp.listen.profile import Profile
from callresp.score import Note

Progress = Callable[[float], None]


def hear_table(
    recording: Any, profile: Profile, progress: Progress | None = None
) -> tuple[NoteTable, float]:
    """Hear a recording; returns its notes, in order of onset, and its true length in seconds."""
    engine = Engine(recording.sample_rate_hz, profile)
    engine.warm_up(_opening(recording))
    tables: list[NoteTable] = []
    taken = 0
    for block in recording.blocks():
        tables += engine.push(block)
        taken += len(block)
        if progress is not None:
            progress(min(1.0, taken / max(1, recording.frames)))
    tables += engine.push(np.zeros(0, np.float32), last=True)
    return with_voices(_joined(tables), profile), taken / recording.sample_rate_hz


def _opening(recording: Any) -> Iterator[Any]:
    left = int(WARM_UP_S * recording.sample_rate_hz)
    for block in recording.blocks():
        yield block[:left]
        left -= len(block)
        if left <= 0:
            return


def _joined(tables: list[NoteTable]) -> NoteTable:
    """One table out of many, in order of onset."""
    if not tables:
        return empty_table()
    shift = 0
    for table in tables:
        table.notes["first"] += shift
        shift += len(table.track)
    notes = np.concatenate([table.notes for table in tables])
    order = np.argsort(notes["onset_s"], kind="stable")
    features = np.concatenate([table.features for table in tables])
    return NoteTable(notes[order], features[order], np.concatenate([t.track for t in tables]))


def with_voices(table: NoteTable, profile: Profile) -> NoteTable:
    """Give every note its voice and its phrase."""
    try:
        from callresp.listen.voices import assign_voices
    except ModuleNotFoundError:  # until voices.py lands
        notes = table.notes
    else:
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
    rows: Rows = table.notes
    rounded = {
        name: np.round(rows[name], digits).tolist()
        for name, digits in (
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
    }
    at = np.round(table.track["at_s"], 4).tolist()
    hz = np.round(table.track["pitch_hz"], 1).tolist()
    points = list(zip(at, hz, strict=True))
    names = [voice_name(n) for n in range(int(rows["voice"].max()) + 1)] if len(rows) else []
    notes = []
    for i, values in enumerate(zip(*rounded.values(), strict=True)):
        onset, offset, pitch, level, snr, low, high, tonality, voice, phrase, first, count = values
        notes.append(
            Note(
                id=i,
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
                track=tuple(points[first : first + count]),
            )
        )
    return tuple(notes)

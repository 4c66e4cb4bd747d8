"""The listener's own record of a note, before it becomes a `callresp.score.Note`.

Goal
----
Notes come out of the listener by the hundred, and voices, phrases and rhythm
look at all of them at once, so inside this room they are rows of numpy
structured arrays. Three arrays go together:

- notes: one row of `NOTE` a note, in order of onset.
- features: one row of `FEATURES` a note, in the same order: what helps to tell
  one singer from another.
- track: the pitch tracks of all notes, end to end, rows of `TRACK`; a note's
  own points are ``track[first : first + points]``.

Conventions
-----------
Seconds from the start of the recording, hertz, dB re a full-scale sine
(AES17-2015). ``nan`` where a value is unknown: `pitch_hz` of an unpitched note,
and every feature that needs a pitch.

`assign_voices(notes, features) -> notes` (callresp.listen.voices) returns a
copy of the notes with `voice` filled in: 0 for the singer heard first, 1 for
the next new one, and so on. `close_phrases` (callresp.listen.phrases) then
fills `phrase`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

# How many partials of a harmonic note are kept as features.
PARTIALS = 6

NOTE = np.dtype(
    [
        ("onset_s", np.float64),
        ("offset_s", np.float64),
        ("pitch_hz", np.float64),  # median of the track; nan: unpitched
        ("level_db", np.float64),  # RMS over the note in its own band
        ("snr_db", np.float64),  # above the floor of the place in that band
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
        ("partial_db", np.float32, (PARTIALS,)),  # of harmonics 1, 2, …, re the strongest; ≥ -60
        ("centroid_hz", np.float32),  # centre of the note's energy
        ("bandwidth_hz", np.float32),  # its spread (standard deviation)
        ("start_hz", np.float32),  # pitch at its start, its end, and extremes
        ("end_hz", np.float32),
        ("lowest_hz", np.float32),
        ("highest_hz", np.float32),
        ("slope_oct_s", np.float32),  # least-squares slope of the track, octaves a second
        ("wobble_cents", np.float32),  # RMS of the track about that slope
        ("vibrato_hz", np.float32),  # rate of the wobble, from its turning points
        ("attack_ms", np.float32),  # from 10 % to 90 % of its peak amplitude
        ("decay_ms", np.float32),  # from 90 % to 10 %
        ("peak_db", np.float32),  # highest level over one short window
    ]
)

TRACK = np.dtype([("at_s", np.float64), ("pitch_hz", np.float64), ("level_db", np.float32)])

Rows = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class NoteTable:
    """Notes in order of onset, with their features and pitch tracks."""

    notes: Rows
    features: Rows
    track: Rows

    def __len__(self) -> int:
        return len(self.notes)

    def track_of(self, index: int) -> Rows:
        """The pitch track of one note: rows of `TRACK`."""
        first = int(self.notes["first"][index])
        return self.track[first : first + int(self.notes["points"][index])]


def empty_table() -> NoteTable:
    """A table without notes."""
    return NoteTable(np.zeros(0, NOTE), np.zeros(0, FEATURES), np.zeros(0, TRACK))

"""Notes and scores: what passes between the stages of a job, as plain data.

Conventions
-----------
- Times are seconds from the start of the recording; the header's `start`
  (ISO 8601, with offset) says when that was.
- Levels are dB against full scale, where a full-scale sine reads 0 dB
  (AES17-2015).
- Pitches are hertz; `None` (``null``) where a sound has no pitch.

Every value is checked when it is made, so a score that exists is sound.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import groupby, pairwise
from operator import attrgetter
from typing import Self

import msgspec

from callresp.io.starttime import read_start

VERSION = 1
# A sound at the very beginning may be taken to begin a little before it, never more.
EARLIEST_S = -1.0
# Three years: no day and no season is as long, and clocks, ticks and samples still hold it.
LATEST_S = 1e8
# Of a rest that closes a phrase, and of a phrase: a day.
LONGEST_S = 86400.0
# Beyond these no recorder and no ear goes; a cent of a pitch still is a number between them.
LOWEST_HZ = 1e-3
HIGHEST_HZ = 1e6


def _finite(name: str, value: float) -> None:
    if not math.isfinite(value):
        raise ValueError(f"{name} must be a finite number, not {value}")


def _span(onset_s: float, offset_s: float) -> None:
    _finite("onset_s", onset_s)
    _finite("offset_s", offset_s)
    if onset_s < EARLIEST_S:
        raise ValueError(f"onset_s {onset_s:g} lies before the start")
    if offset_s > LATEST_S:
        raise ValueError(f"offset_s {offset_s:g} lies more than three years after the start")
    if offset_s < onset_s:
        raise ValueError(f"offset_s {offset_s} comes before onset_s {onset_s}")


def _positive_or_none(name: str, value: float | None) -> None:
    if value is not None and not LOWEST_HZ <= value <= HIGHEST_HZ:
        raise ValueError(
            f"{name} must be null or lie in {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz, not {value:g}"
        )


def _band(low_hz: float, high_hz: float) -> None:
    for name, value in (("low_hz", low_hz), ("high_hz", high_hz)):
        if not 0.0 <= value <= HIGHEST_HZ:
            raise ValueError(f"{name} must lie in 0 to {HIGHEST_HZ:g} Hz, not {value:g}")


def _share(name: str, value: float) -> None:
    if not 0.0 <= value <= 1.0:
        raise ValueError(f"{name} must lie in 0 to 1, not {value}")


def check_recording(start: str | None, duration_s: float) -> None:
    """What a header says of its recording: when it began (ISO 8601), where known, and its length.

    Raises
    ------
    ValueError
        When the one is no time, or the other no length.
    """
    if start is not None:
        read_start(start)
    if not 0.0 <= duration_s <= LATEST_S:
        raise ValueError(f"duration_s must lie in 0 to {LATEST_S:g} s, not {duration_s:g}")


class Note(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One sounding event, as it was heard.

    Attributes
    ----------
    id
        Number of the note in its score; replies name it.
    onset_s, offset_s
        Start and end.
    pitch_hz
        Median of the pitch track, `None` where tonality is low.
    level_db
        RMS level over the note, dB re full scale.
    voice
        Name of the singer that the note is given to.
    tonality
        0 (noise, click) to 1 (a steady or sweeping tone).
    phrase
        Number of the phrase that holds the note.
    snr_db
        Level above the floor of the place in the note's own band.
    low_hz, high_hz
        The band that holds the note's energy.
    track
        Pitch track: (time in seconds, pitch in hertz) in order of time; empty
        where unpitched.
    """

    id: int
    onset_s: float
    offset_s: float
    pitch_hz: float | None
    level_db: float
    voice: str
    tonality: float = 1.0
    phrase: int = 0
    snr_db: float = 0.0
    low_hz: float = 0.0
    high_hz: float = 0.0
    track: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        _span(self.onset_s, self.offset_s)
        _positive_or_none("pitch_hz", self.pitch_hz)
        _band(self.low_hz, self.high_hz)
        _finite("level_db", self.level_db)
        _share("tonality", self.tonality)

    @property
    def length_s(self) -> float:
        """Length of the note."""
        return self.offset_s - self.onset_s


class HeardHeader(msgspec.Struct, frozen=True, kw_only=True):
    """What a heard score was heard in, and by what.

    `rest_s` and `longest_phrase_s` are those of the profile, by which its phrases were closed.
    `by_hand` is what was changed in it since. `lines` is told in files only: how many lines
    follow the header.
    """

    score: str = "heard"
    version: int = VERSION
    recording: str = ""
    start: str | None = None
    duration_s: float = 0.0
    sample_rate_hz: int = 0
    detector: str = "native"
    profile: str = ""
    rest_s: float = 0.4
    longest_phrase_s: float = 15.0
    warnings: tuple[str, ...] = ()
    by_hand: tuple[str, ...] = ()
    lines: int | None = None

    def __post_init__(self) -> None:
        check_recording(self.start, self.duration_s)
        for name in ("rest_s", "longest_phrase_s"):
            value = getattr(self, name)
            if not 0.0 < value <= LONGEST_S:
                raise ValueError(f"{name} must lie above 0 and up to {LONGEST_S:g} s, not {value}")


class HeardScore(msgspec.Struct, frozen=True, kw_only=True):
    """Notes heard in a recording, in order of onset."""

    header: HeardHeader
    notes: tuple[Note, ...]

    def __post_init__(self) -> None:
        _ordered(self.notes)


class Phrase(msgspec.Struct, frozen=True, kw_only=True):
    """A run of notes of one voice, closed by a rest."""

    id: int
    voice: str
    notes: tuple[Note, ...]

    @property
    def onset_s(self) -> float:
        """Start of its first note."""
        return self.notes[0].onset_s

    @property
    def offset_s(self) -> float:
        """End of the note that ends last."""
        return max(note.offset_s for note in self.notes)


def phrases(notes: Iterable[Note]) -> tuple[Phrase, ...]:
    """Gather notes into their phrases, in order of phrase onset."""
    by_phrase = sorted(notes, key=lambda note: (note.phrase, note.onset_s, note.id))
    found = []
    for number, members in groupby(by_phrase, key=attrgetter("phrase")):
        run = tuple(members)
        found.append(Phrase(id=number, voice=run[0].voice, notes=run))
    return tuple(sorted(found, key=lambda phrase: (phrase.onset_s, phrase.id)))


class ReplyNote(msgspec.Struct, frozen=True, kw_only=True):
    """One thing the machine should do: a strike, or a spell of turning.

    Attributes
    ----------
    id
        Number of the note in its score; plans name it.
    onset_s
        When the strike should be heard (the plan takes off the latency).
    offset_s
        When the damper should fall, or when the turner should stop. For a
        striker that rings free it is `None`.
    instrument
        Name of a striker or turner of the palette.
    force
        0 (softest that speaks) to 1 (hardest); for a turner, the share of its
        speed range.
    phrase
        Number of the reply phrase.
    heard, heard_phrase
        The heard note (`None` for an added note) and the heard phrase that it
        answers.
    asked_hz
        The pitch that the rule asked for, `None` where unpitched.
    rule
        Name of the rule that made it.
    why
        The same in a few words a person can read.
    """

    id: int
    onset_s: float
    offset_s: float | None
    instrument: str
    force: float
    phrase: int
    heard: int | None
    heard_phrase: int
    rule: str
    why: str = ""
    asked_hz: float | None = None

    def __post_init__(self) -> None:
        _span(self.onset_s, self.onset_s if self.offset_s is None else self.offset_s)
        _share("force", self.force)
        _positive_or_none("asked_hz", self.asked_hz)

    def later(self, by_s: float) -> Self:
        """The same note, `by_s` later."""
        if by_s == 0:
            return self
        offset_s = None if self.offset_s is None else round(self.offset_s + by_s, 6)
        onset_s = round(self.onset_s + by_s, 6)
        return msgspec.structs.replace(self, onset_s=onset_s, offset_s=offset_s)


class Unanswered(msgspec.Struct, frozen=True, kw_only=True):
    """A heard phrase that got no reply, and why."""

    unanswered: int
    at_s: float
    rule: str
    why: str


class ReplyHeader(msgspec.Struct, frozen=True, kw_only=True):
    """What a reply score answers, and with what.

    `heard_file` is the heard score's name; `lines` is told in files only.
    """

    score: str = "reply"
    version: int = VERSION
    recording: str = ""
    start: str | None = None
    duration_s: float = 0.0
    palette: str = ""
    rules: str = ""
    seed: int = 0
    heard_file: str = ""
    lines: int | None = None

    def __post_init__(self) -> None:
        check_recording(self.start, self.duration_s)


class ReplyScore(msgspec.Struct, frozen=True, kw_only=True):
    """Notes to play, in order of onset, and the phrases left unanswered."""

    header: ReplyHeader
    notes: tuple[ReplyNote, ...]
    unanswered: tuple[Unanswered, ...] = ()

    def __post_init__(self) -> None:
        _ordered(self.notes)


def _ordered(notes: Sequence[Note | ReplyNote]) -> None:
    for before, after in pairwise(notes):
        if after.onset_s < before.onset_s:
            raise ValueError(f"note {after.id} at {after.onset_s} s is out of order")

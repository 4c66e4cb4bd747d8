"""A day in the field as plain values: what its log held, on one axis of time.

Times are seconds from the day's start, which is when its first run began by the clock
of the place. `day_reader` makes a day of its log.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TypeVar

import msgspec

from callresp.io.score import Note, Phrase, ReplyNote

PLAYED = frozenset({"executed", "played", "sent as MIDI"})


@dataclass(frozen=True, slots=True)
class FieldRun:
    """From one start of the machine to its end: what it listened to and played by.

    `ended` says how it ended, where the log does; where it isn't `dated`, `start` is when a
    recording was listened to, and nothing tells when it was made.
    """

    begins_s: float
    ends_s: float
    start: datetime
    palette: str = ""
    palette_sha256: str = ""
    rules: str = ""
    profile: str = ""
    recording: str = ""
    sample_rate_hz: int = 0
    ended: str = ""
    dated: bool = True


@dataclass(frozen=True, slots=True)
class LoggedReply:
    """What a phrase was answered with, or why not (`unanswered`)."""

    at_s: float
    phrase: int
    rule: str
    notes: tuple[ReplyNote, ...] = ()
    unanswered: str = ""


@dataclass(frozen=True, slots=True)
class LoggedCommand:
    """A command and its fate.

    `played_s` is when the board did it, `reply` the note that it was for.
    """

    at_s: float
    channel: int
    instrument: str
    what: str
    length_ms: float
    fate: str
    played_s: float | None = None
    reply: int | None = None

    @property
    def played(self) -> bool:
        """Whether it moved something."""
        return self.fate in PLAYED


@dataclass(frozen=True, slots=True)
class LoggedStatus:
    """How the machine was; what is not known is `None`.

    `strikes`, `overruns` and `energy_j` count up from the start of a run.
    """

    at_s: float
    supply_v: float | None = None
    coil_c: float | None = None
    board_c: float | None = None
    lux: float | None = None
    air_c: float | None = None
    humidity_pct: float | None = None
    credit: int | None = None
    strikes: int | None = None
    overruns: int | None = None
    energy_j: float | None = None
    latency_ms: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LoggedEvent:
    """A fault (`where` says of what), or a remark (`state` says what it led to)."""

    at_s: float
    text: str
    where: str = ""
    state: str = ""


@dataclass(frozen=True, slots=True)
class FieldDay:
    """All of it; sequences are in the order of the log.

    `unreadable` counts rows that were left out since they can't be understood,
    `lost` those that a damaged file no longer holds.
    """

    path: Path
    start: datetime
    duration_s: float
    runs: tuple[FieldRun, ...] = ()
    phrases: tuple[Phrase, ...] = ()
    replies: tuple[LoggedReply, ...] = ()
    commands: tuple[LoggedCommand, ...] = ()
    statuses: tuple[LoggedStatus, ...] = ()
    faults: tuple[LoggedEvent, ...] = ()
    remarks: tuple[LoggedEvent, ...] = ()
    clock_steps: tuple[LoggedEvent, ...] = ()
    unreadable: int = 0
    lost: int = 0

    def known_start(self) -> str | None:
        """When it began (ISO 8601), where that is known."""
        return self.start.isoformat() if all(run.dated for run in self.runs) else None

    def moment(self, at_s: float) -> datetime:
        """Time of day of a moment, by the clock of its run."""
        if not self.runs:
            return self.start + timedelta(seconds=at_s)
        run = self.runs[self.run_at(at_s)]
        return run.start + timedelta(seconds=at_s - run.begins_s)

    def in_zone(self, moment: datetime, at_s: float) -> datetime:
        """The same moment in the zone that the run at `at_s` goes by."""
        return moment.astimezone(self.moment(at_s).tzinfo)

    def run_at(self, at_s: float) -> int:
        """Number of the run that a moment belongs to."""
        return max((n for n, run in enumerate(self.runs) if run.begins_s <= at_s), default=0)

    def answers(self) -> list[ReplyNote]:
        """Every note that was to be played, in order of onset."""
        notes = [note for reply in self.replies for note in reply.notes]
        return sorted(notes, key=lambda note: (note.onset_s, note.id))

    def sounded(self) -> list[ReplyNote]:
        """The notes that were played; all of them where the log holds no command (MIDI).

        A damper that was held for a note is no sound of it.
        """
        if not self.commands:
            return self.answers()
        played = {c.reply for c in self.commands if c.played and c.what != "hold"}
        return [note for note in self.answers() if note.id in played]

    def answered(self) -> set[int]:
        """The phrases of whose answers something sounded."""
        return {note.heard_phrase for note in self.sounded()}


Timed = TypeVar("Timed", Phrase, ReplyNote, LoggedReply, LoggedCommand, LoggedStatus, LoggedEvent)


def shifted(item: Timed, by_s: float) -> Timed:
    """The same, `by_s` later."""

    def later(at_s: float) -> float:
        return round(at_s + by_s, 6)

    def moved(note: Note) -> Note:
        return msgspec.structs.replace(
            note,
            onset_s=later(note.onset_s),
            offset_s=later(note.offset_s),
            track=tuple((later(at_s), hz) for at_s, hz in note.track),
        )

    if by_s == 0:
        return item
    if isinstance(item, Phrase):
        return msgspec.structs.replace(item, notes=tuple(moved(note) for note in item.notes))
    if isinstance(item, ReplyNote):
        return item.later(by_s)
    if isinstance(item, LoggedReply):
        notes = tuple(shifted(note, by_s) for note in item.notes)
        return replace(item, at_s=later(item.at_s), notes=notes)
    if isinstance(item, LoggedCommand):
        played_s = None if item.played_s is None else later(item.played_s)
        return replace(item, at_s=later(item.at_s), played_s=played_s)
    return replace(item, at_s=later(item.at_s))

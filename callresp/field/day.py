"""A day in the field, read back from its log as plain values.

Conventions
-----------
- Times are seconds from the day's start, which is when its first run began by
  the clock of the place. A machine that was switched off and on again has
  several runs, each with an engine clock that began at 0: they are set one
  after another by their times of day.
- A run that says it began before the one before it ended (somebody set the
  clock back) is put at that end: time never runs backwards here.
- Phrases and notes are numbered anew, in the order in which they were logged,
  so that a number stands for one thing all day.
- What a cut left half written is not in the log (see `log`). A row that can't
  be understood, say from a newer version, is left out and counted.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec

from callresp.errors import UserError
from callresp.field.log import LogRow, log_rows
from callresp.io.score import Note, Phrase, ReplyNote

# Longer than a commit and a busy moment together; shorter than a clock that was set.
CLOCK_STEP_S = 5.0
PLAYED = frozenset({"executed", "played", "sent as MIDI"})


@dataclass(frozen=True, slots=True)
class FieldRun:
    """From one start of the machine to its end: what it listened to and played by."""

    begins_s: float
    ends_s: float
    start: datetime
    palette: str = ""
    palette_sha256: str = ""
    rules: str = ""
    profile: str = ""
    recording: str = ""
    sample_rate_hz: int = 0


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
    """All of it; sequences are in the order of the log."""

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

    def moment(self, at_s: float) -> datetime:
        """Time of day of a moment."""
        return self.start + timedelta(seconds=at_s)

    def since_start(self, moment: datetime) -> float:
        """Seconds from the start to a time of day."""
        return (moment - self.start).total_seconds()

    def run_at(self, at_s: float) -> int:
        """Number of the run that a moment belongs to."""
        return max((n for n, run in enumerate(self.runs) if run.begins_s <= at_s), default=0)

    def answers(self) -> list[ReplyNote]:
        """Every note that was to be played, in order of onset."""
        notes = [note for reply in self.replies for note in reply.notes]
        return sorted(notes, key=lambda note: (note.onset_s, note.id))

    def sounded(self) -> list[ReplyNote]:
        """The notes that were played; all of them where the log holds no command (MIDI)."""
        if not self.commands:
            return self.answers()
        played = {command.reply for command in self.commands if command.played}
        return [note for note in self.answers() if note.id in played]


def read_day(path: Path, *, tracks: bool = True) -> FieldDay:
    """Read a log, whole or cut, while it is still written or after.

    Parameters
    ----------
    path
        The log.
    tracks
        Whether to keep the pitch tracks of heard notes: most of a day's bytes.

    Raises
    ------
    UserError
        There is no such log, or nothing is in it.
    """
    reader = _Reader(tracks=tracks)
    for entry in log_rows(path):
        reader.take(entry)
    return reader.day(path)


class _Reader:
    """Gathers a day row by row."""

    def __init__(self, *, tracks: bool) -> None:
        self._tracks = tracks
        self._start: datetime | None = None
        self._runs: list[FieldRun] = []
        self._offset_s = 0.0
        self._last_s = 0.0
        self._drift_s: float | None = None
        self._phrases: list[Phrase] = []
        self._notes = 0
        self._phrase_ids: dict[int, int] = {}
        self._note_ids: dict[int, int] = {}
        self._reply_ids: dict[int, int] = {}
        self._reply_notes = 0
        self._unreadable = 0
        self._found: dict[str, list[Any]] = {
            kind: [] for kind in ("reply", "command", "status", "fault", "remark", "step")
        }

    def take(self, entry: LogRow) -> None:
        """Take one row."""
        try:
            if entry.kind == "day" or self._start is None:
                self._begin(entry)
            self._watch_clock(entry)
            at_s = self._at(entry.at_s)
            self._last_s = max(self._last_s, at_s)
            if entry.kind == "phrase":
                self._phrase(entry.body)
            elif entry.kind != "day":
                self._found[entry.kind].append(self._read(entry.kind, entry.body, at_s))
        except (msgspec.ValidationError, ValueError, KeyError, TypeError, AttributeError):
            self._unreadable += 1

    def _at(self, engine_s: float) -> float:
        # The first run keeps its times to the last bit.
        return round(self._offset_s + engine_s, 6) if self._offset_s else engine_s

    def _begin(self, entry: LogRow) -> None:
        """Begin a run. Rows before any "day" row begin one of their own."""
        body = entry.body if entry.kind == "day" and isinstance(entry.body, dict) else {}
        wall = _aware(datetime.fromisoformat(entry.wall)) - timedelta(seconds=entry.at_s)
        start = _moment(body.get("start")) or wall
        if self._start is None:
            self._start = start
        self._end_run()
        self._offset_s = max((start - self._start).total_seconds(), self._last_s)
        self._drift_s = None
        self._phrase_ids, self._note_ids, self._reply_ids = {}, {}, {}
        told = {
            key: body[key]
            for key in ("palette", "palette_sha256", "rules", "profile", "recording")
            if isinstance(body.get(key), str)
        }
        rate = body.get("sample_rate_hz")
        rate = rate if isinstance(rate, int) else 0
        self._runs.append(
            FieldRun(self._offset_s, self._offset_s, start, **told, sample_rate_hz=rate)
        )

    def _end_run(self) -> None:
        if self._runs:
            self._runs[-1] = replace(self._runs[-1], ends_s=self._last_s)

    def _watch_clock(self, entry: LogRow) -> None:
        """Note where the clock of the place was set while the engine's ran on."""
        wall = _aware(datetime.fromisoformat(entry.wall))
        drift_s = (wall - self._runs[-1].start).total_seconds() - entry.at_s
        if self._drift_s is not None and abs(drift_s - self._drift_s) > CLOCK_STEP_S:
            way = "forward" if drift_s > self._drift_s else "back"
            text = f"the clock was set {way} by {abs(drift_s - self._drift_s):.0f} s"
            self._found["step"].append(LoggedEvent(self._at(entry.at_s), text))
        self._drift_s = drift_s

    def _phrase(self, body: Any) -> None:
        phrase = msgspec.convert(body, Phrase)
        if not phrase.notes:
            return
        number = len(self._phrases)
        self._phrase_ids[phrase.id] = number
        notes = tuple(self._heard(note, number) for note in phrase.notes)
        self._phrases.append(Phrase(id=number, voice=phrase.voice, notes=notes))
        self._last_s = max(self._last_s, self._phrases[-1].offset_s)

    def _heard(self, note: Note, phrase: int) -> Note:
        self._note_ids[note.id] = self._notes
        self._notes += 1
        track = tuple((self._at(at_s), hz) for at_s, hz in note.track) if self._tracks else ()
        return msgspec.structs.replace(
            note,
            id=self._notes - 1,
            phrase=phrase,
            onset_s=self._at(note.onset_s),
            offset_s=self._at(note.offset_s),
            track=track,
        )

    def _read(self, kind: str, body: Any, at_s: float) -> object:
        return getattr(self, f"_{kind}")(body, at_s)

    def _reply(self, body: dict[str, Any], at_s: float) -> LoggedReply:
        phrase = self._phrase_ids.get(body["phrase"], -1)
        notes = msgspec.convert(body.get("notes") or (), tuple[ReplyNote, ...])
        moved = tuple(self._answered(note, phrase) for note in notes)
        why = str(body.get("unanswered", ""))
        if not moved and not why:
            why = "none of its notes could be struck"
        return LoggedReply(at_s, phrase, str(body.get("rule", "")), moved, why)

    def _answered(self, note: ReplyNote, phrase: int) -> ReplyNote:
        self._reply_ids[note.id] = self._reply_notes
        self._reply_notes += 1
        heard = None if note.heard is None else self._note_ids.get(note.heard)
        return msgspec.structs.replace(
            note,
            id=self._reply_notes - 1,
            onset_s=self._at(note.onset_s),
            offset_s=None if note.offset_s is None else self._at(note.offset_s),
            heard=heard,
            heard_phrase=phrase,
        )

    def _command(self, body: dict[str, Any], at_s: float) -> LoggedCommand:
        played = _number(body.get("played_s"))
        return LoggedCommand(
            at_s=self._at(float(body["at_s"])) if "at_s" in body else at_s,
            channel=int(body["channel"]),
            instrument=str(body.get("instrument", "")),
            what=str(body["what"]),
            length_ms=float(body.get("length_ms") or 0.0),
            fate=str(body["fate"]),
            played_s=None if played is None else self._at(played),
            reply=self._reply_ids.get(body.get("reply", -1)),
        )

    def _status(self, body: dict[str, Any], at_s: float) -> LoggedStatus:
        stages = body.get("latency_ms") or {}
        return LoggedStatus(
            at_s,
            supply_v=_number(body.get("supply_v")),
            coil_c=_number(body.get("coil_c")),
            board_c=_number(body.get("board_c")),
            credit=_count(body.get("credit")),
            strikes=_count(body.get("strikes")),
            overruns=_count(body.get("overruns")),
            energy_j=_number(body.get("energy_j")),
            latency_ms={k: float(v) for k, v in stages.items() if _number(v) is not None},
        )

    def _fault(self, body: dict[str, Any], at_s: float) -> LoggedEvent:
        return LoggedEvent(at_s, str(body["what"]), where=str(body.get("where") or ""))

    def _remark(self, body: Any, at_s: float) -> LoggedEvent:
        if isinstance(body, str):
            return LoggedEvent(at_s, body)
        return LoggedEvent(at_s, str(body["text"]), state=str(body.get("state") or ""))

    def day(self, path: Path) -> FieldDay:
        """What was gathered."""
        if self._start is None:
            raise UserError(
                "nothing is in this log yet", where=str(path), remedy="let the machine run first"
            )
        self._end_run()
        found = self._found
        return FieldDay(
            path=Path(path),
            start=self._start,
            duration_s=max(self._last_s, 1.0),
            runs=tuple(self._runs),
            phrases=tuple(self._phrases),
            replies=tuple(found["reply"]),
            commands=tuple(found["command"]),
            statuses=tuple(found["status"]),
            faults=tuple(found["fault"]),
            remarks=tuple(found["remark"]),
            clock_steps=tuple(found["step"]),
            unreadable=self._unreadable,
        )


def _moment(text: object) -> datetime | None:
    try:
        return _aware(datetime.fromisoformat(str(text))) if text else None
    except ValueError:
        return None


def _aware(moment: datetime) -> datetime:
    """A time of day without its offset, as a recording's name has it, is local time here."""
    return moment if moment.tzinfo is not None else moment.astimezone()


def _number(value: object) -> float | None:
    if isinstance(value, dict):
        values = [one for one in map(_number, value.values()) if one is not None]
        return max(values, default=None)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)


def _count(value: object) -> int | None:
    number = _number(value)
    return None if number is None else round(number)

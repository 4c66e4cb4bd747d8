"""Reads the log of a day in the field back as a `day.FieldDay`.

Conventions
-----------
- Times are seconds from the day's start, which is when its first run began by
  the clock of the place. A machine that was switched off and on again has
  several runs, each with an engine clock that began at 0: they are set one
  after another by their times of day.
- Within a run the engine's clock counts. A run is dated by the wall clock of its
  rows as that stood at the end: a clock that was set while the run went on was
  wrong before.
- A run that says it began before the one before it ended (somebody set the clock
  back) is put at that end: time never runs backwards here. Of a longer stop
  whole days are left out, so that the time of day stays true and the axis short.
  A run dated before `CLOCK_UNSET` had no clock: it is put right before the next.
- Phrases and notes are numbered anew, in the order in which they were logged,
  so that a number stands for one thing all day.
- What a cut left half written is not in the log (see `log`). A row that can't be
  understood, say from a newer version, or whose times can't be true, is left out
  and counted.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import pairwise
from pathlib import Path

import msgspec

from callresp.errors import UserError
from callresp.field.day import (
    FieldDay,
    FieldRun,
    LoggedCommand,
    LoggedEvent,
    LoggedReply,
    LoggedStatus,
    shifted,
)
from callresp.field.log import END_KEY, LogReader, LogRow
from callresp.io.score import Note, Phrase, ReplyNote

# Longer than a commit and a busy moment together; shorter than a clock that was set.
CLOCK_STEP_S = 5.0
# Computers without a battery for their clock begin in 1970, 1980 or 2000.
CLOCK_UNSET = datetime(2020, 1, 1, tzinfo=UTC)
DAY_S = 86400.0
# The engine's clock goes on row by row; a row that leaps further than this is damaged.
LEAP_S = 60.0
# So many that leap together are a run.
APART_LEAST = 3
RUN_MAX_S = 1e8
VALUE_MAX = 1e12
# What a "day" row names, and what a "status" row has read, by their keys.
NAMED = ("palette", "palette_sha256", "rules", "profile", "recording")
READINGS = ("supply_v", "coil_c", "board_c", "lux", "air_c", "humidity_pct", "energy_j")


def read_day(path: Path, *, tracks: bool = True) -> FieldDay:
    """Read a log, whole or cut or damaged, while it is still written or after.

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
    reader, counters = LogReader(path), _Counters()
    runs: list[_RunReader] = []
    apart: list[LogRow] = []
    unreadable = 0
    for row in reader.rows():
        if row.kind == "day" or not runs:
            runs.append(_RunReader(row, counters, tracks=tracks))
        try:
            unreadable += not runs[-1].take(row)
            apart.clear()
        except _LeapError:
            apart = _follow_on(apart, row)
            unreadable += 1
            if len(apart) == APART_LEAST:
                # Its first row is lost: a run of its own.
                runs.append(_RunReader(row, counters, tracks=tracks))
                unreadable -= sum(runs[-1].take(one) for one in apart)
    if not runs:
        raise UserError(
            "nothing is in this log yet", where=str(path), remedy="let the machine run first"
        )
    return _one_after_another(Path(path), runs, unreadable, reader.lost)


def _follow_on(rows: Sequence[LogRow], row: LogRow) -> list[LogRow]:
    """Rows and one more, as far back as they follow on each other."""
    clock = _WallClock(None)
    try:
        for one in (*rows, row):
            clock.take(one.at_s, datetime.fromisoformat(one.wall))
    except ValueError:
        return [row]
    return [*rows, row]


@dataclass(slots=True)
class _Found:
    """Rows of a run or of a day, by kind."""

    phrases: list[Phrase] = field(default_factory=list)
    replies: list[LoggedReply] = field(default_factory=list)
    commands: list[LoggedCommand] = field(default_factory=list)
    statuses: list[LoggedStatus] = field(default_factory=list)
    faults: list[LoggedEvent] = field(default_factory=list)
    remarks: list[LoggedEvent] = field(default_factory=list)
    clock_steps: list[LoggedEvent] = field(default_factory=list)

    def add(self, other: _Found, by_s: float) -> None:
        """Take what another found, `by_s` later."""
        for kind in fields(self):
            rows = getattr(self, kind.name)
            rows += [shifted(item, by_s) for item in getattr(other, kind.name)]


def _one_after_another(
    path: Path, readers: Sequence[_RunReader], unreadable: int, lost: int
) -> FieldDay:
    found, runs = _Found(), []
    ends_s = 0.0
    ended: datetime | None = None
    for reader, start in zip(readers, _starts(readers), strict=True):
        away_s = 0.0 if ended is None else (start - ended).total_seconds()
        begins_s = round(ends_s + max(away_s, 0.0) % DAY_S, 6)
        if away_s > DAY_S:
            text = f"{away_s / DAY_S:,.0f} days without a run, or the clock was wrong until then"
            found.clock_steps.append(LoggedEvent(begins_s, text))
        if (said := reader.clock.zero()) < CLOCK_UNSET:
            text = f"the clock was not set: it said {said:%-d %B %Y}"
            found.clock_steps.append(LoggedEvent(begins_s, text))
        if not reader.dated:
            text = "not known when it was recorded: times of day are those of the run"
            found.clock_steps.append(LoggedEvent(begins_s, text))
        found.add(reader.finish(), begins_s)
        ends_s = round(begins_s + reader.last_s, 6)
        ended = start + timedelta(seconds=reader.last_s)
        runs.append(
            FieldRun(
                begins_s,
                ends_s,
                start,
                **reader.named,
                sample_rate_hz=reader.rate_hz,
                ended=reader.ended,
                dated=reader.dated,
            )
        )
    return FieldDay(
        path=path,
        start=runs[0].start,
        duration_s=max(ends_s, 1.0),
        runs=tuple(runs),
        unreadable=unreadable,
        lost=lost,
        **{kind.name: tuple(getattr(found, kind.name)) for kind in fields(found)},
    )


def _starts(readers: Sequence[_RunReader]) -> list[datetime]:
    """When each run began; one without a clock ended just before the next began."""
    starts = [reader.clock.zero() for reader in readers]
    for n in range(len(readers) - 2, -1, -1):
        if starts[n] < CLOCK_UNSET <= starts[n + 1]:
            starts[n] = starts[n + 1] - timedelta(seconds=readers[n].last_s)
    return starts


@dataclass(slots=True)
class _Counters:
    """Numbers of the day's phrases, heard notes and reply notes."""

    phrases: int = 0
    notes: int = 0
    reply_notes: int = 0


def _moment(text: object) -> datetime | None:
    try:
        return _aware(datetime.fromisoformat(str(text))) if text else None
    except (ValueError, OverflowError):
        return None


class _RunReader:
    """Gathers one run row by row, in seconds of its engine's clock."""

    def __init__(self, row: LogRow, counters: _Counters, *, tracks: bool) -> None:
        body = row.body if row.kind == "day" and isinstance(row.body, dict) else {}
        self._tracks, self._counters = tracks, counters
        stated = _moment(body.get("start")) or (_moment(row.wall) if row.kind == "day" else None)
        self.clock = _WallClock(stated)
        self._phrase_ids: dict[int, int] = {}
        self._note_ids: dict[int, int] = {}
        self._reply_ids: dict[int, int] = {}
        self._found = _Found()
        self.last_s = 0.0
        self.ended = ""
        rate = body.get("sample_rate_hz")
        self.rate_hz = rate if isinstance(rate, int) else 0
        self.dated = body.get("dated") is not False
        self.named = {name: _text(body.get(name)) for name in NAMED}

    def finish(self) -> _Found:
        """What was gathered."""
        self._found.clock_steps = list(self.clock.steps())
        return self._found

    def take(self, row: LogRow) -> bool:
        """Take one row; returns whether it can be understood.

        Raises
        ------
        _LeapError
            When it does not belong to this run.
        """
        try:
            self._take(row)
        except _LeapError:
            raise
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError):
            return False
        return True

    def _take(self, row: LogRow) -> None:
        if row.kind == "day":
            # It is written before the sound begins, however long that takes.
            return
        self.clock.take(row.at_s, datetime.fromisoformat(row.wall))
        self.last_s = max(self.last_s, row.at_s)
        if row.kind == "phrase":
            self._phrase(row)
        elif row.kind == "voice":
            self._renamed(self._phrase_ids[row.body["phrase"]], _text(row.body["voice"]))
        elif row.kind == "reply":
            self._found.replies.append(self._reply(row))
        elif row.kind == "command":
            self._found.commands.append(self._command(row))
        elif row.kind == "status":
            self._found.statuses.append(_status(row))
        elif row.kind == "fault":
            where = _text(row.body.get("where"))
            self._found.faults.append(LoggedEvent(row.at_s, _text(row.body["what"]), where=where))
        elif row.kind == "remark":
            self._found.remarks.append(self._remark(row))

    def _phrase(self, row: LogRow) -> None:
        phrase = msgspec.convert(row.body, Phrase)
        if not phrase.notes:
            return
        _near(row, [at_s for note in phrase.notes for at_s in (note.onset_s, note.offset_s)])
        number = self._counters.phrases
        self._counters.phrases += 1
        self._phrase_ids[phrase.id] = number
        notes = tuple(self._heard(note, number) for note in phrase.notes)
        self._found.phrases.append(Phrase(id=number, voice=_text(phrase.voice), notes=notes))
        self.last_s = max(self.last_s, self._found.phrases[-1].offset_s)

    def _renamed(self, number: int, voice: str) -> None:
        """A phrase turned out to be another voice's."""
        phrases = self._found.phrases
        place = number - phrases[0].id
        notes = (msgspec.structs.replace(note, voice=voice) for note in phrases[place].notes)
        phrases[place] = Phrase(id=number, voice=voice, notes=tuple(notes))

    def _heard(self, note: Note, phrase: int) -> Note:
        number = self._note_ids[note.id] = self._counters.notes
        self._counters.notes += 1
        track = note.track if self._tracks else ()
        return msgspec.structs.replace(note, id=number, phrase=phrase, track=track)

    def _reply(self, row: LogRow) -> LoggedReply:
        body = row.body
        phrase = self._phrase_ids.get(body["phrase"], -1)
        notes = msgspec.convert(body.get("notes") or (), tuple[ReplyNote, ...])
        _near(row, [note.onset_s for note in notes])
        moved = tuple(self._answered(note, phrase) for note in notes)
        why = _text(body.get("unanswered"))
        if not moved and not why:
            why = "none of its notes could be struck"
        return LoggedReply(row.at_s, phrase, _text(body.get("rule")), moved, why)

    def _answered(self, note: ReplyNote, phrase: int) -> ReplyNote:
        number = self._reply_ids[note.id] = self._counters.reply_notes
        self._counters.reply_notes += 1
        heard = None if note.heard is None else self._note_ids.get(note.heard)
        return msgspec.structs.replace(note, id=number, heard=heard, heard_phrase=phrase)

    def _command(self, row: LogRow) -> LoggedCommand:
        body = row.body
        at_s = float(body["at_s"]) if "at_s" in body else row.at_s
        played_s = _number(body.get("played_s"))
        _near(row, [at_s, at_s if played_s is None else played_s])
        return LoggedCommand(
            at_s=at_s,
            channel=int(body["channel"]),
            instrument=_text(body.get("instrument")),
            what=_text(body["what"]),
            length_ms=_number(body.get("length_ms")) or 0.0,
            fate=_text(body["fate"]),
            played_s=played_s,
            reply=self._reply_ids.get(body.get("reply", -1)),
        )

    def _remark(self, row: LogRow) -> LoggedEvent:
        if isinstance(row.body, str):
            return LoggedEvent(row.at_s, _text(row.body))
        state = _text(row.body.get("state"))
        # Logs of older versions say so by the state alone.
        self.ended = _text(row.body.get(END_KEY)) or ("stopped" if state == "stopped" else "")
        return LoggedEvent(row.at_s, _text(row.body["text"]), state=state)


class _LeapError(ValueError):
    """A row whose engine's clock does not follow on the row before it."""


class _WallClock:
    """The wall clock of a run against its engine's clock, and where it was set.

    A setting is told by two rows that agree, or by the last one: a single row
    that differs is damaged.
    """

    def __init__(self, stated: datetime | None) -> None:
        # Settings in order: from when by the engine's clock, and the wall clock at its 0.
        self._settings: list[tuple[float, datetime]] = []
        self._stated = stated
        self._doubtful: tuple[float, datetime] | None = None
        self._last: tuple[float, datetime] | None = None
        self._zone: tzinfo | None = None

    def take(self, at_s: float, wall: datetime) -> None:
        """Take a row's two clocks; raises `ValueError` where they can't be true."""
        if not -LEAP_S <= at_s <= RUN_MAX_S:
            raise ValueError("a time beyond any run")
        if wall.tzinfo is None:
            # A recorder's clock goes on as it was set, also where the clocks here are put back.
            self._zone = self._zone or _aware(wall).tzinfo
            wall = wall.replace(tzinfo=self._zone)
        zero = wall - timedelta(seconds=at_s)
        if self._last is not None:
            leap_s = abs(at_s - self._last[0])
            passed_s = abs((wall - self._last[1]).total_seconds())
            if leap_s > max(passed_s + CLOCK_STEP_S, LEAP_S):
                raise _LeapError("the engine's clock never leaps")
        self._last = at_s, wall
        if not self._settings or _alike(zero, self._settings[-1][1]):
            self._settings = self._settings or [(at_s, zero)]
            self._doubtful = None
        elif self._doubtful is not None and _alike(zero, self._doubtful[1]):
            self._settings.append(self._doubtful)
            self._doubtful = None
        else:
            self._doubtful = at_s, zero

    def settings(self) -> list[tuple[float, datetime]]:
        """Every setting, with a doubtful one at the very end."""
        return self._settings + ([self._doubtful] if self._doubtful else [])

    def zero(self) -> datetime:
        """The wall clock at the engine's 0, as it stood at the end."""
        by_rows = self.settings()[-1][1] if self._settings else None
        if by_rows is None or (self._stated is not None and _alike(by_rows, self._stated)):
            return self._stated or CLOCK_UNSET
        return by_rows

    def steps(self) -> Iterable[LoggedEvent]:
        """Where the clock was set while the engine's ran on."""
        for (_, before), (at_s, after) in pairwise(self.settings()):
            by_s = (after - before).total_seconds()
            way = "forward" if by_s > 0 else "back"
            yield LoggedEvent(at_s, f"the clock was set {way} by {abs(by_s):.0f} s")


def _alike(one: datetime, other: datetime) -> bool:
    return abs((one - other).total_seconds()) <= CLOCK_STEP_S


def _near(row: LogRow, times_s: Iterable[float]) -> None:
    """Raise `ValueError` for times that can't belong to a row."""
    if not all(abs(at_s - row.at_s) <= DAY_S for at_s in times_s):
        raise ValueError("times far from when they were logged")


def _status(row: LogRow) -> LoggedStatus:
    body = row.body
    stages = body.get("latency_ms") or {}
    known = {_text(stage): _number(value) for stage, value in stages.items()}
    return LoggedStatus(
        row.at_s,
        **{name: _number(body.get(name)) for name in READINGS},
        credit=_count(body.get("credit")),
        strikes=_count(body.get("strikes")),
        overruns=_count(body.get("overruns")),
        latency_ms={stage: value for stage, value in known.items() if value is not None},
    )


def _aware(moment: datetime) -> datetime:
    """A time of day without its offset, as a recording's name has it, is local time here."""
    return moment if moment.tzinfo is not None else moment.astimezone()


def _text(value: object) -> str:
    """A text that can be printed; empty where there is none."""
    text = value if isinstance(value, str) else ""
    return text if text.isprintable() else "".join(c if c.isprintable() else "�" for c in text)


def _number(value: object) -> float | None:
    if isinstance(value, dict):
        values = [one for one in map(_number, value.values()) if one is not None]
        return max(values, default=None)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if abs(value) <= VALUE_MAX else None


def _count(value: object) -> int | None:
    number = _number(value)
    return None if number is None else round(number)

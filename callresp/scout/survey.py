"""One day at one place: calls and the state of the place hour by hour, and what a machine would do.

This is the unit of work of a season: a day's recordings in, tables of plain values out. It
writes nothing, so that it may run anywhere and be run again.

Columns
-------
Of an hour: `listened_s`; `calls` that began in it; `above_db`, the median of how far calls
stand over the noise in their own bands, dB; `noise_db`, the level of the noise from 500 Hz
up, dB re a full-scale sine; `weather`, the share of seconds with wind, traffic or rain: the
noise below 1 kHz stood 6 dB or more over the day's quietest, or it rained; `rain`, the share of
seconds in which all bands from 2 to 8 kHz were 6 dB or more over their quietest, between the
notes of whoever sang; `quiet`, the share of seconds in which nothing stood clear of the
noise; `rests`, quiet stretches of 3 s or more. With a machine: `answers` of its replier,
`strokes`, `overlap`, the share of its sounding time in which somebody sings, and
`battery_h`, how long a full battery would last at the whole recording's pace.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial

import msgspec
import numpy as np

from callresp.errors import UserError
from callresp.io.audio import open_recording
from callresp.scout.machine import Answered, Machine, answered_in
from callresp.scout.odds import Wanted
from callresp.scout.places import Place, Source
from callresp.scout.presence import Search, search
from callresp.scout.spread import Done, keep_memory
from callresp.scout.sun import sun_day
from callresp.scout.weather import DayBackground, Seconds, rests

PART_S = 1800.0  # shorter parts of a day would cost more than they take


class HourRow(msgspec.Struct, frozen=True, kw_only=True):
    """One hour of the clock of one recording; see the module for the columns."""

    place: str
    path: str
    start: str | None
    hour: int | None
    from_sunrise_h: float | None
    listened_s: float
    calls: int
    above_db: float | None
    noise_db: float
    weather: float
    rain: float
    quiet: float
    rests: int
    answers: int | None = None
    strokes: int | None = None
    overlap: float | None = None
    battery_h: float | None = None


class CallRow(msgspec.Struct, frozen=True, kw_only=True):
    """One call; `at` is its time of day where that is known."""

    place: str
    path: str
    at: str | None
    onset_s: float
    offset_s: float
    score: float


class FileRow(msgspec.Struct, frozen=True, kw_only=True):
    """One recording: what was found, or why it was passed over."""

    place: str
    path: str
    start: str | None
    duration_s: float
    present: bool
    confidence: float
    fault: str = ""
    warnings: str = ""


class Tables(msgspec.Struct, frozen=True, kw_only=True):
    """What one unit of work found."""

    files: tuple[FileRow, ...] = ()
    calls: tuple[CallRow, ...] = ()
    hours: tuple[HourRow, ...] = ()


@dataclass(frozen=True, slots=True)
class Unit:
    """The recordings of one place and one day; `day` is empty where that is not known."""

    place: Place
    day: str
    sources: tuple[Source, ...]
    machine: Machine | None = None

    def parts(self) -> list[Unit]:
        """The same in parts of `PART_S` or a little more, for several workers."""
        made: list[Unit] = []
        kept: list[Source] = []
        for number, one in enumerate(self.sources, start=1):
            kept.append(one)
            if sum(s.duration_s for s in kept) >= PART_S or number == len(self.sources):
                made.append(replace(self, sources=tuple(kept)))
                kept = []
        return made


@dataclass(frozen=True, slots=True)
class Heard:
    """One recording, not yet held against its day; `found` is missing where it can't be read."""

    source: Source
    file: FileRow
    found: Search | None
    seconds: Seconds
    answered: Answered


Spread = Callable[
    [Callable[[Unit], tuple[Heard, ...]], Sequence[Unit]],
    Iterator[Done[Unit, tuple[Heard, ...]]],
]


def by_day(
    spread: Spread, days: Sequence[Unit], sought: Sequence[Wanted]
) -> Iterator[Done[Unit, Tables]]:
    """Look through days in parts that are spread over workers.

    Parameters
    ----------
    spread
        Runs a function on every part, like `callresp.scout.spread.over_cores`.
    days
        What to look through.
    sought
        What is looked for.

    Yields
    ------
    Done
        Days with their tables, each as soon as its last part is done; a day of which a part
        could not be done has none.
    """
    parts = {part: day for day in days for part in day.parts()}
    left = Counter(parts.values())
    found: dict[Unit, dict[Source, Heard]] = defaultdict(dict)
    faults: dict[Unit, str] = {}
    for done in spread(partial(listen, sought=sought), list(parts)):
        day = parts[done.job]
        left[day] -= 1
        if done.result is None:
            faults[day] = done.fault
        found[day].update(zip(done.job.sources, done.result or (), strict=False))
        if left[day] == 0:
            heard = found.pop(day, {})
            if day in faults:
                yield Done(day, None, faults[day])
            else:
                yield Done(day, tables([heard[source] for source in day.sources]))


def tables(heard: Sequence[Heard]) -> Tables:
    """What was heard in all recordings of a day, in their order."""
    quietest = DayBackground.of([one.seconds for one in heard])
    return Tables(
        files=tuple(one.file for one in heard),
        calls=tuple(row for one in heard for row in _call_rows(one)),
        hours=tuple(row for one in heard for row in _hour_rows(one, quietest)),
    )


def listen(part: Unit, sought: Sequence[Wanted]) -> tuple[Heard, ...]:
    """Look through recordings of a place; for `tables`.

    Parameters
    ----------
    part
        A day, or a part of one.
    sought
        What is looked for.

    Returns
    -------
    tuple of Heard
        One for each recording.
    """
    keep_memory()
    heard = []
    for source in part.sources:
        start = None if source.start is None else source.start.isoformat()
        row = FileRow(
            place=part.place.name, path=str(source.path), start=start, duration_s=0.0,
            present=False, confidence=0.0,
        )  # fmt: skip
        try:
            if source.fault:
                raise UserError(source.fault)
            recording = open_recording(source.path)
            seconds = Seconds()
            found = search(
                recording, sought, place=part.place.name, start=source.start, look=seconds.take
            )
            answered = answered_in(recording, part.machine, source.start)
        except (UserError, OSError) as fault:
            told = msgspec.structs.replace(row, fault=str(fault))
            heard.append(Heard(source, told, None, Seconds(), Answered()))
            continue
        file = msgspec.structs.replace(
            row,
            duration_s=found.presence.duration_s,
            present=found.presence.present,
            confidence=found.presence.confidence,
            warnings="; ".join(recording.warnings),
        )
        heard.append(Heard(source, file, found, seconds, answered))
    return tuple(heard)


def _call_rows(heard: Heard) -> list[CallRow]:
    source = heard.source
    calls = () if heard.found is None else heard.found.presence.calls
    return [
        CallRow(
            place=source.place.name,
            path=str(source.path),
            at=None
            if source.start is None
            else _later(source.start, call.onset_s).isoformat(timespec="milliseconds"),
            onset_s=call.onset_s,
            offset_s=call.offset_s,
            score=call.score,
        )
        for call in calls
    ]


def _later(start: datetime, seconds: float) -> datetime:
    """A moment later by true seconds, also where the zone's clock is changed meanwhile."""
    return datetime.fromtimestamp(start.timestamp() + seconds, start.tzinfo)


def _hour_rows(heard: Heard, quietest: DayBackground) -> list[HourRow]:
    """A row for each hour of the clock that a recording covers."""
    source, found, seconds, answered = heard.source, heard.found, heard.seconds, heard.answered
    if found is None:
        return []
    length = len(seconds.clear)
    rows = []
    rainy = quietest.rainy(seconds)
    stormy = rainy | quietest.windy(seconds)
    calls = list(zip(found.presence.calls, found.above_db, strict=True))
    for first, last, begins in _hours(source.start, length):
        clear = np.array(seconds.clear[first:last])
        own_db = [above_db for call, above_db in calls if first <= call.onset_s < last]
        rows.append(
            HourRow(
                place=source.place.name,
                path=str(source.path),
                start=None if begins is None else begins.isoformat(),
                hour=None if begins is None else begins.hour,
                from_sunrise_h=_from_sunrise_h(source.place, begins, (last - first) / 2),
                listened_s=min(float(last), found.presence.duration_s) - first,
                calls=len(own_db),
                above_db=round(float(np.median(own_db)), 1) if own_db else None,
                noise_db=round(float(np.median(seconds.noise_db[first:last])), 1),
                weather=round(float(stormy[first:last].mean()), 3),
                rain=round(float(rainy[first:last].mean()), 3),
                quiet=round(float(1 - clear.mean()), 3),
                rests=rests(clear),
                answers=answered.count(answered.answers_s, first, last),
                strokes=answered.count(answered.strokes_s, first, last),
                overlap=answered.overlap,
                battery_h=answered.battery_h,
            )
        )
    return rows


def _hours(start: datetime | None, length: int) -> list[tuple[int, int, datetime | None]]:
    """First and last second of each hour of the clock, and when its first second was."""
    if start is None or length == 0:
        return [(0, length, None)] if length else []
    first = 0
    found: list[tuple[int, int, datetime | None]] = []
    while first < length:
        at = _later(start, first)
        left = 3600 - (at.minute * 60 + at.second + at.microsecond / 1e6)
        last = min(length, first + max(1, math.ceil(left)))
        found.append((first, last, at))
        first = last
    return found


def _from_sunrise_h(place: Place, begins: datetime | None, middle_s: float) -> float | None:
    if begins is None or place.site is None or begins.tzinfo is None:
        return None
    sunrise = sun_day(place.site, begins.date(), begins.tzinfo).sunrise
    if sunrise is None:
        return None
    return round(((begins - sunrise) / timedelta(hours=1)) + middle_s / 3600, 2)


def units(found: Sequence[Source], machine: Machine | None = None) -> list[Unit]:
    """Recordings by place and day, in that order."""
    by: dict[tuple[str, str], list[Source]] = defaultdict(list)
    for one in found:
        day = "" if one.start is None else one.start.date().isoformat()
        by[one.place.name, day].append(one)
    return [
        Unit(members[0].place, day, tuple(members), machine)
        for (_, day), members in sorted(by.items())
    ]

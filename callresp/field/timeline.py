"""What a day's page and its poster both show, worked out once.

Conventions
-----------
- A dial holds 24 hours: a longer day has several, each from where the one
  before it ended.
- A timeline row is a moment, a kind, and a text; rows of one text that follow
  each other within a quarter of an hour are one, with their number.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import msgspec

from callresp.field.day import Day, Status
from callresp.field.statistics import NOT_STRUCK
from callresp.io.score import Phrase, ReplyNote
from callresp.palette.model import Palette
from callresp.plots import style
from callresp.plots.dial import draw_day

DIAL_S = 86400.0
DIALS_MAX = 14
TOGETHER_S = 900.0
# Without a status row for so long the line breaks: the machine was off or asleep.
GAP_S = 120.0


@dataclass(frozen=True, slots=True)
class Sun:
    """Sunrise and sunset of the place, to shade the night."""

    rise: datetime
    set: datetime


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the timeline."""

    at: datetime
    at_s: float
    kind: str
    text: str
    count: int = 1


def timeline(day: Day) -> list[Row]:
    """Starts, faults, remarks and clock steps in order of time."""
    rows = [
        Row(run.start, run.begins_s, "start", f"started, to listen to {run.recording or 'sound'}")
        for run in day.runs
    ]
    for kind, events in (
        ("fault", day.faults),
        ("remark", day.remarks),
        ("clock", day.clock_steps),
    ):
        for event in events:
            if event.text.startswith(NOT_STRUCK):
                # Too many for a timeline: the figures count them.
                continue
            where = f" ({event.where})" if event.where else ""
            rows.append(Row(day.moment(event.at_s), event.at_s, kind, event.text + where))
    rows.sort(key=lambda row: row.at_s)
    return list(_together(rows))


def _together(rows: Sequence[Row]) -> Iterator[Row]:
    held: Row | None = None
    for row in rows:
        alike = held is not None and (held.kind, held.text) == (row.kind, row.text)
        if held is not None and alike and row.at_s - held.at_s <= TOGETHER_S:
            held = Row(held.at, held.at_s, held.kind, held.text, held.count + 1)
            continue
        if held is not None:
            yield held
        held = row
    if held is not None:
        yield held


def spells(day: Day) -> list[tuple[float, float, str]]:
    """When it was off, asleep, stopped or standing down: (from, to, state)."""
    # At one moment a remark comes first, then the end of a run, then the next run.
    changes = [(event.at_s, 0, event.state) for event in day.remarks if event.state]
    changes += [(run.ends_s, 1, "off") for run in day.runs[:-1]]
    changes += [(run.begins_s, 2, "awake") for run in day.runs]
    found: list[tuple[float, float, str]] = []
    state, since_s = "awake", 0.0
    for at_s, _, new in [*sorted(changes), (day.duration_s, 3, "")]:
        if new == state:
            continue
        if state != "awake" and at_s > since_s:
            found.append((since_s, at_s, state))
        state, since_s = new, at_s
    return found


def readings(day: Day, name: str) -> list[tuple[float, float]]:
    """(seconds, value) of one kind of status reading, with a gap where it was silent."""
    found: list[tuple[float, float]] = []
    steps = sorted(b.at_s - a.at_s for a, b in pairwise(day.statuses))
    usual_s = steps[len(steps) // 2] if steps else 0.0
    last: Status | None = None
    for row in day.statuses:
        value = getattr(row, name)
        if last is not None and row.at_s - last.at_s > max(GAP_S, 3 * usual_s):
            found.append((last.at_s, math.nan))
        if value is not None:
            found.append((row.at_s, value))
        last = row
    return found


def energy(day: Day) -> list[tuple[float, float]]:
    """(seconds, Wh used so far): counts that begin anew with a run go on from the last."""
    found: list[tuple[float, float]] = []
    before_j = last_j = 0.0
    run = 0
    for row in day.statuses:
        if row.energy_j is None:
            continue
        if day.run_at(row.at_s) != run:
            run, before_j, last_j = day.run_at(row.at_s), before_j + last_j, 0.0
        last_j = max(last_j, row.energy_j)
        found.append((row.at_s, (before_j + last_j) / 3600))
    return found


def hour_ticks(day: Day, about: int = 8) -> list[tuple[float, str]]:
    """(seconds, label) of whole hours, or of minutes on a short day."""
    steps_s = (60, 300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400)
    step_s = next((s for s in steps_s if day.duration_s / s <= about), 86400)
    midnight = day.start.replace(hour=0, minute=0, second=0, microsecond=0)
    into_s = (day.start - midnight).total_seconds()
    at_s = step_s * math.ceil(into_s / step_s) - into_s
    found = []
    while at_s <= day.duration_s:
        moment = day.moment(at_s)
        long = day.duration_s > 2 * DIAL_S
        found.append((at_s, f"{moment:%-d %b}" if long else f"{moment:%H:%M}"))
        at_s += step_s
    return found


def dials(day: Day) -> list[tuple[float, float]]:
    """The stretches of a day that a dial each can hold; the last `DIALS_MAX` of them."""
    count = max(math.ceil(day.duration_s / DIAL_S), 1)
    every = [(n * DIAL_S, min((n + 1) * DIAL_S, day.duration_s)) for n in range(count)]
    return every[-DIALS_MAX:]


def draw_dial(
    path: Path,
    day: Day,
    stretch: tuple[float, float],
    palette: Palette | None,
    title: str,
    sun: Sun | None,
) -> None:
    """Draw a stretch of a day as a round score."""
    from_s, to_s = stretch
    calls = [_shifted(p, from_s) for p in day.phrases if from_s <= p.onset_s < to_s]
    answers = [_moved(n, from_s) for n in day.sounded() if from_s <= n.onset_s < to_s]
    answered = {note.heard_phrase for note in answers}
    told = (style.counted(len(calls), "call"), f"{len(answered):,} answered")
    start = day.moment(from_s)
    rise, down = _of_that_day(sun, start)
    lasted_s = max(to_s - from_s, 1.0)
    draw_day(path, calls, answers, start, lasted_s, palette, title, rise, down, told)


def _of_that_day(sun: Sun | None, start: datetime) -> tuple[datetime | None, datetime | None]:
    if sun is None:
        return None, None
    days = timedelta(days=(start.date() - sun.rise.date()).days)
    return sun.rise + days, sun.set + days


def _shifted(phrase: Phrase, by_s: float) -> Phrase:
    if by_s == 0.0:
        return phrase
    notes = tuple(
        msgspec.structs.replace(
            note, onset_s=note.onset_s - by_s, offset_s=note.offset_s - by_s, track=()
        )
        for note in phrase.notes
    )
    return msgspec.structs.replace(phrase, notes=notes)


def _moved(note: ReplyNote, by_s: float) -> ReplyNote:
    end_s = None if note.offset_s is None else note.offset_s - by_s
    return msgspec.structs.replace(note, onset_s=note.onset_s - by_s, offset_s=end_s)

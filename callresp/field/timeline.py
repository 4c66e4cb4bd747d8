"""What a day's page shows along its clock: what happened, readings, whole hours.

Conventions
-----------
A timeline row is a moment, a kind, and a text; rows of one text that follow
each other within a quarter of an hour are one, with their number.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from callresp.field.day import FieldDay, LoggedStatus
from callresp.field.statistics import NOT_STRUCK

DAY_S = 86400.0
TOGETHER_S = 900.0
# Without a status row for so long the line breaks: the machine was off or asleep.
GAP_S = 120.0
TICKS_MAX = 8


@dataclass(frozen=True, slots=True)
class TimelineRow:
    """One row of the timeline."""

    at: datetime
    at_s: float
    kind: str
    text: str
    count: int = 1


def timeline(day: FieldDay) -> list[TimelineRow]:
    """Starts, faults, remarks and clock steps in order of time."""
    rows = [
        TimelineRow(
            run.start, run.begins_s, "start", f"started, to listen to {run.recording or 'sound'}"
        )
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
            rows.append(TimelineRow(day.moment(event.at_s), event.at_s, kind, event.text + where))
    rows.sort(key=lambda row: row.at_s)
    return list(_together(rows))


def _together(rows: Sequence[TimelineRow]) -> Iterator[TimelineRow]:
    held: TimelineRow | None = None
    for row in rows:
        alike = held is not None and (held.kind, held.text) == (row.kind, row.text)
        if held is not None and alike and row.at_s - held.at_s <= TOGETHER_S:
            held = TimelineRow(held.at, held.at_s, held.kind, held.text, held.count + 1)
            continue
        if held is not None:
            yield held
        held = row
    if held is not None:
        yield held


def readings(day: FieldDay, name: str) -> list[tuple[float, float]]:
    """(seconds, value) of one kind of status reading, with a gap where it was silent."""
    found: list[tuple[float, float]] = []
    steps = sorted(b.at_s - a.at_s for a, b in pairwise(day.statuses))
    usual_s = steps[len(steps) // 2] if steps else 0.0
    last: LoggedStatus | None = None
    for row in day.statuses:
        value = getattr(row, name)
        if last is not None and row.at_s - last.at_s > max(GAP_S, 3 * usual_s):
            found.append((last.at_s, math.nan))
        if value is not None:
            found.append((row.at_s, value))
        last = row
    return found


def energy(day: FieldDay) -> list[tuple[float, float]]:
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


def hour_ticks(day: FieldDay) -> list[tuple[float, str]]:
    """(seconds, label) of whole hours, or of minutes on a short day."""
    steps_s = (60, 300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400)
    days = math.ceil(day.duration_s / DAY_S / TICKS_MAX)
    step_s = next((s for s in steps_s if day.duration_s / s <= TICKS_MAX), round(days * DAY_S))
    midnight = day.start.replace(hour=0, minute=0, second=0, microsecond=0)
    into_s = (day.start - midnight).total_seconds()
    at_s = step_s * math.ceil(into_s / step_s) - into_s
    found = []
    while at_s <= day.duration_s:
        moment = day.moment(at_s)
        long = day.duration_s > 2 * DAY_S
        found.append((at_s, f"{moment:%-d %b}" if long else f"{moment:%H:%M}"))
        at_s += step_s
    return found

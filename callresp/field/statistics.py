"""A day in figures: what a person asks of it when the machine is back.

Measures
--------
hours : calls, answers and strokes in each hour of the clock.
strikers : strokes asked and struck of each, its busiest minute, what was refused.
unanswered : phrases left alone, by reason.
not_struck : notes that the limits kept from being commanded at all, by reason.
supply, temperatures : lowest, highest, first and last of what the board told.
energy_wh : the last reading of each run, added up; `None` where nothing told.
latency_ms : of each stage, the median and the highest of the readings.
overruns : blocks of sound that were lost, added up over runs.
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import datetime

import msgspec

from callresp.field.day import FieldDay, LoggedCommand, LoggedStatus
from callresp.io.wording import counted_alike

REASONS_MAX = 25
IDLE_PERIODS_MOST = 24
NOT_STRUCK = "not struck: "
RUN_ENDED = "the run ended before it was decided"
NOT_PLAYED = "nothing of its answer was played"
LOG_CUT = "the log breaks off before it was decided"


class PeriodCounts(msgspec.Struct, frozen=True, kw_only=True):
    """Counts of one period of the clock, an hour or less."""

    start: datetime
    from_s: float
    length_s: float
    calls: int
    answers: int
    strokes: int

    @property
    def period(self) -> str:
        """The period's length: "hour", "5 minutes", "minute", "10 seconds".

        Examples
        --------
        >>> start = datetime(2026, 5, 12)
        >>> one = PeriodCounts(
        ...     start=start, from_s=0.0, length_s=300.0, calls=0, answers=0, strokes=0
        ... )
        >>> one.period
        '5 minutes'
        """
        if self.length_s < 60:
            return f"{self.length_s:.0f} seconds"
        names = {60.0: "minute", 3600.0: "hour"}
        return names.get(self.length_s, f"{self.length_s / 60:.0f} minutes")


class StrikerWork(msgspec.Struct, frozen=True, kw_only=True):
    """What one instrument did: strokes (or spells of turning) asked for and done."""

    name: str
    asked: int
    struck: int
    refused: int
    busiest_minute: int
    busiest_at: datetime | None


class ValueRange(msgspec.Struct, frozen=True, kw_only=True):
    """Readings of one kind over the day."""

    first: float
    last: float
    lowest: float
    highest: float


class StageLatency(msgspec.Struct, frozen=True, kw_only=True):
    """Latency of one stage, in milliseconds, over the status rows."""

    median_ms: float
    highest_ms: float


class DayStatistics(msgspec.Struct, frozen=True, kw_only=True):
    """A day in figures; see the module."""

    start: datetime
    end: datetime
    duration_s: float
    runs: int
    palette: str
    rules: str
    calls: int
    notes: int
    voices: int
    answered: int
    strokes: int
    refused: dict[str, int]
    hours: tuple[PeriodCounts, ...]
    strikers: tuple[StrikerWork, ...]
    unanswered: dict[str, int]
    not_struck: dict[str, int]
    supply_v: ValueRange | None
    coil_c: ValueRange | None
    board_c: ValueRange | None
    air_c: ValueRange | None
    humidity_pct: ValueRange | None
    lux: ValueRange | None
    energy_wh: float | None
    overruns: int | None
    latency_ms: dict[str, StageLatency]
    faults: dict[str, int]
    clock_steps: int
    unreadable_rows: int
    lost_rows: int


def statistics_of(day: FieldDay) -> DayStatistics:
    """Work out a day's figures."""
    commands = [command for command in day.commands if command.what != "hold"]
    refused = Counter(command.fate for command in day.commands if not command.played)
    return DayStatistics(
        start=day.start,
        end=day.moment(day.duration_s),
        duration_s=round(day.duration_s, 3),
        runs=len(day.runs),
        palette=_names(run.palette for run in day.runs),
        rules=_names(run.rules for run in day.runs),
        calls=len(day.phrases),
        notes=sum(len(phrase.notes) for phrase in day.phrases),
        voices=len({(day.run_at(phrase.onset_s), phrase.voice) for phrase in day.phrases}),
        answered=len(day.answered()),
        strokes=sum(command.played and command.what == "strike" for command in commands),
        refused=dict(refused.most_common()),
        hours=counts_per(day, 3600.0),
        strikers=_strikers(day, commands),
        unanswered=reasons(day),
        not_struck=dict(counted_alike(not_struck(day)).most_common(REASONS_MAX)),
        supply_v=_range([row.supply_v for row in day.statuses]),
        coil_c=_range([row.coil_c for row in day.statuses]),
        board_c=_range([row.board_c for row in day.statuses]),
        air_c=_range([row.air_c for row in day.statuses]),
        humidity_pct=_range([row.humidity_pct for row in day.statuses]),
        lux=_range([row.lux for row in day.statuses]),
        energy_wh=_energy_wh(day),
        overruns=_added(day, lambda row: row.overruns),
        latency_ms=_latencies(day.statuses),
        faults=dict(Counter(fault.text for fault in day.faults).most_common()),
        clock_steps=len(day.clock_steps),
        unreadable_rows=day.unreadable,
        lost_rows=day.lost,
    )


def not_struck(day: FieldDay) -> list[str]:
    """Why notes were dropped before they became commands: the log remarks on each."""
    return [
        event.text.removeprefix(NOT_STRUCK)
        for event in day.remarks
        if event.text.startswith(NOT_STRUCK)
    ]


def _names(names: object) -> str:
    return ", ".join(dict.fromkeys(name for name in names if name))  # type: ignore[attr-defined]


def period_s(duration_s: float) -> float:
    """Length of the periods that a chart of a day counts by: at most twelve, up to an hour.

    Examples
    --------
    >>> period_s(18 * 3600.0), period_s(2400.0)
    (3600.0, 300.0)
    """
    steps = (5.0, 10.0, 30.0, 60.0, 300.0, 900.0)
    return next((step for step in steps if duration_s <= 12 * step), 3600.0)


def counts_per(day: FieldDay, length_s: float) -> tuple[PeriodCounts, ...]:
    """Count calls, answers and strokes by periods of the clock.

    Parameters
    ----------
    day
        The day.
    length_s
        Of a period, from the full hour on.

    Returns
    -------
    tuple of PeriodCounts
        Of every period in which anything was logged, and of those between them
        where fewer than `IDLE_PERIODS_MOST` are idle.
    """
    first = day.start.replace(minute=0, second=0, microsecond=0)
    into_s = (day.start - first).total_seconds()

    def period(at_s: float) -> int:
        return max(int((into_s + at_s) // length_s), 0)

    calls = Counter(period(phrase.onset_s) for phrase in day.phrases)
    answered = day.answered()
    answers = Counter(period(reply.at_s) for reply in day.replies if reply.phrase in answered)
    strokes = Counter(
        period(command.at_s)
        for command in day.commands
        if command.played and command.what == "strike"
    )
    logged = {period(min(row.at_s, day.duration_s - 1e-3)) for row in day.statuses + day.remarks}
    ends = {period(at_s) for run in day.runs for at_s in (run.begins_s, run.ends_s - 1e-3)}
    touched = sorted({*calls, *answers, *strokes, *logged, *ends})
    numbers = touched[:1]
    for number in touched[1:]:
        idle = number - numbers[-1] - 1
        numbers += range(numbers[-1] + 1, number) if idle < IDLE_PERIODS_MOST else ()
        numbers.append(number)
    starts_s = {number: number * length_s - into_s for number in numbers}
    return tuple(
        PeriodCounts(
            # A run that begins within a period goes by its own zone, as what it logged does.
            start=day.in_zone(day.moment(from_s), from_s + length_s - 1e-3),
            from_s=from_s,
            length_s=length_s,
            calls=calls[number],
            answers=answers[number],
            strokes=strokes[number],
        )
        for number, from_s in starts_s.items()
    )


def _strikers(day: FieldDay, commands: Sequence[LoggedCommand]) -> tuple[StrikerWork, ...]:
    asked = Counter(note.instrument for reply in day.replies for note in reply.notes)
    struck = Counter(command.instrument for command in commands if command.played)
    refused = Counter(command.instrument for command in commands if not command.played)
    found = []
    for name in sorted({*asked, *struck, *refused}, key=lambda one: (-struck[one], one)):
        times = [c.at_s for c in commands if c.instrument == name and c.played]
        most, at_s = busiest_minute(times)
        found.append(
            StrikerWork(
                name=name,
                asked=asked[name],
                struck=struck[name],
                refused=refused[name],
                busiest_minute=most,
                busiest_at=None if at_s is None else day.moment(at_s),
            )
        )
    return tuple(found)


def busiest_minute(times_s: Sequence[float]) -> tuple[int, float | None]:
    """The most events within any minute, and when that minute begins.

    Examples
    --------
    >>> busiest_minute([0.0, 50.0, 70.0, 100.0])
    (3, 50.0)
    """
    ordered = sorted(times_s)
    most, at_s, first = 0, None, 0
    for number, time_s in enumerate(ordered):
        while ordered[first] + 60.0 <= time_s:
            first += 1
        if number - first + 1 > most:
            most, at_s = number - first + 1, ordered[first]
    return most, at_s


def reasons(day: FieldDay) -> dict[str, int]:
    """Why phrases were left alone, commonest first."""
    whys = counted_alike(
        reply.unanswered.split(":")[0] for reply in day.replies if reply.unanswered
    )
    told, answered = {reply.phrase for reply in day.replies}, day.answered()
    whys.update(NOT_PLAYED for reply in day.replies if reply.notes and reply.phrase not in answered)
    for phrase in day.phrases:
        if phrase.id not in told:
            ended = day.runs[day.run_at(phrase.onset_s)].ended if day.runs else ""
            whys[RUN_ENDED if ended else LOG_CUT] += 1
    return dict(whys.most_common(REASONS_MAX))


def _range(values: Sequence[float | None]) -> ValueRange | None:
    known = [value for value in values if value is not None]
    if not known:
        return None
    return ValueRange(first=known[0], last=known[-1], lowest=min(known), highest=max(known))


def _added(day: FieldDay, of: Callable[[LoggedStatus], float | None]) -> int | None:
    """A count that starts anew with each run: its last value in each, added up."""
    last: dict[int, float] = {}
    for row in day.statuses:
        value = of(row)
        if value is not None:
            run = day.run_at(row.at_s)
            last[run] = max(value, last.get(run, 0.0))
    return round(sum(last.values())) if last else None


def _energy_wh(day: FieldDay) -> float | None:
    joules = _added(day, lambda row: row.energy_j)
    return None if joules is None else round(joules / 3600, 3)


def _latencies(statuses: Sequence[LoggedStatus]) -> dict[str, StageLatency]:
    stages: dict[str, list[float]] = {}
    for row in statuses:
        for stage, value in row.latency_ms.items():
            stages.setdefault(stage, []).append(value)
    return {
        stage: StageLatency(
            median_ms=round(statistics.median(values), 2), highest_ms=round(max(values), 2)
        )
        for stage, values in stages.items()
    }

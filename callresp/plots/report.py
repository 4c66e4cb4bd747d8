"""The page of a day: one HTML file that opens anywhere, without a network.

Conventions
-----------
- The page is made by a template (`templates/report.html.j2`), which escapes all
  that it is given. Nothing is fetched: styles, charts and pictures are in the
  file. There is no script.
- Every chart and picture says in words what it shows; its figures stand in a
  table beside it.
- Colours of the light page are those of our pictures; those of the dark page are
  the same hues, lightened until text stands at 4.5 : 1 and marks at 3 : 1 from
  the page (WCAG 2.1, 1.4.3 and 1.4.11).
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from pathlib import Path

from callresp.field import timeline
from callresp.field.day import FieldDay
from callresp.field.statistics import DayStatistics, PeriodCounts, ValueRange, counts_per, period_s
from callresp.io.wording import counted, lasting, watt_hours
from callresp.palette.model import Palette
from callresp.plots import style
from callresp.plots.charts import AxisTick, Chart, ChartLine, line_chart, mirrored_bars

TIMELINE_MAX = 400
LIGHT = {
    "paper": style.BACKGROUND,
    "ink": style.DARK,
    "soft": "#5f646b",
    "rule": style.GRID,
    "faint": style.SHADE,
    "call": style.CALL,
    "answer": style.ANSWER,
    "third": "#006b4c",
}
DARK = {
    "paper": "#1b1a14",
    "ink": "#e9e6dd",
    "soft": "#aaa89f",
    "rule": "#3d3b33",
    "faint": "#26251e",
    "call": "#8fb0ff",
    "answer": "#f0906a",
    "third": "#5cc49d",
}


def report_page(
    day: FieldDay,
    figures: DayStatistics,
    dials: Sequence[Path],
    title: str,
    palette: Palette | None,
) -> str:
    """Make the page of a day.

    Parameters
    ----------
    day, figures
        The day, and what was worked out of it.
    dials
        Pictures (PNG) to set into it.
    title
        Of the place or the day.
    palette
        Gives limits to draw beside what was measured.

    Returns
    -------
    str
        HTML, which any XML reader takes, too.
    """
    rows = timeline.timeline(day)
    across = [AxisTick(at_s / day.duration_s, text) for at_s, text in timeline.hour_ticks(day)]
    counts = counts_per(day, period_s(day.duration_s))
    end = figures.end
    return page_of(
        "report",
        title=title,
        figures=figures,
        log_name=day.path.name,
        until=f"{end:%H:%M}" if end.date() == figures.start.date() else f"{end:%-d %B, %H:%M}",
        remarks=_remarks(figures),
        facts=_facts(figures),
        dials=[_dial(path, counts, n, len(dials)) for n, path in enumerate(dials)],
        counts=_counts(counts),
        strikers=_strikers(figures),
        not_struck=_barred(figures.not_struck),
        unanswered=_barred(figures.unanswered),
        readings=[_supply(day, figures, across, palette), _temperatures(day, figures, across)],
        timeline=rows[:TIMELINE_MAX],
        timeline_left=len(rows[TIMELINE_MAX:]),
        latencies=[
            (stage, f"{one.median_ms:.1f}", f"{one.highest_ms:.1f}")
            for stage, one in figures.latency_ms.items()
        ],
        overruns=_or_unknown(figures.overruns, "{:,}"),
        runs=_runs(day),
    )


def page_of(template: str, **values: object) -> str:
    """Fill in one of our templates, which escapes all that it is given, and knows our colours."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    templates = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    templates.filters |= {
        "day": lambda at: f"{at:%-d %B %Y}",
        "long_day": lambda at: f"{at:%A, %-d %B %Y, %H:%M}",
        "second": lambda at: f"{at:%-d %b, %H:%M:%S}",
        "counted": counted,
        "lasting": lasting,
    }
    found = templates.get_template(f"{template}.html.j2")
    return found.render(light=LIGHT, dark=DARK, **values)


def _remarks(figures: DayStatistics) -> list[str]:
    """What is missing from the page, and why."""
    found = []
    if figures.unreadable_rows:
        rows = counted(figures.unreadable_rows, "row")
        found.append(f"{rows} of the log could not be understood.")
    if figures.lost_rows:
        rows = counted(figures.lost_rows, "row")
        found.append(f"The log is damaged: {rows} of it can't be read; the page is of the others.")
    return found


def _facts(figures: DayStatistics) -> list[tuple[str, str, str]]:
    share = f"{figures.answered / figures.calls:.0%}" if figures.calls else ""
    refused = ", ".join(f"{count:,} {why}" for why, count in figures.refused.items())
    energy_wh = figures.energy_wh
    return [
        ("calls heard", f"{figures.calls:,}", counted(figures.notes, "note")),
        ("answered", f"{figures.answered:,}", share),
        ("strokes", f"{figures.strokes:,}", ""),
        ("not played", f"{sum(figures.refused.values()):,}", refused),
        ("energy", "not known" if energy_wh is None else watt_hours(energy_wh), ""),
        ("faults", f"{sum(figures.faults.values()):,}", ""),
        ("sound lost", _or_unknown(figures.overruns, "{:,}"), "overruns"),
    ]


def _or_unknown(value: float | None, shape: str) -> str:
    return "not known" if value is None else shape.format(value)


def _dial(path: Path, counts: Sequence[PeriodCounts], number: int, of: int) -> dict[str, str]:
    which = f", dial {number + 1} of {of}" if of > 1 else ""
    alt = (
        f"A round score of the day{which}: time runs around the circle, pitch outward;"
        f" calls are fine marks in one colour, answers dots in the other. {_busiest(counts)}"
    )
    return {"alt": alt, "data": base64.b64encode(path.read_bytes()).decode()}


def _busiest(counts: Sequence[PeriodCounts]) -> str:
    if not any(period.calls for period in counts):
        return "No call was heard."
    top = max(counts, key=lambda period: period.calls)
    return (
        f"Most calls came in the {counts[0].period} from {top.start:%H:%M}: {top.calls:,},"
        f" with {counted(top.answers, 'answer')}."
    )


def _counts(counts: Sequence[PeriodCounts]) -> dict[str, object]:
    name = counts[0].period
    hourly = name == "hour"
    shape = "%H" if hourly else "%H:%M" if counts[0].length_s >= 60 else "%H:%M:%S"
    chart = mirrored_bars(
        [period.calls for period in counts],
        [period.answers for period in counts],
        [f"{period.start:{shape}}" for period in counts],
        f"Bars for each {name}: calls upward, answers downward. {_busiest(counts)}",
    )
    shape = "%-d %b, %H:%M" if counts[0].length_s >= 60 else "%-d %b, %H:%M:%S"
    rows = [
        (f"{p.start:{shape}}", f"{p.calls:,}", f"{p.answers:,}", f"{p.strokes:,}") for p in counts
    ]
    title = f"Calls and answers {'by the' if hourly else 'for each'} {name}"
    return {"title": title, "chart": chart, "rows": rows}


def _strikers(figures: DayStatistics) -> dict[str, object]:
    most = max((work.struck for work in figures.strikers), default=0) or 1
    rows = [
        (
            work.name,
            f"{work.struck:,}",
            f"{work.refused:,}",
            f"{work.busiest_minute} at {work.busiest_at:%H:%M}" if work.busiest_at else "–",
        )
        for work in figures.strikers
    ]
    return {"rows": rows, "shares": [work.struck / most for work in figures.strikers]}


def _barred(counts: Mapping[str, int]) -> dict[str, object]:
    """Rows of (text, count), with the share of the longest bar of each."""
    most = max(counts.values(), default=1)
    rows = [(text, f"{count:,}") for text, count in counts.items()]
    return {"rows": rows, "shares": [count / most for count in counts.values()]}


def _ranged(name: str, found: ValueRange, unit: str, digits: int = 1) -> str:
    return (
        f"{name} from {found.lowest:.{digits}f} to {found.highest:.{digits}f} {unit},"
        f" {found.last:.{digits}f} {unit} at the end"
    )


def _supply(
    day: FieldDay, figures: DayStatistics, across: Sequence[AxisTick], palette: Palette | None
) -> dict[str, object]:
    drawn: list[tuple[str, Chart]] = []
    if figures.supply_v is not None:
        cutoff_v = palette.supply.cutoff_v if palette else 0.0
        limit = ("stops below this", cutoff_v) if cutoff_v > 0 else None
        line = ChartLine("supply", "call", _shares(day, timeline.readings(day, "supply_v")))
        told = _ranged("Supply voltage", figures.supply_v, "V", 2)
        drawn.append((told, line_chart([line], across, "V", told, limit)))
    if used := timeline.energy(day):
        told = f"Energy used so far, {watt_hours(used[-1][1])} at the end"
        line = ChartLine("energy used", "answer", _shares(day, used))
        drawn.append((told, line_chart([line], across, "Wh", told)))
    return {"title": "Supply and energy", "charts": drawn}


def _temperatures(
    day: FieldDay, figures: DayStatistics, across: Sequence[AxisTick]
) -> dict[str, object]:
    lines, told = [], []
    for name, field, colour, found in (
        ("warmest coil", "coil_c", "answer", figures.coil_c),
        ("board", "board_c", "third", figures.board_c),
        ("air", "air_c", "call", figures.air_c),
    ):
        if found is not None:
            lines.append(ChartLine(name, colour, _shares(day, timeline.readings(day, field))))
            told.append(_ranged(name.capitalize(), found, "°C", 0))
    words = ". ".join(told)
    charts = [(words, line_chart(lines, across, "°C", words))] if lines else []
    for name, field, unit, seen in (
        ("Humidity", "humidity_pct", "%", figures.humidity_pct),
        ("Light", "lux", "lux", figures.lux),
    ):
        if seen is not None:
            line = ChartLine(name.lower(), "call", _shares(day, timeline.readings(day, field)))
            words = _ranged(name, seen, unit, 0)
            charts.append((words, line_chart([line], across, unit, words)))
    return {"title": "Temperatures, air and light", "charts": charts}


def _shares(day: FieldDay, points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    return [(at_s / day.duration_s, value) for at_s, value in points]


def _runs(day: FieldDay) -> list[tuple[str, ...]]:
    return [
        (
            f"{run.start:%-d %b, %H:%M:%S}",
            lasting(run.ends_s - run.begins_s),
            run.palette,
            run.rules,
            run.profile,
            run.recording,
        )
        for run in day.runs
    ]

"""The day's page: one HTML file that opens anywhere, without a network.

Conventions
-----------
- Nothing is fetched: styles, charts and pictures are in the file. There is no
  script.
- Every chart and picture says in words what it shows; its figures stand in a
  table beside it.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path

from callresp.field import timeline
from callresp.field.day import FieldDay
from callresp.field.statistics import DayStatistics, HourCounts, ValueRange
from callresp.palette.model import Palette
from callresp.plots import charts
from callresp.plots.charts import AxisTick, ChartLine
from callresp.plots.report_style import STYLE
from callresp.plots.style import counted

TIMELINE_MAX = 400
# In print a long section may go on overleaf.
LONG = ' class="long"'


def report_page(
    day: FieldDay,
    figures: DayStatistics,
    dials: Sequence[Path],
    title: str,
    palette: Palette | None,
) -> str:
    """The page as text.

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
    """
    sections = [
        _head(day, figures, title),
        _facts(figures),
        *(_dial(path, figures, n, len(dials)) for n, path in enumerate(dials)),
        _hours(figures),
        _strikers(figures),
        _reasons(figures),
        _supply(day, figures, palette),
        _warmth(day, figures),
        _timeline(day),
        _latencies(figures),
        _runs(day),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"/>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"/>'
        f"<title>{escape(title)}, {figures.start:%-d %B %Y}</title>"
        f"<style>{STYLE}</style></head><body><main>{''.join(sections)}</main></body></html>\n"
    )


def _head(day: FieldDay, figures: DayStatistics, title: str) -> str:
    end = figures.end
    until = f"{end:%H:%M}" if end.date() == figures.start.date() else f"{end:%-d %B, %H:%M}"
    played = f"{figures.palette} played by {figures.rules}" if figures.palette else ""
    return (
        f"<header><h1>{escape(title)}</h1>"
        f"<p>{figures.start:%A, %-d %B %Y, %H:%M} to {until}"
        f"{escape(f'. {played}.') if played else ''}</p>"
        f'<p class="soft">Made from {escape(day.path.name)}.</p></header>'
    )


def _facts(figures: DayStatistics) -> str:
    share = f"{figures.answered / figures.calls:.0%}" if figures.calls else "none"
    rows = [
        ("calls heard", f"{figures.calls:,}", f"{figures.notes:,} notes"),
        ("answered", f"{figures.answered:,}", share if figures.calls else ""),
        ("strokes", f"{figures.strokes:,}", ""),
        ("not played", f"{sum(figures.refused.values()):,}", _listed(figures.refused)),
        ("energy", _or_dash(figures.energy_wh, "{:.1f} Wh"), ""),
        ("faults", f"{sum(figures.faults.values()):,}", ""),
        ("sound lost", _or_dash(figures.overruns, "{:,}"), "overruns"),
    ]
    return (
        "<dl>"
        + "".join(
            f"<div><dt>{name}</dt><dd>{value} <small>{escape(more)}</small></dd></div>"
            for name, value, more in rows
        )
        + "</dl>"
    )


def _or_dash(value: float | None, shape: str) -> str:
    return "not known" if value is None else shape.format(value)


def _listed(counts: dict[str, int]) -> str:
    return ", ".join(f"{count} {name}" for name, count in counts.items())


def _dial(path: Path, figures: DayStatistics, number: int, of: int) -> str:
    data = base64.b64encode(path.read_bytes()).decode()
    which = f", dial {number + 1} of {of}" if of > 1 else ""
    alt = (
        f"A round score of the day{which}: time runs around the circle, pitch outward;"
        f" calls are fine marks in one ink, answers beads in the other."
        f" {_busiest(figures.hours)}"
    )
    return (
        f'<figure><img class="dial" alt="{escape(alt, quote=True)}"'
        f' src="data:image/png;base64,{data}"/></figure>'
    )


def _busiest(hours: Sequence[HourCounts]) -> str:
    if not any(hour.calls for hour in hours):
        return "No call was heard."
    top = max(hours, key=lambda hour: hour.calls)
    return (
        f"Most calls came in the hour from {top.start:%H:%M}: {top.calls:,},"
        f" with {counted(top.answers, 'answer')}."
    )


def _hours(figures: DayStatistics) -> str:
    hours = figures.hours
    labels = [f"{hour.start:%H}" for hour in hours]
    alt = f"Bars for each hour: calls upward, answers downward. {_busiest(hours)}"
    chart = charts.mirrored(
        [hour.calls for hour in hours], [hour.answers for hour in hours], labels, alt
    )
    rows = [
        (f"{hour.start:%-d %b, %H:%M}", f"{hour.calls:,}", f"{hour.answers:,}", f"{hour.strokes:,}")
        for hour in hours
    ]
    keys = (
        '<p class="keys"><span><i class="key call"></i>calls, upward</span>'
        '<span><i class="key answer"></i>answers, downward</span></p>'
    )
    table = _table("By the hour", ("from", "calls", "answers", "strokes"), rows)
    return (
        f"<section><h2>Calls and answers by the hour</h2>{keys}{chart}"
        f"<details><summary>The same in figures</summary>{table}</details></section>"
    )


def _table(
    caption: str,
    heads: Sequence[str],
    rows: Iterable[Sequence[str]],
    words: frozenset[int] = frozenset(),
) -> str:
    """A table; the first column heads its rows, columns but `words` hold numbers."""

    def of(n: int) -> str:
        return "" if n == 0 or n in words else ' class="n"'

    head = "".join(f'<th scope="col"{of(n)}>{escape(name)}</th>' for n, name in enumerate(heads))
    body = "".join(
        f'<tr><th scope="row">{escape(row[0])}</th>'
        + "".join(f"<td{of(n)}>{escape(cell)}</td>" for n, cell in enumerate(row[1:], start=1))
        + "</tr>"
        for row in rows
    )
    return (
        f'<div class="wide"><table><caption>{escape(caption)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def _barred(
    caption: str, heads: Sequence[str], rows: Sequence[tuple[Sequence[str], float]], ink: str = ""
) -> str:
    """A table whose last column is a bar: (cells, share of the longest)."""
    head = "".join(
        f'<th scope="col"{_numbers(n)}>{escape(name)}</th>' for n, name in enumerate(heads)
    )
    body = "".join(
        f'<tr><th scope="row">{escape(cells[0])}</th>'
        + "".join(f'<td class="n">{escape(cell)}</td>' for cell in cells[1:])
        + f'<td class="bar" aria-hidden="true"><i class="{ink}" style="width:{100 * share:.1f}%">'
        "</i></td></tr>"
        for cells, share in rows
    )
    return (
        f'<div class="wide"><table><caption>{escape(caption)}</caption>'
        f'<thead><tr>{head}<td aria-hidden="true"></td></tr></thead><tbody>{body}</tbody></table>'
        "</div>"
    )


def _numbers(column: int) -> str:
    return ' class="n"' if column else ""


def _strikers(figures: DayStatistics) -> str:
    if not figures.strikers:
        return "<section><h2>Strikers</h2><p>Nothing was struck.</p></section>"
    most = max(max(work.struck for work in figures.strikers), 1)
    rows = [
        (
            (
                work.name,
                f"{work.struck:,}",
                f"{work.refused:,}",
                f"{work.busiest_minute} at {work.busiest_at:%H:%M}" if work.busiest_at else "–",
            ),
            work.struck / most,
        )
        for work in figures.strikers
    ]
    table = _barred(
        "Strokes, and spells of what turns", ("", "played", "not played", "busiest minute"), rows
    )
    dropped = figures.not_struck
    if dropped:
        most = max(dropped.values())
        rows_of = [((why, f"{count:,}"), count / most) for why, count in dropped.items()]
        heads = ("reason", "notes")
        table += _barred("Notes that the limits left out", heads, rows_of, "quiet")
    return f"<section><h2>Which strikers worked</h2>{table}</section>"


def _reasons(figures: DayStatistics) -> str:
    if not figures.unanswered:
        what = "Every call was answered." if figures.calls else "No call was heard."
        return f"<section><h2>Why calls were not answered</h2><p>{what}</p></section>"
    most = max(figures.unanswered.values())
    rows = [((why, f"{count:,}"), count / most) for why, count in figures.unanswered.items()]
    table = _barred("Calls left alone, by reason", ("reason", "calls"), rows, "quiet")
    return f"<section><h2>Why calls were not answered</h2>{table}</section>"


def _across(day: FieldDay) -> list[AxisTick]:
    return [AxisTick(at_s / day.duration_s, text) for at_s, text in timeline.hour_ticks(day)]


def _shares(day: FieldDay, points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    return [(at_s / day.duration_s, value) for at_s, value in points]


def _ranged(name: str, found: ValueRange, unit: str, digits: int = 1) -> str:
    return (
        f"{name} from {found.lowest:.{digits}f} to {found.highest:.{digits}f} {unit},"
        f" {found.last:.{digits}f} {unit} at the end"
    )


def _supply(day: FieldDay, figures: DayStatistics, palette: Palette | None) -> str:
    body = ""
    volts = figures.supply_v
    if volts is not None:
        cutoff_v = palette.supply.cutoff_v if palette else 0.0
        limit = ("stops below this", cutoff_v) if cutoff_v > 0 else None
        line = ChartLine("supply", "call", _shares(day, timeline.readings(day, "supply_v")))
        told = _ranged("Supply voltage", volts, "V", 2)
        body += f"<p>{told}.</p>" + charts.lines([line], _across(day), "V", told, limit)
    used = timeline.energy(day)
    if used:
        told = f"Energy used so far, {used[-1][1]:.1f} Wh at the end"
        line = ChartLine("energy used", "answer", _shares(day, used))
        body += f"<p>{told}.</p>" + charts.lines([line], _across(day), "Wh", told)
    return f"<section><h2>Supply and energy</h2>{body or _UNTOLD}</section>"


_UNTOLD = "<p>The board told nothing of it.</p>"


def _warmth(day: FieldDay, figures: DayStatistics) -> str:
    drawn, told = [], []
    for name, field, ink, found in (
        ("warmest coil", "coil_c", "answer", figures.coil_c),
        ("board", "board_c", "third", figures.board_c),
    ):
        if found is not None:
            drawn.append(ChartLine(name, ink, _shares(day, timeline.readings(day, field))))
            told.append(_ranged(name.capitalize(), found, "°C", 0))
    if not drawn:
        return f"<section><h2>Temperatures</h2>{_UNTOLD}</section>"
    words = ". ".join(told)
    chart = charts.lines(drawn, _across(day), "°C", words)
    return f"<section><h2>Temperatures</h2><p>{escape(words)}.</p>{chart}</section>"


def _timeline(day: FieldDay) -> str:
    rows = timeline.timeline(day)
    shown = rows[:TIMELINE_MAX]
    body = "".join(
        f'<tr{_class(row.kind)}><th scope="row"><time datetime="{row.at.isoformat()}">'
        f"{row.at:%-d %b, %H:%M:%S}</time></th><td>{row.kind}</td>"
        f"<td>{escape(row.text)}{f' ({row.count} times)' if row.count > 1 else ''}</td></tr>"
        for row in shown
    )
    left = len(rows) - len(shown)
    more = f"<p>{counted(left, 'more row')} in the log.</p>" if left else ""
    return (
        f"<section{LONG if len(shown) > 20 else ''}><h2>What happened</h2>"
        '<div class="wide"><table><caption>Starts, faults and remarks</caption><thead><tr>'
        '<th scope="col">time</th><th scope="col">kind</th><th scope="col">what</th>'
        f"</tr></thead><tbody>{body}</tbody></table></div>{more}</section>"
    )


def _class(kind: str) -> str:
    return ' class="fault"' if kind == "fault" else ""


def _latencies(figures: DayStatistics) -> str:
    rows = [
        (stage, f"{one.median_ms:.1f}", f"{one.highest_ms:.1f}")
        for stage, one in figures.latency_ms.items()
    ]
    table = (
        _table("Milliseconds, from the status rows", ("stage", "median", "highest"), rows)
        if rows
        else "<p>None were measured.</p>"
    )
    lost = _or_dash(figures.overruns, "{:,}")
    return (
        f"<section><h2>Latencies</h2>{table}<p>Overruns (blocks of sound lost): {lost}.</p>"
        "</section>"
    )


def _runs(day: FieldDay) -> str:
    rows = [
        (
            f"{run.start:%-d %b, %H:%M:%S}",
            f"{(run.ends_s - run.begins_s) / 3600:.2f} h",
            run.palette,
            run.rules,
            run.profile,
            run.recording,
        )
        for run in day.runs
    ]
    heads = ("started", "lasted", "palette", "rules", "profile", "listened to")
    table = _table("Runs", heads, rows, frozenset({2, 3, 4, 5}))
    odd = (
        f"<p>{counted(day.unreadable, 'row')} of the log could not be understood.</p>"
        if day.unreadable
        else ""
    )
    return f"<section><h2>What it played by</h2>{table}{odd}</section>"

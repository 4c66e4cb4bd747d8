"""The day's poster: the round score, and beneath it how the machine fared.

One picture to hang up: calls and answers by the hour, the strikers' share of
the work, supply and temperatures, and what happened, each along the same
clock. A day longer than its dial has one dial below the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from callresp.field import timeline
from callresp.field.day import FieldDay
from callresp.field.statistics import DayStatistics, PeriodCounts, counts_per, period_s
from callresp.io.wording import counted, watt_hours
from callresp.palette.model import Palette
from callresp.plots import style
from callresp.plots.charts import count_step, tick_text, value_axis
from callresp.plots.report import counts_title
from callresp.plots.style import ANSWER, CALL, DARK, MUTED, THIRD, label, side_label

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIDE_IN = 11.0
DPI = 200
LEFT_IN, RIGHT_IN = 1.15, 0.75
HOURS_IN, SUPPLY_IN, EVENTS_IN = 1.55, 1.15, 0.62
GAP_IN, HEAD_IN, FOOT_IN = 0.62, 0.25, 0.8
ROW_IN = 0.19
ROWS_MAX = 16
Points = Sequence[tuple[float, float]]


def draw_poster(
    path: Path,
    day: FieldDay,
    figures: DayStatistics,
    dials: Sequence[Path],
    palette: Palette | None,
) -> None:
    """Draw the poster as PNG.

    Parameters
    ----------
    path
        The file to write.
    day, figures
        The day, and what was worked out of it.
    dials
        Its round scores, square PNG files of `SIDE_IN` at `DPI`.
    palette
        Gives the voltage at which the machine stops.
    """
    rows = max(len(figures.strikers[:ROWS_MAX]), len(figures.unanswered), 3)
    panels = (
        ("hours", HOURS_IN),
        ("supply", SUPPLY_IN),
        ("warmth", SUPPLY_IN),
        ("events", EVENTS_IN),
    )
    dials_in = SIDE_IN * len(dials)
    high_in = dials_in + HEAD_IN + sum(tall + GAP_IN for _, tall in panels) + ROW_IN * rows
    high_in += FOOT_IN
    with style.drawing_style():
        figure = style.new_figure(SIDE_IN, high_in)
        _dials(figure, dials, high_in)
        axes, top = {}, dials_in + HEAD_IN
        for name, tall in panels:
            axes[name] = _along_the_day(figure, top, tall, day)
            top += tall + GAP_IN
        _hours(axes["hours"], day)
        _supply(axes["supply"], day, palette)
        _warmth(axes["warmth"], day)
        _events(axes["events"], day)
        _work(figure, top, ROW_IN * rows, figures)
        _foot(figure, high_in, figures)
        style.save(figure, path, "a day", dpi=DPI)


def _dials(figure: Figure, dials: Sequence[Path], high_in: float) -> None:
    import numpy as np
    from PIL import Image

    for number, dial in enumerate(dials):
        below_in = high_in - SIDE_IN * (number + 1)
        with Image.open(dial) as picture:
            figure.figimage(np.asarray(picture.convert("RGB")), 0, round(below_in * DPI))


def _along_the_day(figure: Figure, top: float, tall: float, day: FieldDay) -> Axes:
    """A panel along the day's clock, shaded where the machine was off, asleep or stopped."""
    axes = style.axes_in(figure, LEFT_IN, top, SIDE_IN - LEFT_IN - RIGHT_IN, tall)
    axes.set_xlim(0, day.duration_s)
    ticks = timeline.hour_ticks(day, about=12)
    axes.set_xticks([at_s for at_s, _ in ticks], [text for _, text in ticks])
    _plain_frame(axes)
    for from_s, to_s, state in timeline.inactive_periods(day):
        axes.axvspan(from_s, to_s, color=style.SHADE, lw=0, zorder=0)
        if tall == EVENTS_IN:
            place = {"ha": "center", "va": "bottom", "style": "italic", "clip_on": True}
            label(axes, (from_s + to_s) / 2, 0.06, state, 6.5, MUTED, **place)
    return axes


def _plain_frame(axes: Axes) -> None:
    axes.tick_params(length=2.5, labelsize=7.5)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)


def _head(axes: Axes, title: str, keys: Sequence[tuple[str, str]] = ()) -> None:
    """A panel's title, and the names of its lines in their colours at the right end."""
    axes.set_title(title, fontsize=10.5, family=style.TITLE_FONT, loc="left", pad=5)
    at = 0.0
    for text, colour in reversed(keys):
        place = (1.0, 1.0)
        drawn = axes.annotate(
            text, place, (at, 6), "axes fraction", "offset points", ha="right", fontsize=8
        )
        drawn.set_color(colour)
        at -= drawn.get_window_extent().width * 72 / axes.figure.dpi + 14


def _hours(axes: Axes, day: FieldDay) -> None:
    counts = counts_per(day, period_s(day.duration_s))
    length_s = counts[0].length_s
    pad = 0.06 * min(length_s, day.duration_s)
    for period in counts:
        end_s = min(period.from_s + length_s, day.duration_s)
        from_s = max(period.from_s, 0.0)
        wide = max(end_s - from_s - pad, (end_s - from_s) / 2)
        for value, colour in ((period.calls, CALL), (-period.answers, ANSWER)):
            axes.bar(from_s + pad / 2, value, wide, align="edge", color=colour, lw=0, zorder=3)
    axes.axhline(0, color=DARK, lw=0.7, zorder=4)
    _count_axis(axes, counts)
    _head(axes, counts_title(counts), (("calls", CALL), ("answers", ANSWER)))


def _count_axis(axes: Axes, counts: Sequence[PeriodCounts]) -> None:
    most = max(1, *(period.calls for period in counts))
    least = max(0, *(period.answers for period in counts))
    step = count_step(max(most, least))
    top, foot = step * math.ceil(most / step), step * math.ceil(least / step)
    values = list(range(-foot, top + 1, step))
    axes.set_ylim(-foot or -0.04 * top, top)
    axes.set_yticks(values, [f"{abs(value):,}" for value in values])
    axes.grid(axis="y", color=style.GRID, lw=0.5)
    axes.set_axisbelow(True)


def _value_axis(axes: Axes, unit: str, values: Sequence[float]) -> None:
    if not values:
        side_label(axes, 0.5, 0.5, "the board told nothing of it", 8.5, MUTED, ha="center")
        axes.set_yticks([])
        return
    low, high, step = value_axis([value for value in values if math.isfinite(value)])
    axes.set_ylim(low, high)
    ticks = [low + n * step for n in range(round((high - low) / step) + 1)]
    axes.set_yticks(ticks, [f"{tick_text(tick, step)} {unit}" for tick in ticks])
    axes.grid(axis="y", color=style.GRID, lw=0.5)


def _curve(axes: Axes, points: Points, colour: str) -> list[float]:
    """Draw readings; returns their values."""
    if points:
        axes.plot(*zip(*points, strict=True), color=colour, lw=1.0, zorder=4)
    return [value for _, value in points]


def _supply(axes: Axes, day: FieldDay, palette: Palette | None) -> None:
    values = _curve(axes, timeline.readings(day, "supply_v"), CALL)
    keys = [("supply voltage", CALL)]
    cutoff_v = palette.supply.cutoff_v if palette else 0.0
    if values and cutoff_v > 0:
        axes.axhline(cutoff_v, color=DARK, lw=0.7, ls=(0, (5, 4)), zorder=3)
        keys.append(("stops below the dashed line", MUTED))
        values.append(cutoff_v)
    _value_axis(axes, "V", values)
    if used := timeline.energy(day):
        right = axes.twinx()
        _plain_frame(right)
        _value_axis(right, "Wh", [0.0, *_curve(right, used, ANSWER)])
        right.grid(visible=False)
        keys.append(("energy used", ANSWER))
    _head(axes, "Supply and energy", keys)


def _warmth(axes: Axes, day: FieldDay) -> None:
    values: list[float] = []
    keys = []
    for field, name, colour in (("coil_c", "warmest coil", ANSWER), ("board_c", "board", THIRD)):
        if found := _curve(axes, timeline.readings(day, field), colour):
            keys.append((name, colour))
            values += found
    _value_axis(axes, "°C", values)
    _head(axes, "Temperatures", keys)


def _events(axes: Axes, day: FieldDay) -> None:
    """Faults as crosses, remarks as ticks, each with its words where there is room."""
    axes.set_ylim(0, 1)
    axes.set_yticks([])
    free_s = -math.inf
    for row in timeline.timeline(day):
        fault = row.kind == "fault"
        colour = ANSWER if fault else DARK
        mark = {"mew": 1.3, "zorder": 5, "clip_on": False, "color": colour}
        style.dot(axes, row.at_s, 0.5, "x" if fault else "|", 6 if fault else 9, **mark)
        wide_s = day.duration_s * 0.0066 * len(row.text)
        if row.at_s >= free_s and row.at_s + wide_s <= day.duration_s * 1.02:
            label(axes, row.at_s, 0.72, row.text, 7, colour, va="bottom")
            free_s = row.at_s + wide_s
    _head(axes, "What happened", (("× fault", ANSWER), ("| start or remark", DARK)))


def _work(figure: Figure, top: float, tall: float, figures: DayStatistics) -> None:
    half = (SIDE_IN - LEFT_IN - RIGHT_IN) / 2
    strikers = [
        (work.name, work.struck, f"{work.struck:,}, at most {work.busiest_minute} a minute")
        for work in figures.strikers[:ROWS_MAX]
    ]
    silent = [("", n, f"{n:,}  {why}") for why, n in list(figures.unanswered.items())[:ROWS_MAX]]
    left = style.axes_in(figure, LEFT_IN, top, half - 0.35, tall)
    right = style.axes_in(figure, LEFT_IN + half + 0.45, top, half - 0.45, tall)
    _bars(left, "Strokes", strikers, ANSWER, 0.62)
    _bars(right, "Why calls were not answered", silent, style.OTHER_VOICES, 0.3)


def _bars(
    axes: Axes, title: str, rows: Sequence[tuple[str, int, str]], colour: str, longest: float
) -> None:
    """Rows of bars, the longest of which takes a share of the width, with their words."""
    axes.axis("off")
    _head(axes, title)
    high = axes.get_window_extent().height / axes.figure.dpi / ROW_IN
    axes.set_ylim(high, 0)
    axes.set_xlim(0, (max((value for _, value, _ in rows), default=1) or 1) / longest)
    room = 0.02 * axes.get_xlim()[1]
    for number, (name, value, told) in enumerate(rows):
        y = number + 0.5
        axes.barh(y, value, 0.62, color=colour, lw=0, zorder=3)
        label(axes, value + room, y, told, 7.5)
        label(axes, -room, y, name, 7.5, ha="right")
    if not rows:
        label(axes, 0, 0.5, "none", 8.5, MUTED, style="italic")


def _foot(figure: Figure, high_in: float, figures: DayStatistics) -> None:
    told = [
        counted(figures.calls, "call"),
        f"{figures.answered:,} answered",
        counted(figures.strokes, "stroke"),
        f"{sum(figures.refused.values()):,} not played",
    ]
    if figures.overruns is not None:
        told.append(counted(figures.overruns, "overrun"))
    if figures.energy_wh is not None:
        told.append(watt_hours(figures.energy_wh))
    late = [
        f"{stage} {one.median_ms:.1f} ms, at most {one.highest_ms:.1f}"
        for stage, one in list(figures.latency_ms.items())[:5]
    ]
    for row, words in enumerate((told, late)):
        y = (0.44 - 0.18 * row) / high_in
        figure.text(0.5, y, "   ·   ".join(words), ha="center", fontsize=7.5, color=MUTED)

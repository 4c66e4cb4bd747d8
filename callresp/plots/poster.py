"""The day's poster: the round score, and beneath it how the machine fared.

One picture to hang up: calls and answers by the hour, the strikers' share of
the work, supply and temperatures, and what happened, each along the same
clock. A day longer than its dial has one dial below the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from callresp.field import timeline
from callresp.field.day import FieldDay
from callresp.field.statistics import DayStatistics
from callresp.palette.model import Palette
from callresp.plots import style
from callresp.plots.charts import count_step, value_axis

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SIDE_IN = 11.0
DPI = 200
LEFT_IN, RIGHT_IN = 1.15, 0.75
HOURS_IN, SUPPLY_IN, EVENTS_IN = 1.55, 1.15, 0.62
GAP_IN, HEAD_IN, FOOT_IN = 0.62, 0.25, 0.8
ROW_IN = 0.19
ROWS_MAX = 16
THIRD = "#008860"


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
    strikers = figures.strikers[:ROWS_MAX]
    work_in = ROW_IN * max(len(strikers), len(figures.unanswered), 3)
    panels_in = HOURS_IN + SUPPLY_IN * 2 + EVENTS_IN + work_in + 4 * GAP_IN + HEAD_IN + FOOT_IN
    high_in = SIDE_IN * len(dials) + panels_in
    with style.drawing_style():
        figure = style.new_figure(SIDE_IN, high_in)
        _dials(figure, dials, high_in)
        top = SIDE_IN * len(dials) + HEAD_IN
        _hours(_across(figure, top, HOURS_IN, day), day, figures)
        top += HOURS_IN + GAP_IN
        _supply(_across(figure, top, SUPPLY_IN, day), day, palette)
        top += SUPPLY_IN + GAP_IN
        _warmth(_across(figure, top, SUPPLY_IN, day), day)
        top += SUPPLY_IN + GAP_IN
        _events(_across(figure, top, EVENTS_IN, day), day)
        top += EVENTS_IN + GAP_IN
        _work(figure, top, work_in, figures)
        _foot(figure, high_in, figures)
        style.save(figure, path, "a day", dpi=DPI)


def _dials(figure: Figure, dials: Sequence[Path], high_in: float) -> None:
    import numpy as np
    from PIL import Image

    for number, dial in enumerate(dials):
        below_in = high_in - SIDE_IN * (number + 1)
        with Image.open(dial) as picture:
            figure.figimage(np.asarray(picture.convert("RGB")), 0, round(below_in * DPI))


def _across(figure: Figure, top: float, tall: float, day: FieldDay) -> Any:
    """A panel along the day's clock."""
    axes = style.axes_in(figure, LEFT_IN, top, SIDE_IN - LEFT_IN - RIGHT_IN, tall)
    axes.set_xlim(0, day.duration_s)
    ticks = timeline.hour_ticks(day, about=12)
    axes.set_xticks([at_s for at_s, _ in ticks], [text for _, text in ticks])
    axes.tick_params(length=2.5, labelsize=7.5)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    for from_s, to_s, state in timeline.inactive_periods(day):
        axes.axvspan(from_s, to_s, color=style.SHADE, lw=0, zorder=0)
        if tall == EVENTS_IN:
            axes.text(
                (from_s + to_s) / 2, 0.06, state, fontsize=6.5, color=style.MUTED,
                ha="center", va="bottom", style="italic", clip_on=True,
            )  # fmt: skip
    return axes


def _title(axes: Any, text: str) -> None:
    axes.set_title(text, fontsize=10.5, family=style.TITLE_FONT, loc="left", pad=5)


def _key(axes: Any, words: Sequence[tuple[str, str]]) -> None:
    """Names in their own inks, at the right end of a panel's head."""
    x = 1.0
    for text, ink in reversed(words):
        label = axes.annotate(
            text, (x, 1.0), xycoords="axes fraction", xytext=(0, 6), textcoords="offset points",
            ha="right", fontsize=8, color=ink,
        )  # fmt: skip
        label.set_in_layout(False)
        x -= 0.012 * len(text) * 0.62 + 0.02


def _hours(axes: Any, day: FieldDay, figures: DayStatistics) -> None:
    hours = figures.hours
    lefts = [max((hour.start - day.start).total_seconds(), 0.0) for hour in hours]
    ends = [(hour.start - day.start).total_seconds() + 3600 for hour in hours]
    for values, way, ink in (
        ([hour.calls for hour in hours], 1, style.CALL),
        ([hour.answers for hour in hours], -1, style.ANSWER),
    ):
        for left, end, value in zip(lefts, ends, values, strict=True):
            wide = min(end, day.duration_s) - left
            pad = 0.06 * min(3600.0, day.duration_s)
            axes.bar(
                left + pad / 2, way * value, max(wide - pad, wide / 2), align="edge", color=ink,
                lw=0, zorder=3,
            )  # fmt: skip
    axes.axhline(0, color=style.DARK, lw=0.7, zorder=4)
    _whole_ticks(axes, hours)
    _title(axes, "Calls and answers by the hour")
    _key(axes, (("calls", style.CALL), ("answers", style.ANSWER)))


def _whole_ticks(axes: Any, hours: Sequence[Any]) -> None:

    most = max([1, *(hour.calls for hour in hours)])
    least = max([0, *(hour.answers for hour in hours)])
    step = count_step(max(most, least))
    top, foot = step * math.ceil(most / step), step * math.ceil(least / step)
    values = list(range(-foot, top + 1, step))
    axes.set_ylim(-foot or -0.04 * top, top)
    axes.set_yticks(values, [f"{abs(value):,}" for value in values])
    axes.grid(axis="y", color=style.GRID, lw=0.5)
    axes.set_axisbelow(True)


def _values(axes: Any, unit: str, values: Sequence[float]) -> None:

    low, high, step = value_axis([value for value in values if math.isfinite(value)])
    axes.set_ylim(low, high)
    count = round((high - low) / step)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    ticks = [low + n * step for n in range(count + 1)]
    axes.set_yticks(ticks, [f"{tick:.{digits}f} {unit}" for tick in ticks])
    axes.grid(axis="y", color=style.GRID, lw=0.5)


def _supply(axes: Any, day: FieldDay, palette: Palette | None) -> None:
    volts = timeline.readings(day, "supply_v")
    used = timeline.energy(day)
    words = [("supply voltage", style.CALL)]
    if volts:
        axes.plot(*zip(*volts, strict=True), color=style.CALL, lw=1.0, zorder=4)
    cutoff_v = palette.supply.cutoff_v if palette else 0.0
    values = [value for _, value in volts]
    if volts and cutoff_v > 0:
        axes.axhline(cutoff_v, color=style.DARK, lw=0.7, ls=(0, (5, 4)), zorder=3)
        words.append(("stops below the dashed line", style.MUTED))
        values.append(cutoff_v)
    _values(axes, "V", values)
    if not volts:
        _nothing(axes)
    if used:
        told = axes.twinx()
        told.plot(*zip(*used, strict=True), color=style.ANSWER, lw=1.0, zorder=4)
        told.tick_params(length=2.5, labelsize=7.5)
        for side in ("top", "right", "left"):
            told.spines[side].set_visible(False)
        _values(told, "Wh", [0.0, *(value for _, value in used)])
        told.grid(visible=False)
        words.append(("energy used", style.ANSWER))
    _title(axes, "Supply and energy")
    _key(axes, words)


def _warmth(axes: Any, day: FieldDay) -> None:
    values: list[float] = []
    words = []
    for field, name, ink in (
        ("coil_c", "warmest coil", style.ANSWER),
        ("board_c", "board", THIRD),
    ):
        points = timeline.readings(day, field)
        if points:
            axes.plot(*zip(*points, strict=True), color=ink, lw=1.0, zorder=4)
            words.append((name, ink))
            values += [value for _, value in points]
    _values(axes, "°C", values)
    if not values:
        _nothing(axes)
    _title(axes, "Temperatures")
    _key(axes, words)


def _nothing(axes: Any) -> None:
    axes.text(
        0.5, 0.5, "the board told nothing of it", transform=axes.transAxes, ha="center",
        va="center", color=style.MUTED, style="italic",
    )  # fmt: skip
    axes.set_yticks([])


def _events(axes: Any, day: FieldDay) -> None:
    """Faults as crosses, remarks as ticks, each with its words where there is room."""
    axes.set_ylim(0, 1)
    axes.set_yticks([])
    free_s = -math.inf
    for row in timeline.timeline(day):
        fault = row.kind == "fault"
        ink = style.ANSWER if fault else style.DARK
        axes.plot(
            [row.at_s], [0.5], marker="x" if fault else "|", ms=6 if fault else 9, color=ink,
            mew=1.3, zorder=5, clip_on=False,
        )  # fmt: skip
        wide_s = day.duration_s * 0.0066 * len(row.text)
        if row.at_s >= free_s and row.at_s + wide_s <= day.duration_s * 1.02:
            axes.text(row.at_s, 0.72, row.text, fontsize=7, color=ink, va="bottom")
            free_s = row.at_s + wide_s
    _title(axes, "What happened")
    _key(axes, (("× fault", style.ANSWER), ("| start or remark", style.DARK)))


def _work(figure: Figure, top: float, tall: float, figures: DayStatistics) -> None:
    half = (SIDE_IN - LEFT_IN - RIGHT_IN) / 2
    strikers = [
        (work.name, work.struck, f"{work.struck:,}, at most {work.busiest_minute} a minute")
        for work in figures.strikers[:ROWS_MAX]
    ]
    silent = [(why, count, f"{count:,}") for why, count in figures.unanswered.items()]
    _bars(figure, LEFT_IN, top, half - 0.35, tall, "Strokes", strikers, style.ANSWER)
    _bars(
        figure, LEFT_IN + half + 0.45, top, half - 0.45, tall, "Why calls were not answered",
        silent[:ROWS_MAX], style.OTHER_VOICES, over=True,
    )  # fmt: skip


def _bars(
    figure: Figure,
    left: float,
    top: float,
    wide: float,
    tall: float,
    title: str,
    rows: Sequence[tuple[str, int, str]],
    ink: str,
    over: bool = False,
) -> None:
    """Rows of bars; long names stand on their bars' own line (`over`)."""
    axes = style.axes_in(figure, left, top, wide, tall)
    axes.axis("off")
    _title(axes, title)
    axes.set_ylim(tall / ROW_IN, 0)
    most = max((value for _, value, _ in rows), default=1) or 1
    axes.set_xlim(0, most / (0.3 if over else 0.62))
    for number, (name, value, told) in enumerate(rows):
        y = number + 0.5
        axes.barh(y, value, 0.62, color=ink, lw=0, zorder=3)
        room = 0.02 * axes.get_xlim()[1]
        words = f"{told}  {name}" if over else told
        axes.text(value + room, y, words, va="center", fontsize=7.5, color=style.DARK)
        if not over:
            axes.text(-room, y, name, va="center", ha="right", fontsize=7.5)
    if not rows:
        axes.text(0, 0.5, "none", va="center", color=style.MUTED, style="italic")


def _foot(figure: Figure, high_in: float, figures: DayStatistics) -> None:
    told = [
        style.counted(figures.calls, "call"),
        f"{figures.answered:,} answered",
        style.counted(figures.strokes, "stroke"),
        f"{sum(figures.refused.values()):,} not played",
    ]
    if figures.overruns is not None:
        told.append(style.counted(figures.overruns, "overrun"))
    if figures.energy_wh is not None:
        told.append(f"{figures.energy_wh:.1f} Wh")
    late = [
        f"{stage} {one.median_ms:.1f} ms, at most {one.highest_ms:.1f}"
        for stage, one in list(figures.latency_ms.items())[:5]
    ]
    for row, words in enumerate((told, late)):
        y = (0.44 - 0.18 * row) / high_in
        text = "   ·   ".join(words)
        figure.text(0.5, y, text, ha="center", fontsize=7.5, color=style.MUTED)

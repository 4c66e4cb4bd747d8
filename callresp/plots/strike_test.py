"""The page of a strike test: a row for each striker, what was measured side by side.

Partials, decay free and damped, soft to hard, faster and faster; figures with
their uncertainty stand at the left, what needs a look at the foot. Dots are
readings, lines are what was made of them.
"""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from callresp.io.wording import counted
from callresp.plots import style as look
from callresp.strike_test.results import Finding, MeasuredValue, StrikerResult, StrikeTestResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN = 11.7
ROW_IN, GAP_IN = 1.12, 0.34
TOP_IN, FOOT_LINE_IN = 1.12, 0.155
LEFT_IN, NAME_IN = 0.45, 2.35
PANEL_IN, BETWEEN_IN = 1.85, 0.38
FINDINGS_MAX = 14
_FREE, _DAMPED = look.CALL, look.ANSWER


def draw_strike_test(path: Path, found: StrikeTestResult, title: str) -> None:
    """Draw the page of a strike test to PNG, PDF or SVG.

    Parameters
    ----------
    path
        The file to write: .png, .svg or .pdf.
    found
        What is drawn.
    title
        At the top.

    Raises
    ------
    UserError
        For another ending, or a folder that can't be written.
    """
    look.check_ending(path)
    notes = _notes(found.findings)
    rows = max(len(found.strikers), 1)
    height = TOP_IN + rows * (ROW_IN + GAP_IN) + 0.5 + FOOT_LINE_IN * len(notes)
    with look.drawing_style():
        figure = look.new_figure(WIDTH_IN, height)
        _head(figure, found, title)
        for number, striker in enumerate(found.strikers):
            top = TOP_IN + number * (ROW_IN + GAP_IN)
            _row(figure, striker, top, first=number == 0)
        foot = TOP_IN + rows * (ROW_IN + GAP_IN) + 0.28
        _foot(figure, notes, foot)
        look.save(figure, path, title, dpi=160)


def _text(figure: Figure, left: float, top: float, text: str, **style: object) -> None:
    wide, high = figure.get_size_inches()
    figure.text(left / wide, 1 - top / high, text, fontdict={**style}, va="top")


def _head(figure: Figure, found: StrikeTestResult, title: str) -> None:
    _text(figure, LEFT_IN, 0.3, title, fontsize=16, family=look.TITLE_FONT)
    how = "struck by hand" if found.by_hand else f"latencies from {found.latency_from}"
    line = (
        f"measured from {found.recording}, {look.format_time(found.duration_s)} at"
        f" {found.sample_rate_hz / 1000:g} kHz; {how}; levels: {found.level_from}"
    )
    _text(figure, LEFT_IN, 0.64, line, color=look.MUTED)


def _row(figure: Figure, one: StrikerResult, top: float, first: bool) -> None:
    _figures(figure, one, top)
    panels = (_partials, _decay, _force, _repeats)
    heads = (
        "partials, dB over kHz",
        "decay, dB over s",
        "level, dB over pulse, ms",
        "again, dB over gap, ms",
    )
    for number, (panel, head) in enumerate(zip(panels, heads, strict=True)):
        left = LEFT_IN + NAME_IN + number * (PANEL_IN + BETWEEN_IN)
        axes = look.axes_in(figure, left, top, PANEL_IN, ROW_IN)
        axes.tick_params(labelsize=7, length=2)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        panel(axes, one)
        if first:
            axes.set_title(head, fontsize=8, color=look.MUTED, loc="left", pad=7)


def _pm(value: MeasuredValue | None, form: str, unit: str) -> str:
    if value is None:
        return "–"
    text = f"{value.value:{form}}"
    shown = f"{value.combined or 0.0:{form}}"
    # An uncertainty below the last digit shown is no news.
    return f"{text} ±{shown} {unit}" if float(shown) > 0 else f"{text} {unit}"


def _figures(figure: Figure, one: StrikerResult, top: float) -> None:
    _text(figure, LEFT_IN, top - 0.04, one.name, fontsize=11.5, family=look.TITLE_FONT)
    pitch = "no pitch"
    if one.pitch_hz is not None:
        pitch = f"{one.pitch_hz.value:.2f} Hz, {look.pitch_name(one.pitch_hz.value)}"
    lines = [f"{one.kind}, {pitch}", f"rings {_pm(one.t60_s, '.2f', 's')}"]
    damper = one.damper
    if damper is not None and damper.damped_t60_s is not None:
        lines[-1] += f", damped {damper.damped_t60_s.value:.2f} s"
        moves = []
        if damper.lift_ms is not None:
            moves.append(f"lifts {damper.lift_ms.value:.1f} ms")
        if damper.fall_ms is not None:
            moves.append(f"falls {damper.fall_ms.value:.1f} ms")
        lines.append("damper " + ", ".join(moves))
    if one.latency_ms is not None:
        lines.append(f"late by {_pm(one.latency_ms, '.2f', 'ms')}")
        if one.latency_spread_ms is not None:
            lines[-1] += f", spread {one.latency_spread_ms:.2f}"
    if one.restrike_ms is not None:
        lines.append(f"again after {_pm(one.restrike_ms, '.0f', 'ms')}")
    marks = []
    if one.doubles:
        marks.append(counted(one.doubles, "double stroke"))
    if marks:
        lines.append(", ".join(marks))
    _text(figure, LEFT_IN, top + 0.19, "\n".join(lines), fontsize=7.6, linespacing=1.45)


def _partials(axes: Axes, one: StrikerResult) -> None:
    if not one.partials:
        _nothing(axes)
        return
    khz = [p.hz.value / 1000 for p in one.partials]
    level = [p.level_db for p in one.partials]
    axes.vlines(khz, -50, level, color=look.DARK, linewidth=1.3)
    axes.plot(khz, level, "o", color=look.DARK, markersize=2.6)
    for partial, x, y in zip(one.partials, khz, level, strict=True):
        if partial.level_db > -26:
            text = f"{partial.name or ''} {partial.t60_s.value:.2g} s".strip()
            # Slanted: a bell's partials stand too close for lines side by side.
            axes.annotate(
                text,
                (x, y),
                (1, 3),
                textcoords="offset points",
                fontsize=5.8,
                color=look.MUTED,
                rotation=75,
                rotation_mode="anchor",
            )
    if one.pitch_hz is not None:
        axes.plot([one.pitch_hz.value / 1000], [-48], "^", color=look.ANSWER, markersize=4)
    axes.set_xscale("log")
    axes.set_xlim(0.7 * min(khz), 1.6 * max(khz))
    axes.set_ylim(-50, 44)
    axes.set_yticks([-40, -20, 0])
    _plain_log(axes)


def _plain_log(axes: Axes) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axes.xaxis.set_major_locator(LogLocator(10, (1, 2, 5)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())


def _decay(axes: Axes, one: StrikerResult) -> None:
    if not one.decay_db:
        _nothing(axes)
        return
    times, level = zip(*one.decay_db, strict=True)
    axes.plot(times, level, color=_FREE, linewidth=1.2)
    end = max(times)
    if one.damped_db:
        short, low = zip(*one.damped_db, strict=True)
        axes.plot(short, low, color=_DAMPED, linewidth=1.2, linestyle=(0, (3, 1.2)))
        axes.annotate(
            "damped",
            (short[-1], -60),
            (3, 1),
            textcoords="offset points",
            fontsize=6,
            color=_DAMPED,
        )
    axes.annotate(
        "free",
        (times[len(times) // 3], level[len(times) // 3]),
        (3, 3),
        textcoords="offset points",
        fontsize=6,
        color=_FREE,
    )
    axes.set_xlim(0, end)
    axes.set_ylim(-70, 5)
    axes.set_yticks([-60, -30, 0])
    axes.grid(axis="y", color=look.GRID, linewidth=0.5)


def _force(axes: Axes, one: StrikerResult) -> None:
    known = [f for f in one.force if f.level_db is not None]
    if not known:
        _nothing(axes)
        return
    pulses = [f.pulse_ms for f in known]
    level = [f.level_db.value if f.level_db else 0.0 for f in known]
    unsure = [f.level_db.uncertainty or 0.0 if f.level_db else 0.0 for f in known]
    axes.errorbar(pulses, level, unsure, fmt="o", color=look.DARK, markersize=2.6, linewidth=0.8)
    fitted = [(f.pulse_ms, f.fitted_db) for f in known if f.fitted_db is not None]
    if fitted:
        axes.plot(*zip(*fitted, strict=True), color=look.DARK, linewidth=0.9)
    mute = [f.pulse_ms for f in one.force if f.spoke < f.asked]
    low = min(level) - 4
    axes.plot(mute, [low] * len(mute), "x", color=look.ANSWER, markersize=4)
    if mute:
        axes.annotate(
            "does not always speak",
            (max(mute), low),
            (4, -1),
            textcoords="offset points",
            fontsize=5.8,
            color=look.ANSWER,
        )
    axes.set_ylim(low - 3, max(level) + 4)


def _repeats(axes: Axes, one: StrikerResult) -> None:
    if not one.repeats:
        _nothing(axes)
        return
    for clean, mark, ink in ((True, "o", look.DARK), (False, "x", look.ANSWER)):
        some = [r for r in one.repeats if r.clean is clean]
        axes.plot(
            [r.gap_ms for r in some],
            [max(r.strength_db, -30) for r in some],
            mark,
            color=ink,
            markersize=2.4,
            linestyle="",
        )
    if one.restrike_ms is not None:
        axes.axvline(one.restrike_ms.value, color=look.ANSWER, linewidth=0.9)
    axes.set_xscale("log")
    axes.set_ylim(-32, 6)
    axes.set_yticks([-24, -12, 0])
    _plain_log(axes)


def _nothing(axes: Axes) -> None:
    axes.set_axis_off()
    axes.text(0.0, 0.5, "not measured", transform=axes.transAxes, color=look.MUTED, fontsize=7)


def _notes(findings: tuple[Finding, ...]) -> list[str]:
    """Findings as lines for the foot, gravest first, the rest as a number."""
    ordered = sorted(findings, key=lambda f: not f.grave)
    lines: list[str] = []
    for finding in ordered[:FINDINGS_MAX]:
        when = "" if finding.at_s is None else f"{finding.at_s:.1f} s: "
        mark = "!" if finding.grave else "–"
        lines += textwrap.wrap(f"{mark} {when}{finding.text}", 165, subsequent_indent="   ")
    if len(ordered) > FINDINGS_MAX:
        lines.append(f"and {len(ordered) - FINDINGS_MAX} more in the report")
    return lines or ["nothing that needs a look"]


def _foot(figure: Figure, notes: list[str], top: float) -> None:
    for number, line in enumerate(notes):
        ink = look.ANSWER if line.startswith("!") else look.MUTED
        _text(figure, LEFT_IN, top + number * FOOT_LINE_IN, line, fontsize=7.4, color=ink)

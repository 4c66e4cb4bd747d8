"""A round score of a day: time around the circle, pitch outward, two inks.

Calls are fine marks in one ink, answers beads in the other. Within them, two
rings of counts face each other: calls outward, answers inward. The night, if
sunrise and sunset are given, is a shade. How the dial is set stands in `day`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from callresp.palette.model import Palette
from callresp.rehearse import look
from callresp.rehearse.day import (
    INNER,
    UNPITCHED,
    Dial,
    Marks,
    Points,
    answer_marks,
    axis_of,
    call_marks,
    counts_per,
    dial_for,
    radius,
    xy,
)
from callresp.rehearse.look import ANSWER, CALL, INK, PAPER, RULE, SOFT, halo
from callresp.score import Phrase, ReplyNote

SIDE_IN = 11.0
COUNT_RING = 0.26
COUNT_TALL = 0.075
NIGHT = "#e4e1d6"


@dataclass(frozen=True, slots=True)
class DayDrawn:
    """What a day's picture shows."""

    path: str
    turn_h: float
    calls: int
    answers: int


def draw_day(
    path: Path,
    calls: Sequence[Phrase],
    answers: Sequence[ReplyNote],
    start: datetime,
    duration_s: float | None = None,
    palette: Palette | None = None,
    title: str = "",
    sunrise: datetime | None = None,
    sunset: datetime | None = None,
    told: tuple[str, str] | None = None,
) -> DayDrawn:
    """Draw a day as a round score.

    Parameters
    ----------
    path
        The file to write: .png, .svg or .pdf.
    calls
        Heard phrases, in seconds from `start`.
    answers
        What was played, likewise.
    start
        When the session began.
    duration_s
        How long it lasted; by default until the last mark.
    palette
        Gives the answers their pitches.
    title
        Of the place or the day.
    sunrise, sunset
        Shade the night where given.
    told
        What the middle says of calls and of answers; by default how many marks.

    Raises
    ------
    UserError
        For another ending, a day without length, or one of more than 24 hours (draw
        each day alone).
    """
    path = Path(path)
    look.check_ending(path)
    heard, played = call_marks(calls), answer_marks(answers, palette)
    lasted_s = duration_s or _last_s(heard, played)
    dial = dial_for(start, lasted_s)
    with look.our_style():
        figure = look.new_figure(SIDE_IN, SIDE_IN)
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_xlim(-1.32, 1.32)
        axes.set_ylim(-1.32, 1.32)
        axes.axis("off")
        low, high = axis_of(heard, played)
        _night(axes, dial, sunrise, sunset)
        _rings(axes, low, high)
        _hours(axes, dial, start, lasted_s)
        _calls(axes, dial, start, heard, low, high)
        _answers(axes, dial, start, played, low, high)
        _counts(axes, dial, start, lasted_s, heard, played)
        counts = (look.counted(len(heard), "call"), look.counted(len(played), "answer"))
        _middle(axes, start, lasted_s, told or counts)
        _corners(axes, title, palette)
        look.save(figure, path, title or "a day")
    return DayDrawn(str(path), dial.turn_h, len(heard), len(played))


def _last_s(*marks: Marks) -> float:
    return max((float(one.time_s.max()) + 1.0 for one in marks if len(one)), default=0.0)


def _arc(axes: Any, r: float, from_a: float, to_a: float, **style: Any) -> None:
    turn = np.linspace(from_a, to_a, max(int(abs(to_a - from_a) * 120), 2))
    points = xy(turn, r)
    axes.plot(points[:, 0], points[:, 1], **style)


def _sector(
    axes: Any, inner: float, outer: float, from_a: float, to_a: float, **style: Any
) -> None:
    from matplotlib.patches import Polygon

    turn = np.linspace(from_a, to_a, max(int(abs(to_a - from_a) * 120), 2))
    corners = np.concatenate([xy(turn, outer), xy(turn[::-1], inner)])
    axes.add_patch(Polygon(corners, closed=True, **style))


def _night(axes: Any, dial: Dial, sunrise: datetime | None, sunset: datetime | None) -> None:
    if sunrise is None or sunset is None or dial.turn_h != 24.0:
        return
    day = timedelta(days=1)
    while sunset > sunrise + day:
        sunset -= day
    while sunset < sunrise:
        sunset += day
    down, up = dial.angle(sunset), dial.angle(sunrise + day)
    _sector(axes, INNER, 1.0, down, up, fc=NIGHT, ec="none", zorder=0)
    for angle, name in ((down, "sunset"), (up, "sunrise")):
        ends = xy([angle, angle], [INNER, 1.02])
        axes.plot(ends[:, 0], ends[:, 1], color=SOFT, lw=0.8, ls=(0, (1, 2)), zorder=1)
        _around(axes, angle, 1.165, name, fontsize=8, color=SOFT, style="italic")


def _rings(axes: Any, low: float, high: float) -> None:
    """Octaves, named along a spoke."""
    hz = low
    while hz <= high * 1.001:
        r = float(radius(hz, low, high))
        _arc(axes, r, 0, 2 * math.pi, color=RULE, lw=0.6, zorder=1)
        text = f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"
        label = axes.text(0.012, r, text, fontsize=6.5, color=SOFT, va="center", zorder=9)
        halo(label, 2.4)
        hz *= 2
    _arc(axes, UNPITCHED, 0, 2 * math.pi, color=RULE, lw=0.5, ls=(0, (1, 2)), zorder=1)


def _around(axes: Any, angle: float, r: float, text: str, **style: Any) -> None:
    """A text that lies along the circle, never on its head."""
    (x, y) = xy(angle, r)
    turn = -math.degrees(angle) % 360
    if 90 < turn < 270:
        turn -= 180
    axes.text(x, y, text, rotation=turn, ha="center", va="center", **style)


def _hours(axes: Any, dial: Dial, start: datetime, lasted_s: float) -> None:
    for moment in dial.hours():
        angle = dial.angle(moment)
        major = dial.turn_h < 24 or moment.hour % 3 == 0
        ends = xy([angle, angle], [INNER if major else 1.0, 1.025])
        axes.plot(ends[:, 0], ends[:, 1], color=RULE, lw=0.6, zorder=1)
        text = f"{moment:%H}" if dial.turn_h >= 12 else f"{moment:%H:%M}"
        size, ink = (11, INK) if major else (8, SOFT)
        _around(axes, angle, 1.075, text, fontsize=size, color=ink)
    began = dial.angle(start)
    ended = began + 2 * math.pi * lasted_s / (dial.turn_h * 3600)
    _arc(
        axes,
        1.025,
        began,
        min(ended, began + 2 * math.pi),
        color=INK,
        lw=1.6,
        zorder=3,
        solid_capstyle="butt",
    )


def _places(dial: Dial, start: datetime, marks: Marks, low: float, high: float) -> Points:
    """Where marks lie; those without pitch on the dotted ring."""
    pitched = np.isfinite(marks.pitch_hz)
    radii = np.where(pitched, radius(np.where(pitched, marks.pitch_hz, low), low, high), UNPITCHED)
    return xy(dial.angles(start, marks.time_s), radii)


def _calls(axes: Any, dial: Dial, start: datetime, marks: Marks, low: float, high: float) -> None:
    """Fine marks, fainter the more there are of them."""
    if not len(marks):
        return
    places = _places(dial, start, marks, low, high)
    faint = float(np.clip(38 / math.sqrt(len(marks)), 0.12, 0.8))
    axes.scatter(
        places[:, 0],
        places[:, 1],
        s=1.2 + 4.5 * marks.weight,
        c=CALL,
        alpha=faint,
        linewidths=0,
        zorder=4,
        rasterized=True,
    )


def _answers(axes: Any, dial: Dial, start: datetime, marks: Marks, low: float, high: float) -> None:
    """Beads on their strikers' rings, each with a short tail in the sense of time."""
    if not len(marks):
        return
    places = _places(dial, start, marks, low, high)
    many = float(np.clip(26 / math.sqrt(len(marks)), 0.2, 1.0))
    axes.scatter(
        places[:, 0],
        places[:, 1],
        s=(6 + 26 * marks.weight) * many,
        c=ANSWER,
        alpha=0.85,
        edgecolors=PAPER,
        linewidths=0.35 * many,
        zorder=5,
        rasterized=len(marks) > 3000,
    )


def _counts(
    axes: Any, dial: Dial, start: datetime, lasted_s: float, heard: Marks, played: Marks
) -> None:
    """Two rings that face each other: calls outward, answers inward, by time."""
    bin_s = dial.turn_h * 3600 / 144
    _arc(axes, COUNT_RING, 0, 2 * math.pi, color=RULE, lw=0.6, zorder=1)
    gap = 0.12 * 2 * math.pi / 144
    for marks, ink, way in ((heard, CALL, 1), (played, ANSWER, -1)):
        counts = counts_per(marks, bin_s, lasted_s)
        tallest = counts.max()
        if tallest == 0:
            continue
        for index, count in enumerate(counts):
            if count == 0:
                continue
            from_a, to_a = dial.angles(start, [index * bin_s, (index + 1) * bin_s])
            tall = way * COUNT_TALL * math.sqrt(count / tallest)
            inner, outer = sorted((COUNT_RING, COUNT_RING + tall))
            _sector(
                axes,
                inner,
                outer,
                from_a + gap,
                to_a - gap,
                fc=ink,
                ec="none",
                alpha=0.75,
                zorder=3,
            )


def _middle(axes: Any, start: datetime, lasted_s: float, told: tuple[str, str]) -> None:
    end = start + timedelta(seconds=lasted_s)
    axes.text(
        0, 0.052, f"{start:%-d %B}", fontsize=17, family=look.TITLE_FONT, ha="center", color=INK
    )
    axes.text(
        0, 0.018, f"{start:%Y}, {start:%H:%M} to {end:%H:%M}", fontsize=7.5, ha="center", color=SOFT
    )
    axes.text(0, -0.045, told[0], fontsize=9.5, ha="center", color=CALL)
    axes.text(0, -0.09, told[1], fontsize=9.5, ha="center", color=ANSWER)


def _corners(axes: Any, title: str, palette: Palette | None) -> None:
    axes.text(
        -1.25, 1.22, title, fontsize=27, family=look.TITLE_FONT, ha="left", va="center", color=INK
    )
    x, y = -1.25, -1.20
    axes.scatter([x + 0.01], [y + 0.05], s=5, c=CALL, linewidths=0)
    axes.text(
        x + 0.035, y + 0.05, "a call: pitch runs outward", fontsize=8, va="center", color=SOFT
    )
    axes.scatter([x + 0.01], [y], s=28, c=ANSWER, edgecolors=PAPER, linewidths=0.4)
    axes.text(x + 0.035, y, "an answer: its size is its force", fontsize=8, va="center", color=SOFT)
    axes.text(
        1.25,
        y + 0.05,
        "dotted ring: sounds without pitch",
        fontsize=8,
        va="center",
        ha="right",
        color=SOFT,
    )
    axes.text(
        1.25,
        y,
        "inner rings: counts, each by its own root scale",
        fontsize=8,
        va="center",
        ha="right",
        color=SOFT,
    )
    if palette is not None:
        axes.text(
            1.25,
            1.22,
            f"answered by {palette.name}",
            fontsize=9,
            ha="right",
            va="center",
            color=SOFT,
        )

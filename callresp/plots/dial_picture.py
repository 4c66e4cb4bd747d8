"""A round score of a day, drawn: calls in one colour, answers in the other.

Calls are fine marks, answers dots. Within them two rings of counts face each other: calls
outward, answers inward. The night is shaded where sunrise and sunset are given. Where a mark
lies is told by `dial`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from callresp.field.day import FieldDay, shifted
from callresp.io.files import whole_file
from callresp.io.score import Phrase, ReplyNote
from callresp.io.wording import counted
from callresp.palette.model import Palette
from callresp.plots import style
from callresp.plots.dial import (
    INNER,
    UNPITCHED,
    Dial,
    DialMarks,
    Points,
    answer_marks,
    axis_of,
    call_marks,
    counts_per_bin,
    dial_for,
    radius,
    xy,
)
from callresp.plots.style import (
    ANSWER,
    BACKGROUND,
    CALL,
    DARK,
    GRID,
    MUTED,
    label,
    line,
    outline,
)
from callresp.scout.sun import Site, sun_day

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DIAL_S = 86400.0
DIALS_MAX = 14
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
    in_zone: Callable[[datetime, float], datetime] | None = None,
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
    in_zone
        Gives a moment, so many seconds from `start`, in the zone of its time; by default all are in
        that of `start`.

    Raises
    ------
    UserError
        For another ending, a day without length, or one of more than 24 hours (draw
        each day alone).
    """
    style.check_ending(path)
    heard, played = call_marks(calls), answer_marks(answers, palette)
    lasts_s = [float(one.time_s.max()) + 1.0 for one in (heard, played) if len(one)]
    lasted_s = duration_s or max(lasts_s, default=0.0)
    dial = dial_for(start, lasted_s)
    low, high = axis_of(heard, played)
    with style.drawing_style():
        figure = style.new_figure(SIDE_IN, SIDE_IN)
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_xlim(-1.32, 1.32)
        axes.set_ylim(-1.32, 1.32)
        axes.axis("off")
        _night(axes, dial, sunrise, sunset)
        _rings(axes, low, high)
        named = in_zone or (lambda moment, at_s: moment)
        _hours(axes, dial, start, lasted_s, named)
        _calls(axes, heard, _places(dial, start, heard, low, high))
        _answers(axes, played, _places(dial, start, played, low, high))
        _counts(axes, dial, start, lasted_s, heard, played)
        counts = (counted(len(heard), "call"), counted(len(played), "answer"))
        end = named(start + timedelta(seconds=lasted_s), lasted_s)
        _middle(axes, start, end, lasted_s, told or counts)
        _corners(axes, title, palette)
        style.save(figure, path, title or "a day")
    return DayDrawn(str(path), dial.turn_h, len(heard), len(played))


def _turns(from_a: float, to_a: float) -> Points:
    return np.linspace(from_a, to_a, max(int(abs(to_a - from_a) * 120), 2))


def _arc(
    axes: Axes, r: float, from_a: float, to_a: float, colour: str, width: float, **more: object
) -> None:
    points = xy(_turns(from_a, to_a), r)
    line(axes, points[:, 0], points[:, 1], colour, width, **({"zorder": 1} | more))


def _circle(axes: Axes, r: float, width: float, **more: object) -> None:
    _arc(axes, r, 0, 2 * math.pi, GRID, width, **more)


def _spoke(
    axes: Axes, angle: float, inner: float, outer: float, colour: str, width: float, **more: object
) -> None:
    ends = xy([angle, angle], [inner, outer])
    line(axes, ends[:, 0], ends[:, 1], colour, width, zorder=1, **more)


def _sector(
    axes: Axes, radii: tuple[float, float], angles: tuple[float, float], colour: str, alpha: float
) -> None:
    from matplotlib.patches import Polygon

    turn = _turns(*angles)
    corners = np.concatenate([xy(turn, radii[1]), xy(turn[::-1], radii[0])])
    # What is see-through is a mark, and lies on top of what shades the ground.
    order = 0 if alpha == 1 else 3
    axes.add_patch(Polygon(corners, closed=True, fc=colour, ec="none", alpha=alpha, zorder=order))


def _night(axes: Axes, dial: Dial, sunrise: datetime | None, sunset: datetime | None) -> None:
    if sunrise is None or sunset is None or dial.turn_h != 24.0:
        return
    day = timedelta(days=1)
    # The sunset that follows this sunrise.
    sunset = sunrise + (sunset - sunrise) % day
    down, up = dial.angle(sunset), dial.angle(sunrise + day)
    _sector(axes, (INNER, 1.0), (down, up), NIGHT, 1.0)
    for angle, name in ((down, "sunset"), (up, "sunrise")):
        _spoke(axes, angle, INNER, 1.02, MUTED, 0.8, ls=(0, (1, 2)))
        _around(axes, angle, 1.165, name, 8, MUTED, style="italic")


def _rings(axes: Axes, low: float, high: float) -> None:
    """Octaves, named along a spoke."""
    hz = low
    while hz <= high * 1.001:
        r = float(radius(hz, low, high))
        _circle(axes, r, 0.6)
        text = f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"
        outline(label(axes, 0.012, r, text, 6.5, MUTED, zorder=9), 2.4)
        hz *= 2
    _circle(axes, UNPITCHED, 0.5, ls=(0, (1, 2)))


def _around(
    axes: Axes, angle: float, r: float, text: str, size: float, colour: str, **more: object
) -> None:
    """A text that lies along the circle, never upside down."""
    (x, y) = xy(angle, r)
    turn = -math.degrees(angle) % 360
    if 90 < turn < 270:
        turn -= 180
    label(axes, x, y, text, size, colour, rotation=turn, ha="center", **more)


def _hours(
    axes: Axes,
    dial: Dial,
    start: datetime,
    lasted_s: float,
    named: Callable[[datetime, float], datetime],
) -> None:
    for at in dial.hours():
        angle = dial.angle(at)
        moment = named(at, (at - start).total_seconds())
        major = dial.turn_h < 24 or moment.hour % 3 == 0
        _spoke(axes, angle, INNER if major else 1.0, 1.025, GRID, 0.6)
        shape = "%H" if dial.turn_h >= 12 else "%H:%M" if dial.turn_h >= 0.25 else "%H:%M:%S"
        size, colour = (11, DARK) if major else (8, MUTED)
        _around(axes, angle, 1.075, f"{moment:{shape}}", size, colour)
    began = dial.angle(start)
    ended = began + 2 * math.pi * lasted_s / (dial.turn_h * 3600)
    _arc(axes, 1.025, began, min(ended, began + 2 * math.pi), DARK, 1.6, zorder=3)


def _places(dial: Dial, start: datetime, marks: DialMarks, low: float, high: float) -> Points:
    """Where marks lie; those without pitch on the dotted ring."""
    pitched = np.isfinite(marks.pitch_hz)
    radii = np.where(pitched, radius(np.where(pitched, marks.pitch_hz, low), low, high), UNPITCHED)
    return xy(dial.angles(start, marks.time_s), radii)


def _calls(axes: Axes, marks: DialMarks, places: Points) -> None:
    """Fine marks, fainter the more there are of them."""
    if not len(marks):
        return
    faint = float(np.clip(38 / math.sqrt(len(marks)), 0.12, 0.8))
    size = 1.2 + 4.5 * marks.weight
    look = {"c": CALL, "alpha": faint, "linewidths": 0, "zorder": 4, "rasterized": True}
    style.dots(axes, places, size, **look)


def _answers(axes: Axes, marks: DialMarks, places: Points) -> None:
    """Dots on their strikers' rings, smaller the more there are of them."""
    if not len(marks):
        return
    many = float(np.clip(26 / math.sqrt(len(marks)), 0.2, 1.0))
    look = {"c": ANSWER, "alpha": 0.85, "edgecolors": BACKGROUND, "linewidths": 0.35 * many}
    size = (6 + 26 * marks.weight) * many
    style.dots(axes, places, size, zorder=5, rasterized=len(marks) > 3000, **look)


def _counts(
    axes: Axes,
    dial: Dial,
    start: datetime,
    lasted_s: float,
    heard: DialMarks,
    played: DialMarks,
) -> None:
    """Two rings that face each other: calls outward, answers inward, by time."""
    bin_s = dial.turn_h * 3600 / 144
    _circle(axes, COUNT_RING, 0.6)
    gap = 0.12 * 2 * math.pi / 144
    for marks, colour, way in ((heard, CALL, 1), (played, ANSWER, -1)):
        counts = counts_per_bin(marks, bin_s, lasted_s)
        for index in np.flatnonzero(counts):
            from_a, to_a = dial.angles(start, [index * bin_s, (index + 1) * bin_s])
            tall = way * COUNT_TALL * math.sqrt(counts[index] / counts.max())
            inner, outer = sorted((COUNT_RING, COUNT_RING + tall))
            _sector(axes, (inner, outer), (from_a + gap, to_a - gap), colour, 0.75)


def _middle(
    axes: Axes, start: datetime, end: datetime, lasted_s: float, told: tuple[str, str]
) -> None:
    shape = "%H:%M" if lasted_s >= 600 else "%H:%M:%S"
    span = f"{start:%Y}, {start:{shape}} to {end:{shape}}"
    middle = {"ha": "center", "va": "baseline"}
    label(axes, 0, 0.052, f"{start:%-d %B}", 17, DARK, family=style.TITLE_FONT, **middle)
    for y, text, size, colour in (
        (0.018, span, 7.5, MUTED),
        (-0.045, told[0], 9.5, CALL),
        (-0.09, told[1], 9.5, ANSWER),
    ):
        label(axes, 0, y, text, size, colour, **middle)


def _corners(axes: Axes, title: str, palette: Palette | None) -> None:
    label(axes, -1.25, 1.22, title, 27, family=style.TITLE_FONT)
    left, right, foot = -1.25, 1.25, -1.20
    axes.scatter([left + 0.01], [foot + 0.05], s=5, c=CALL, linewidths=0)
    axes.scatter([left + 0.01], [foot], s=28, c=ANSWER, edgecolors=BACKGROUND, linewidths=0.4)
    label(axes, left + 0.035, foot + 0.05, "a call: pitch runs outward", 8, MUTED)
    label(axes, left + 0.035, foot, "an answer: its size is its force", 8, MUTED)
    label(axes, right, foot + 0.05, "dotted ring: sounds without pitch", 8, MUTED, ha="right")
    counts = "inner rings: counts, each by its own root scale"
    label(axes, right, foot, counts, 8, MUTED, ha="right")
    if palette is not None:
        label(axes, right, 1.22, f"answered by {palette.name}", 9, MUTED, ha="right")


def dials(day: FieldDay) -> list[tuple[float, float]]:
    """The stretches of a day that a dial each can hold; the last `DIALS_MAX` of them."""
    count = max(math.ceil(day.duration_s / DIAL_S), 1)
    every = [(n * DIAL_S, min((n + 1) * DIAL_S, day.duration_s)) for n in range(count)]
    return every[-DIALS_MAX:]


def draw_dial(
    path: Path,
    day: FieldDay,
    stretch: tuple[float, float],
    palette: Palette | None,
    title: str,
    site: Site | None,
) -> None:
    """Draw a stretch of a day as a round score.

    Parameters
    ----------
    path
        The file to write: .png, .svg or .pdf.
    day
        What is drawn.
    stretch
        From when to when, in seconds of the day.
    palette
        The machine, for its strikers' order; `None` where it is not known.
    title
        At the top.
    site
        Where it stood, to shade the night; `None` where that is not known.

    Raises
    ------
    UserError
        For another ending, or a folder that can't be written.
    """
    from_s, to_s = stretch
    calls = [shifted(p, -from_s) for p in day.phrases if from_s <= p.onset_s < to_s]
    answers = [shifted(n, -from_s) for n in day.sounded() if from_s <= n.onset_s < to_s]
    answered = {note.heard_phrase for note in answers}
    told = (counted(len(calls), "call"), f"{len(answered):,} answered")
    start = day.moment(from_s)
    rise = down = None
    if site is not None and start.tzinfo is not None:
        sun = sun_day(site, start.date(), start.tzinfo)
        rise, down = sun.sunrise, sun.sunset
    lasted_s = max(to_s - from_s, 1.0)

    def in_zone(moment: datetime, at_s: float) -> datetime:
        return day.in_zone(moment, from_s + at_s)

    draw_day(path, calls, answers, start, lasted_s, palette, title, rise, down, told, in_zone)


def stack(path: Path, dials: Sequence[Path]) -> None:
    """Write a day's dials, pictures of one size, as one PNG: one below the other."""
    from PIL import Image

    drawn = []
    for dial in dials:
        with Image.open(dial) as picture:
            drawn.append(picture.convert("RGB"))
    wide, high = drawn[0].size
    whole = Image.new("RGB", (wide, high * len(drawn)))
    for number, one in enumerate(drawn):
        whole.paste(one, (0, high * number))
    with whole_file(path) as part:
        whole.save(part, "PNG")

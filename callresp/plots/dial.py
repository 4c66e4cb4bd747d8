"""A round score of a day: time around the circle, pitch outward, two colours.

Calls are fine marks in one colour, answers dots in the other. Within them two
rings of counts face each other: calls outward, answers inward. The night is
shaded where sunrise and sunset are given.

Conventions
-----------
- The dial turns once in a day, or in less: the shortest turn that holds the
  session without overlapping itself. It is set by the clock: on a dial of 24
  hours noon is at the top and midnight at the foot, as the sun goes; on the
  others the turn begins at the top.
- Angles run clockwise from the top, in radians; radii are 0 to 1.
- Pitch runs outward on a logarithmic axis from `INNER` to 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.field.day import FieldDay, shifted
from callresp.io.score import Phrase, ReplyNote
from callresp.io.wording import counted
from callresp.palette.model import Palette
from callresp.plots import style
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

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Points = npt.NDArray[np.float64]

INNER = 0.40
UNPITCHED = 0.365
DIAL_S = 86400.0
DIALS_MAX = 14
# Hours of a turn: minutes between its labels.
LABELS_MIN = {1 / 12: 0.5, 0.25: 1.0, 1.0: 5.0, 3.0: 15.0, 6.0: 30.0, 12.0: 60.0, 24.0: 60.0}
TURNS_H = tuple(LABELS_MIN)


@dataclass(frozen=True, slots=True)
class Dial:
    """A dial that turns once in `turn_h` hours; `zero` is a moment at the top."""

    turn_h: float
    zero: datetime

    def angle(self, moment: datetime) -> float:
        """Radians clockwise from the top."""
        hours = (moment - self.zero).total_seconds() / 3600
        return 2 * math.pi * hours / self.turn_h

    def angles(self, start: datetime, times_s: npt.ArrayLike) -> Points:
        """The same for many moments, in seconds from `start`."""
        per_s = 2 * math.pi / (self.turn_h * 3600)
        return np.asarray(self.angle(start) + np.asarray(times_s, dtype=np.float64) * per_s)

    def hours(self) -> list[datetime]:
        """The moments to label: each hour, or less on a small dial."""
        step = timedelta(minutes=LABELS_MIN[self.turn_h])
        first = self.zero - timedelta(hours=12) if self.turn_h == 24.0 else self.zero
        return [first + step * i for i in range(round(self.turn_h * 3600 / step.total_seconds()))]


def dial_for(start: datetime, duration_s: float) -> Dial:
    """The shortest dial that holds a session.

    Examples
    --------
    >>> from datetime import datetime
    >>> dial_for(datetime(2026, 5, 12, 4, 15), 5 * 3600).turn_h
    6.0
    """
    if not duration_s > 0:
        raise UserError("a day without length", remedy="give one that lasted")
    if duration_s > 86400.0:
        raise UserError(
            f"{duration_s / 3600:.1f} h are more than a day", remedy="draw each day alone"
        )
    for turn_h in TURNS_H[:-1]:
        # A round time by the clock: a quarter of an hour or more, less on the smallest dials.
        zero = _floor(start, max(turn_h / 12, 0.25) if turn_h >= 1 else turn_h / 5)
        if (start - zero).total_seconds() + duration_s <= turn_h * 3600:
            return Dial(turn_h, zero)
    noon = start.replace(hour=12, minute=0, second=0, microsecond=0)
    return Dial(24.0, noon)


def _floor(moment: datetime, hours: float) -> datetime:
    midnight = moment.replace(hour=0, minute=0, second=0, microsecond=0)
    step = hours * 3600
    return midnight + timedelta(seconds=(moment - midnight).total_seconds() // step * step)


def radius(hz: npt.ArrayLike, low_hz: float, high_hz: float) -> Points:
    """Radius of a pitch; outside the axis it is kept at its ends."""
    share = np.log2(np.asarray(hz, dtype=np.float64) / low_hz) / math.log2(high_hz / low_hz)
    return np.asarray(INNER + (1 - INNER) * np.clip(share, 0.0, 1.0))


def xy(angles: npt.ArrayLike, radii: npt.ArrayLike) -> Points:
    """Places on the page, shape ``(n, 2)``."""
    turn, out = np.asarray(angles), np.asarray(radii)
    return np.stack(np.broadcast_arrays(out * np.sin(turn), out * np.cos(turn)), axis=-1)


@dataclass(frozen=True, slots=True)
class DialMarks:
    """Many marks at once: seconds from the start, pitch in Hz (nan: none), weight 0 to 1."""

    time_s: Points
    pitch_hz: Points
    weight: Points

    def __len__(self) -> int:
        return len(self.time_s)


def call_marks(calls: Sequence[Phrase]) -> DialMarks:
    """One mark a heard note, weighted by its level among the others."""
    notes = [note for phrase in calls for note in phrase.notes]
    levels = np.array([note.level_db for note in notes])
    quiet, loud = (np.quantile(levels, q) for q in (0.05, 0.95)) if notes else (0.0, 1.0)
    return DialMarks(
        np.array([note.onset_s for note in notes]),
        np.array([math.nan if note.pitch_hz is None else note.pitch_hz for note in notes]),
        np.clip((levels - quiet) / max(loud - quiet, 1.0), 0.0, 1.0),
    )


def answer_marks(answers: Sequence[ReplyNote], palette: Palette | None) -> DialMarks:
    """One mark a stroke, at its striker's pitch (else the pitch that was asked for)."""
    pitches = {item.name: item.pitch_hz for item in palette.striker} if palette else {}
    hz = [pitches.get(note.instrument, note.asked_hz) for note in answers]
    return DialMarks(
        np.array([note.onset_s for note in answers]),
        np.array([math.nan if value is None else value for value in hz]),
        np.array([note.force for note in answers]),
    )


def axis_of(*marks: DialMarks) -> tuple[float, float]:
    """Ends of the pitch axis: what nearly all marks lie within, on octaves of 125 Hz."""
    given = np.concatenate([one.pitch_hz for one in marks]) if marks else np.zeros(0)
    given = given[np.isfinite(given)]
    if len(given) == 0:
        return 500.0, 8000.0
    low, high = np.quantile(given, [0.002, 0.998])
    low_hz = 125 * 2.0 ** math.floor(math.log2(low / 125) + 1e-9)
    high_hz = 125 * 2.0 ** math.ceil(math.log2(high / 125) - 1e-9)
    return low_hz, max(high_hz, 2 * low_hz)


def counts_per_bin(marks: DialMarks, bin_s: float, duration_s: float) -> Points:
    """Marks in each bin of time."""
    bins = max(math.ceil(duration_s / bin_s), 1)
    found, _ = np.histogram(marks.time_s, bins=bins, range=(0.0, bins * bin_s))
    return found.astype(np.float64)


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
        _hours(axes, dial, start, lasted_s)
        _calls(axes, heard, _places(dial, start, heard, low, high))
        _answers(axes, played, _places(dial, start, played, low, high))
        _counts(axes, dial, start, lasted_s, heard, played)
        counts = (counted(len(heard), "call"), counted(len(played), "answer"))
        _middle(axes, start, lasted_s, told or counts)
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


def _hours(axes: Axes, dial: Dial, start: datetime, lasted_s: float) -> None:
    for moment in dial.hours():
        angle = dial.angle(moment)
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


def _middle(axes: Axes, start: datetime, lasted_s: float, told: tuple[str, str]) -> None:
    end = start + timedelta(seconds=lasted_s)
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


@dataclass(frozen=True, slots=True)
class Sun:
    """Sunrise and sunset of the place, to shade the night."""

    rise: datetime
    set: datetime


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
    sun: Sun | None,
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
    sun
        Sunrise and sunset, where the place is known.

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
    rise, down = _of_that_day(sun, start)
    lasted_s = max(to_s - from_s, 1.0)
    draw_day(path, calls, answers, start, lasted_s, palette, title, rise, down, told)


def _of_that_day(sun: Sun | None, start: datetime) -> tuple[datetime | None, datetime | None]:
    if sun is None:
        return None, None
    days = timedelta(days=(start.date() - sun.rise.date()).days)
    return sun.rise + days, sun.set + days

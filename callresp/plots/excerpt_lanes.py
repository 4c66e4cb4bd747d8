"""The machine's strokes, drawn: one lane a striker, and the key to the shapes.

A stroke is a dot whose size is its force. Its decay is a wedge that thins out
(in dB, so that a straight edge is an exponential decay) and ends where it has
fallen by 60 dB, at the next stroke, or at an upright bar where a damper falls. What
a wall gives back is a tick under its stroke's line, the darker the louder; where a
stroke joins it, it reaches up to that stroke. A turner is a band as thick as it is
fast, strewn with grains.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from callresp.palette.model import Palette, Striker, Turner
from callresp.plots.excerpt import Excerpt, ReturnMark, StrokeMark, TurnMark, lane_order
from callresp.plots.style import (
    BACKGROUND,
    CHANGED,
    DARK,
    GRID,
    MUTED,
    dot,
    label,
    line,
    pitch_name,
    side_label,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LANE_IN = 0.36


@dataclass(frozen=True, slots=True)
class LaneSizes:
    """Sizes on a lane: of names and figures in points, and of marks as a share of the usual."""

    name: float = 8.5
    pitch: float = 6.3
    count: float = 7.5
    marks: float = 1.0


FULL_SIZE = LaneSizes()
# For several machines' lanes on one page.
SMALL_SIZE = LaneSizes(6.6, 5.2, 6.2, 0.5)


def draw_lanes(
    axes: Axes,
    palette: Palette,
    shown: Excerpt,
    colours: dict[str, str],
    sizes: LaneSizes = FULL_SIZE,
) -> None:
    """Draw all lanes; the y axis counts them from the top.

    A stroke has the colour of the voice that it answers.
    """
    order = lane_order(palette)
    axes.set_ylim(len(order), 0)
    axes.set_xlim(shown.from_s, shown.to_s)
    rows = {item.name: index + 0.5 for index, item in enumerate(order)}
    counts = lane_counts(shown)
    for item in order:
        _lane(axes, item, rows[item.name], counts[item.name], sizes)
    for turn in shown.turns:
        _turn(axes, turn, rows[turn.instrument], shown, sizes)
    for mark in shown.marks:
        _decay(axes, mark, rows[mark.instrument], colours.get(shown.voice_of(mark), DARK))
    for back in shown.returns:
        _return(axes, back, rows[back.stroke.instrument], sizes)
    if begun := shown.begun():
        axes.scatter(
            [mark.at_s for mark in begun],
            [rows[mark.instrument] for mark in begun],
            s=[sizes.marks * marker_area(mark.force) for mark in begun],
            c=[colours.get(shown.voice_of(mark), DARK) for mark in begun],
            edgecolors=BACKGROUND,
            linewidths=0.7 * sizes.marks,
            zorder=5,
        )
    _changes(axes, shown, rows, sizes)


def _lane(axes: Axes, item: Striker | Turner, y: float, count: int, sizes: LaneSizes) -> None:
    axes.axhline(y, color=GRID, lw=0.7, zorder=0.5)
    below: str = item.kind if item.kind not in item.name else ""
    if isinstance(item, Striker) and item.pitch_hz is not None:
        below = pitch_name(item.pitch_hz)
        below += " ct" if " " in below else ""
    side_label(axes, -0.012, y - (0.14 if below else 0.0), item.name, sizes.name)
    side_label(axes, -0.012, y + 0.24, below, sizes.pitch, MUTED)
    side_label(axes, 1.007, y, f"{count}" if count else "–", sizes.count, MUTED)


def _decay(axes: Axes, mark: StrokeMark, y: float, colour: str) -> None:
    from matplotlib.patches import Polygon

    tall = 0.12 + 0.26 * mark.force
    end_s = min(mark.until_s, mark.at_s + mark.free_s)
    left = max(1 - (end_s - mark.at_s) / mark.free_s, 0.0) * tall
    corners = [(mark.at_s, y - tall), (end_s, y - left), (end_s, y + left), (mark.at_s, y + tall)]
    axes.add_patch(Polygon(corners, closed=True, fc=colour, ec="none", alpha=0.30, zorder=2))
    if mark.damped:
        stop = max(left, 0.10) + 0.05
        line(axes, [end_s, end_s], [y - stop, y + stop], colour, 1.5, zorder=3)


def _return(axes: Axes, back: ReturnMark, y: float, sizes: LaneSizes) -> None:
    top = y if back.joined else y + 0.24
    width = (1.4 if back.joined else 1.0) * sizes.marks
    line(axes, [back.at_s, back.at_s], [top, y + 0.42], DARK, width, alpha=back.ink, zorder=4)


def marker_area(force: float) -> float:
    """Area of a stroke's dot in square points, for a force of 0 to 1."""
    return 9.0 + 55.0 * force


def _turn(axes: Axes, turn: TurnMark, y: float, shown: Excerpt, sizes: LaneSizes) -> None:
    time_s = np.array([point[0] for point in turn.curve])
    tall = np.array([point[1] for point in turn.curve]) * 0.36
    axes.fill_between(time_s, y - tall, y + tall, color=DARK, alpha=0.14, lw=0, zorder=2)
    # Grains are scattered at random, but the same way each time.
    rng = np.random.default_rng(len(turn.curve))
    count = int(min(2600, 60 * np.trapezoid(tall / 0.36, time_s) + 1))
    at = rng.uniform(max(time_s[0], shown.from_s), min(time_s[-1], shown.to_s), count)
    height = np.interp(at, time_s, tall)
    keep = height > 0.02
    offset = rng.uniform(-1, 1, count) * height
    axes.scatter(
        at[keep], (y + offset)[keep], s=1.6 * sizes.marks, c=DARK, linewidths=0, alpha=0.8, zorder=3
    )


def _changes(axes: Axes, shown: Excerpt, rows: dict[str, float], sizes: LaneSizes) -> None:
    """A cross where a note was dropped, a ring about one that was changed."""
    starts = {mark.reply: mark.at_s for mark in shown.marks if mark.reply is not None}
    scale = float(np.sqrt(sizes.marks))
    for change, lane in shown.changes:
        at_s = starts.get(change.reply, change.at_s)
        if lane not in rows or not shown.from_s <= at_s <= shown.to_s:
            continue
        if change.change == "dropped":
            edge = {"mew": 1.5 * scale, "color": CHANGED, "zorder": 7}
            dot(axes, change.at_s, rows[lane], "x", 5.5 * scale, **edge)
        else:
            edge = {"mfc": "none", "mec": CHANGED, "mew": 1.0, "zorder": 6}
            dot(axes, at_s, rows[lane], "o", 12.5 * scale, **edge)


def lane_counts(shown: Excerpt) -> Counter[str]:
    """Strokes (or spells of turning) of each lane within the excerpt."""
    counts = Counter(mark.instrument for mark in shown.begun())
    for turn in shown.turns:
        counts[turn.instrument] += sum(
            speed == 0.0 < after and shown.from_s <= at_s < shown.to_s
            for (at_s, speed), (_, after) in pairwise(turn.curve)
        )
    return counts


def draw_key(axes: Axes, width_in: float, colours: dict[str, str], walls: bool = False) -> None:
    """Say what the shapes and colours mean; the axes' units are inches.

    `colours` is empty where nobody was heard; `walls` tells whether returns are drawn.
    """
    axes.axis("off")
    axes.set_xlim(0, width_in)
    axes.set_ylim(0, 0.5)
    y = 0.38 if colours else 0.26
    x = _text_after(axes, 0.0, y, "Lanes:", DARK)
    for force in (0.0, 0.5, 1.0):
        _key_stroke(axes, x + 0.07, y, force)
        x += 0.17
    x = _text_after(axes, x + 0.02, y, "soft to hard")
    for damped, text in ((False, "rings free, to −60 dB"), (True, "damper falls")):
        x = _text_after(axes, _key_decay(axes, x, y, damped), y, text)
    dot(axes, x + 0.06, y, "o", 11, mfc="none", mec=CHANGED, mew=1.0)
    x = _text_after(axes, x + 0.2, y, "changed by a limit")
    dot(axes, x + 0.04, y, "x", 5.5, mew=1.5, color=CHANGED)
    x = _text_after(axes, x + 0.16, y, "dropped")
    if walls:
        for joined, text in ((False, "from a wall"), (True, "joined")):
            at = x + 0.05
            line(axes, [at, at], [y - 0.09, y + (0.05 if joined else -0.01)], DARK, 1.2)
            if joined:
                _key_stroke(axes, at, y + 0.05, 0.3)
            x = _text_after(axes, x + 0.16, y, text)
    if not colours:
        return
    y = 0.14
    dot(axes, 0.05, y, "o", 3.6, mfc=BACKGROUND, mec=DARK, mew=0.9)
    x = _text_after(axes, 0.16, y, "call left alone")
    x = _text_after(axes, x, y, "Colour: voice heard or answered")
    for number, (voice, colour) in enumerate(colours.items()):
        if x > width_in - 0.6:
            _text_after(axes, x - 0.14, y, f"+{len(colours) - number}")
            break
        x = _text_after(axes, x - 0.14, y, voice, colour, weight="bold")


def _text_after(
    axes: Axes, x: float, y: float, text: str, colour: str = MUTED, **more: object
) -> float:
    """Set a text at x; returns where the next thing may start."""
    drawn = label(axes, x, y, text, 7.6, colour, **more)
    box = drawn.get_window_extent()
    return x + box.width / axes.figure.dpi + (0.08 if colour == DARK else 0.24)


def _key_stroke(axes: Axes, x: float, y: float, force: float) -> None:
    area = marker_area(force)
    axes.scatter([x], [y], s=area, c=DARK, edgecolors=BACKGROUND, linewidths=0.7)


def _key_decay(axes: Axes, x: float, y: float, damped: bool) -> float:
    from matplotlib.patches import Polygon

    end, left = (x + 0.25, 0.05) if damped else (x + 0.45, 0.0)
    corners = [(x, y - 0.09), (end, y - left), (end, y + left), (x, y + 0.09)]
    axes.add_patch(Polygon(corners, closed=True, fc=DARK, ec="none", alpha=0.3))
    _key_stroke(axes, x, y, 0.4)
    if damped:
        line(axes, [end, end], [y - 0.08, y + 0.08], DARK, 1.5)
    return end + 0.1

"""Around a passage picture: title, time axis, key, and the whole in small."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np

from callresp.rehearse.draw_lanes import CHANGED, bead_area
from callresp.rehearse.look import INK, PAPER, RULE, SOFT, TITLE_FONT, clock, nice_step
from callresp.rehearse.passage import Passage
from callresp.score import HeardScore


def draw_title(axes: Any, title: str, lines: list[str]) -> None:
    """Title in large type; what it is about below."""
    axes.axis("off")
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    axes.text(-0.001, 1.05, title, fontsize=25, family=TITLE_FONT, va="top", ha="left", color=INK)
    axes.text(0, 0.0, "   ·   ".join(lines), fontsize=8.5, va="bottom", ha="left", color=SOFT)


def moment(start: str | None, at_s: float) -> datetime | None:
    """The clock time of a moment of the recording."""
    if start is None:
        return None
    try:
        return datetime.fromisoformat(start) + timedelta(seconds=at_s)
    except ValueError:
        return None


def draw_times(axes: Any, from_s: float, to_s: float, start: str | None) -> list[float]:
    """Time along the foot: since the start of the recording, and by the clock."""
    step = nice_step(to_s - from_s, 12)
    ticks = [float(t) for t in np.arange(np.ceil(from_s / step) * step, to_s + 1e-6, step)]
    labels = []
    for at_s in ticks:
        text = clock(at_s) if step >= 1 else f"{at_s:.1f} s"
        by_clock = moment(start, at_s)
        labels.append(text if by_clock is None else f"{text}\n{by_clock:%H:%M:%S}")
    axes.set_xticks(ticks, labels)
    axes.tick_params(axis="x", length=4, labelsize=8)
    return ticks


def rule_times(axes: Any, ticks: list[float]) -> None:
    """Upright rules at the ticks, through every part."""
    for at_s in ticks:
        axes.axvline(at_s, color=RULE, lw=0.5, zorder=0.4)


def draw_overview(axes: Any, heard: HeardScore | None, shown: Passage) -> None:
    """The whole recording in small: calls above by pitch, strokes below, the stretch marked."""
    from matplotlib.patches import Rectangle

    axes.set_xlim(0, shown.whole_s)
    axes.set_ylim(0, 1)
    if heard is not None and heard.notes:
        notes = [note for note in heard.notes if note.pitch_hz is not None]
        pitch = np.log2([note.pitch_hz for note in notes if note.pitch_hz is not None])
        low, high = (pitch.min(), max(pitch.max(), pitch.min() + 1)) if len(pitch) else (0, 1)
        axes.scatter(
            [note.onset_s for note in notes],
            0.40 + 0.54 * (pitch - low) / (high - low),
            s=1.4,
            c=SOFT,
            linewidths=0,
            alpha=0.7,
            zorder=2,
            rasterized=len(notes) > 4000,
        )
    axes.axhline(0.31, color=RULE, lw=0.6)
    for at_s in (change.at_s for change, _ in shown.changes if change.change == "dropped"):
        axes.plot([at_s, at_s], [0.31, 0.36], color=CHANGED, lw=0.8)
    axes.add_patch(
        Rectangle(
            (shown.from_s, 0), shown.to_s - shown.from_s, 1, fc=INK, alpha=0.09, ec="none", zorder=1
        )
    )
    for edge_s in (shown.from_s, shown.to_s):
        axes.axvline(edge_s, color=INK, lw=0.9)


def draw_overview_strokes(axes: Any, times_s: list[float]) -> None:
    """The machine's strokes over the whole recording."""
    axes.vlines(times_s, 0.05, 0.27, color=INK, lw=0.5, alpha=0.6)


def draw_key(axes: Any, width_in: float, with_calls: bool) -> None:
    """What the shapes mean; the axes' units are inches."""
    axes.axis("off")
    axes.set_xlim(0, width_in)
    axes.set_ylim(0, 0.5)
    y, x = 0.26, 0.0
    x = _say(axes, x, y, "Lanes:", INK)
    for force in (0.0, 0.5, 1.0):
        axes.scatter([x + 0.07], [y], s=bead_area(force), c=INK, edgecolors=PAPER, linewidths=0.7)
        x += 0.17
    x = _say(axes, x + 0.02, y, "soft to hard")
    x = _wedge(axes, x, y, False)
    x = _say(axes, x, y, "rings free, to −60 dB")
    x = _wedge(axes, x, y, True)
    x = _say(axes, x, y, "damper falls")
    axes.plot(x + 0.06, y, marker="o", ms=11, mfc="none", mec=CHANGED, mew=1.0)
    x = _say(axes, x + 0.2, y, "changed by a limit")
    axes.plot(x + 0.04, y, marker="x", ms=5.5, mew=1.5, color=CHANGED)
    x = _say(axes, x + 0.16, y, "dropped")
    if with_calls:
        axes.plot(x + 0.05, y, marker="o", ms=3.6, mfc=PAPER, mec=INK, mew=0.9)
        x = _say(axes, x + 0.16, y, "call left alone")
        _say(axes, x, y, "Ink: the voice heard, or answered")


def _say(axes: Any, x: float, y: float, text: str, colour: str = SOFT) -> float:
    """Set a text at x; returns where the next thing may start."""
    drawn = axes.text(x, y, text, fontsize=7.6, va="center", ha="left", color=colour)
    box = drawn.get_window_extent(axes.figure.canvas.get_renderer())
    return x + float(box.width) / float(axes.figure.dpi) + (0.08 if colour == INK else 0.24)


def _wedge(axes: Any, x: float, y: float, damped: bool) -> float:
    from matplotlib.patches import Polygon

    end, left = (x + 0.25, 0.05) if damped else (x + 0.45, 0.0)
    corners = [(x, y - 0.09), (end, y - left), (end, y + left), (x, y + 0.09)]
    axes.add_patch(Polygon(corners, closed=True, fc=INK, ec="none", alpha=0.3))
    axes.scatter([x], [y], s=bead_area(0.4), c=INK, edgecolors=PAPER, linewidths=0.7)
    if damped:
        axes.plot([end, end], [y - 0.08, y + 0.08], color=INK, lw=1.5)
    return end + 0.1

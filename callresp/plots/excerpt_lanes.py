"""The lower part of a passage picture: the machine's strokes, a lane a striker.

A stroke is a bead whose size is its force. Its ring is a wedge that thins out
as the sound decays (in dB, so that a straight edge is an exponential decay) and
ends where it has fallen by 60 dB, at the next stroke, or at an upright bar where
a damper falls. A turner is a band as thick as it is fast, strewn with grains.

The middle part of a passage picture: who called when, and what answered it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from callresp.io.score import HeardScore, ReplyScore, phrases
from callresp.palette.model import Palette, Striker, Turner
from callresp.plots.excerpt import AnswerLink, Excerpt, StrokeMark, TurnMark
from callresp.plots.style import BACKGROUND, DARK, GRID, MUTED, OTHER_VOICES, pitch_name

LANE_IN = 0.36
CHANGED = "#A3123A"


def lane_order(palette: Palette) -> list[Striker | Turner]:
    """Pitched strikers from high to low, then those without pitch, then turners."""
    pitched = [item for item in palette.striker if item.pitch_hz is not None]
    others = [item for item in palette.striker if item.pitch_hz is None]
    pitched.sort(key=lambda item: -item.reference_hz)
    others.sort(key=lambda item: -item.reference_hz)
    return [*pitched, *others, *palette.turner]


def draw_lanes(
    axes: Any, palette: Palette, shown: Excerpt, inks: dict[str, str], counts: dict[str, int]
) -> None:
    """All lanes; the y axis counts them from the top."""
    order = lane_order(palette)
    axes.set_ylim(len(order), 0)
    axes.set_xlim(shown.from_s, shown.to_s)
    rows = {item.name: index + 0.5 for index, item in enumerate(order)}
    for item in order:
        _lane_name(axes, item, rows[item.name], counts.get(item.name, 0))
    for run in shown.runs:
        _run(axes, run, rows[run.instrument], shown)
    for mark in shown.marks:
        ink = inks.get(shown.answers.get(-1 if mark.reply is None else mark.reply, ""), DARK)
        _tail(axes, mark, rows[mark.instrument], ink)
    _beads(axes, shown, rows, inks)
    _changes(axes, shown, rows)


def _lane_name(axes: Any, item: Striker | Turner, y: float, count: int) -> None:
    axes.axhline(y, color=GRID, lw=0.7, zorder=0.5)
    across = axes.get_yaxis_transform()
    if isinstance(item, Striker) and item.pitch_hz is not None:
        below = f"{pitch_name(item.pitch_hz)} ct" if " " in pitch_name(item.pitch_hz) else ""
        below = below or pitch_name(item.pitch_hz)
    else:
        below = item.kind if item.kind not in item.name else ""
    lift = 0.14 if below else 0.0
    axes.text(-0.012, y - lift, item.name, transform=across, ha="right", va="center", fontsize=8.5)
    if below:
        axes.text(
            -0.012,
            y + 0.24,
            below,
            transform=across,
            ha="right",
            va="center",
            fontsize=6.3,
            color=MUTED,
        )
    axes.text(
        1.007,
        y,
        f"{count}" if count else "–",
        transform=across,
        ha="left",
        va="center",
        fontsize=7.5,
        color=MUTED,
    )


def _half_height(force: float) -> float:
    return 0.12 + 0.26 * force


def _tail(axes: Any, mark: StrokeMark, y: float, ink: str) -> None:
    from matplotlib.patches import Polygon

    tall = _half_height(mark.force)
    end_s = min(mark.until_s, mark.at_s + mark.free_s)
    left = max(1 - (end_s - mark.at_s) / mark.free_s, 0.0) * tall
    corners = [(mark.at_s, y - tall), (end_s, y - left), (end_s, y + left), (mark.at_s, y + tall)]
    axes.add_patch(Polygon(corners, closed=True, fc=ink, ec="none", alpha=0.30, zorder=2))
    if mark.damped:
        stop = max(left, 0.10) + 0.05
        axes.plot(
            [end_s, end_s],
            [y - stop, y + stop],
            color=ink,
            lw=1.5,
            zorder=3,
            solid_capstyle="butt",
        )


def _beads(axes: Any, shown: Excerpt, rows: dict[str, float], inks: dict[str, str]) -> None:
    marks = [mark for mark in shown.marks if mark.at_s >= shown.from_s]
    if not marks:
        return
    colours = [
        inks.get(shown.answers.get(-1 if m.reply is None else m.reply, ""), DARK) for m in marks
    ]
    axes.scatter(
        [mark.at_s for mark in marks],
        [rows[mark.instrument] for mark in marks],
        s=[marker_area(mark.force) for mark in marks],
        c=colours,
        edgecolors=BACKGROUND,
        linewidths=0.7,
        zorder=5,
    )


def marker_area(force: float) -> float:
    """Area of a bead in square points, for a force of 0 to 1."""
    return 9.0 + 55.0 * force


def _run(axes: Any, run: TurnMark, y: float, shown: Excerpt) -> None:
    time_s = np.array([point[0] for point in run.curve])
    tall = np.array([point[1] for point in run.curve]) * 0.36
    axes.fill_between(time_s, y - tall, y + tall, color=DARK, alpha=0.14, lw=0, zorder=2)
    # Beads fall where they like, but the same way each time.
    rng = np.random.default_rng(len(run.curve))
    count = int(min(2600, 60 * np.trapezoid(tall / 0.36, time_s) + 1))
    at = rng.uniform(max(time_s[0], shown.from_s), min(time_s[-1], shown.to_s), count)
    height = np.interp(at, time_s, tall)
    keep = height > 0.02
    offset = rng.uniform(-1, 1, count) * height
    axes.scatter(at[keep], (y + offset)[keep], s=1.6, c=DARK, linewidths=0, alpha=0.8, zorder=3)


def _changes(axes: Any, shown: Excerpt, rows: dict[str, float]) -> None:
    """A cross where a note was dropped, a ring about one that was changed."""
    starts = {mark.reply: mark.at_s for mark in shown.marks if mark.reply is not None}
    for change, lane in shown.changes:
        at_s = starts.get(change.reply, change.at_s)
        if lane not in rows or not shown.from_s <= at_s <= shown.to_s:
            continue
        if change.change == "dropped":
            axes.plot(change.at_s, rows[lane], marker="x", ms=5.5, mew=1.5, color=CHANGED, zorder=7)
        else:
            axes.plot(
                at_s, rows[lane], marker="o", ms=12.5, mfc="none", mec=CHANGED, mew=1.0, zorder=6
            )


def lane_counts(shown: Excerpt) -> dict[str, int]:
    """Strokes (or runs) of each lane within the stretch."""
    counts: dict[str, int] = {}
    for mark in shown.marks:
        if mark.at_s >= shown.from_s:
            counts[mark.instrument] = counts.get(mark.instrument, 0) + 1
    for run in shown.runs:
        begins = sum(
            1
            for (at_s, speed), (_, after) in zip(run.curve, run.curve[1:], strict=False)
            if speed == 0.0 < after and shown.from_s <= at_s < shown.to_s
        )
        if begins:
            counts[run.instrument] = begins
    return counts


ROW_IN = 0.135
GAP_IN = 0.62


def voices_within(heard: HeardScore, shown: Excerpt) -> list[str]:
    """The voices that sing in the stretch, or are answered in it, by name."""
    singing = {
        note.voice
        for note in heard.notes
        if note.offset_s >= shown.from_s and note.onset_s <= shown.to_s
    }
    answered = {
        link.voice
        for link in shown.links
        if link.reply_from_s >= shown.from_s and link.heard_from_s <= shown.to_s
    }
    return sorted(singing | answered)


def strip_height(voices: int) -> float:
    """Height in inches of the strip for so many voices."""
    return voices * ROW_IN + GAP_IN


def draw_phrases(
    axes: Any,
    heard: HeardScore,
    reply: ReplyScore | None,
    shown: Excerpt,
    inks: dict[str, str],
) -> None:
    """One row a voice with its phrases as bars, and curves from calls to answers.

    The y axis is in inches from the bottom.
    """
    voices = voices_within(heard, shown)
    height = strip_height(len(voices))
    axes.set_ylim(0, height)
    axes.set_xlim(shown.from_s, shown.to_s)
    rows = {v: height - (i + 0.5) * ROW_IN for i, v in enumerate(voices)}
    for voice, y in rows.items():
        axes.plot([shown.from_s, shown.to_s], [y, y], color=GRID, lw=0.5, zorder=1)
        axes.text(
            -0.004,
            y,
            voice,
            transform=axes.get_yaxis_transform(),
            ha="right",
            va="center",
            fontsize=7,
            fontweight="bold",
            color=inks[voice],
        )
    least = (shown.to_s - shown.from_s) * 0.002
    for phrase in phrases(heard.notes):
        if phrase.offset_s < shown.from_s or phrase.onset_s > shown.to_s:
            continue
        end_s = max(phrase.offset_s, phrase.onset_s + least)
        axes.plot(
            [phrase.onset_s, end_s],
            [rows[phrase.voice]] * 2,
            color=inks[phrase.voice],
            lw=4.2,
            solid_capstyle="butt",
            zorder=3,
        )
    for link in shown.links:
        if link.voice not in rows:
            continue
        _curve(axes, link, rows[link.voice], inks.get(link.voice, OTHER_VOICES))
    if reply is not None:
        _silences(axes, heard, reply, rows, inks)


def _curve(axes: Any, link: AnswerLink, y: float, ink: str) -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    start, end = (link.heard_to_s, y - 0.03), (link.reply_from_s, 0.07)
    bend = 0.55 * start[1]
    path = Path(
        [start, (start[0], start[1] - bend), (end[0], end[1] + bend), end],
        [Path.MOVETO, Path.CURVE4, Path.CURVE4, Path.CURVE4],
    )
    for width, colour in ((3.2, BACKGROUND), (1.25, ink)):
        axes.add_patch(PathPatch(path, fill=False, lw=width, ec=colour, zorder=4, capstyle="round"))
    axes.plot(
        [link.reply_from_s, link.reply_to_s],
        [0.055] * 2,
        color=ink,
        lw=2.4,
        zorder=4,
        solid_capstyle="butt",
    )
    axes.plot(*end, marker="v", ms=4, color=ink, mec=BACKGROUND, mew=0.4, zorder=5)


def _silences(
    axes: Any,
    heard: HeardScore,
    reply: ReplyScore,
    rows: dict[str, float],
    inks: dict[str, str],
) -> None:
    """A hollow dot at the end of each phrase that was left alone."""
    by_id = {phrase.id: phrase for phrase in phrases(heard.notes)}
    for silence in reply.unanswered:
        phrase = by_id.get(silence.unanswered)
        if phrase is None or phrase.voice not in rows:
            continue
        axes.plot(
            phrase.offset_s,
            rows[phrase.voice],
            marker="o",
            ms=3.4,
            mfc=BACKGROUND,
            mec=inks[phrase.voice],
            mew=0.9,
            zorder=6,
        )


def name_strip(axes: Any) -> None:
    """Say what the rows are."""
    axes.text(
        -0.028,
        0.04,
        "answered by",
        transform=axes.transAxes,
        ha="right",
        va="center",
        fontsize=7.5,
        color=MUTED,
        style="italic",
    )
    axes.text(
        -0.028,
        0.97,
        "calls",
        transform=axes.transAxes,
        ha="right",
        va="top",
        fontsize=8.5,
        color=DARK,
    )

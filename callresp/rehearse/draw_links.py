"""The middle part of a passage picture: who called when, and what answered it."""

from __future__ import annotations

from typing import Any

from callresp.rehearse.look import INK, OTHERS, PAPER, RULE, SOFT
from callresp.rehearse.passage import Link, Passage
from callresp.score import HeardScore, ReplyScore, phrases

ROW_IN = 0.135
GAP_IN = 0.62


def voices_within(heard: HeardScore, shown: Passage) -> list[str]:
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


def draw_strip(
    axes: Any,
    heard: HeardScore,
    reply: ReplyScore | None,
    shown: Passage,
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
        axes.plot([shown.from_s, shown.to_s], [y, y], color=RULE, lw=0.5, zorder=1)
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
        _curve(axes, link, rows[link.voice], inks.get(link.voice, OTHERS))
    if reply is not None:
        _silences(axes, heard, reply, rows, inks)


def _curve(axes: Any, link: Link, y: float, ink: str) -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    start, end = (link.heard_to_s, y - 0.03), (link.reply_from_s, 0.07)
    bend = 0.55 * start[1]
    path = Path(
        [start, (start[0], start[1] - bend), (end[0], end[1] + bend), end],
        [Path.MOVETO, Path.CURVE4, Path.CURVE4, Path.CURVE4],
    )
    for width, colour in ((3.2, PAPER), (1.25, ink)):
        axes.add_patch(PathPatch(path, fill=False, lw=width, ec=colour, zorder=4, capstyle="round"))
    axes.plot(
        [link.reply_from_s, link.reply_to_s],
        [0.055] * 2,
        color=ink,
        lw=2.4,
        zorder=4,
        solid_capstyle="butt",
    )
    axes.plot(*end, marker="v", ms=4, color=ink, mec=PAPER, mew=0.4, zorder=5)


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
            mfc=PAPER,
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
        color=SOFT,
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
        color=INK,
    )

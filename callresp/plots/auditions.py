"""Auditions side by side: one recording's calls, and under them each rule set's replies."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from callresp.io.files import whole_file
from callresp.io.score import HeardScore, ReplyScore, phrases
from callresp.palette.model import Palette

INK = "#20242b"
PALE = "#c9ccd1"
REPLY = "#0072b2"
WOOD = "#d55e00"
ROW_IN = 1.15


def draw_auditions(
    path: Path,
    heard: HeardScore,
    rows: Sequence[tuple[str, ReplyScore, Mapping[str, Any]]],
    palette: Palette,
) -> None:
    """Draw calls and replies on one time axis, a row a rule set, with its measures.

    Parameters
    ----------
    path
        Picture to write; its ending chooses PNG, SVG or PDF.
    rows
        Label, reply score and measures (as `audition --json` prints them).

    Raises
    ------
    UserError
        When the picture can't be written.
    """
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    count = len(rows) + 1
    figure, axes = plt.subplots(
        count, 1, figsize=(11, 1.2 + ROW_IN * count), sharex=True, layout="constrained"
    )
    _calls(axes[0], heard)
    names = [item.name for item in palette.striker] + [item.name for item in palette.turner]
    lanes = {name: lane for lane, name in enumerate(names)}
    for axis, (label, reply, measures) in zip(axes[1:], rows, strict=True):
        _replies(axis, reply, palette, lanes)
        axis.set_title(_caption(label, measures), loc="left", fontsize=9, color=INK)
    axes[-1].set_xlabel("seconds")
    axes[-1].set_xlim(0, max(heard.header.duration_s, 1.0))
    with whole_file(path) as part:
        figure.savefig(part, dpi=150)
    plt.close(figure)


def _bare(axis: Any) -> None:
    for side in ("top", "right", "left"):
        axis.spines[side].set_visible(False)
    axis.set_yticks([])


def _calls(axis: Any, heard: HeardScore) -> None:
    """Pitch tracks of what was heard, and a bar for each phrase."""
    for note in heard.notes:
        if note.pitch_hz is None:
            axis.plot([note.onset_s] * 2, [150, 9000], color=PALE, lw=0.8)
        elif note.track:
            axis.plot([t for t, _ in note.track], [hz for _, hz in note.track], color=INK, lw=1.4)
        else:
            axis.plot([note.onset_s, note.offset_s], [note.pitch_hz] * 2, color=INK, lw=1.4)
    for phrase in phrases(heard.notes):
        axis.plot([phrase.onset_s, phrase.offset_s], [120, 120], color=PALE, lw=3)
    axis.set_yscale("log")
    _bare(axis)
    axis.set_title("calls", loc="left", fontsize=9, color=INK)


def _replies(axis: Any, reply: ReplyScore, palette: Palette, lanes: dict[str, int]) -> None:
    for note in reply.notes:
        striker = palette.striker_named(note.instrument)
        pitched = striker is not None and striker.pitch_hz is not None
        colour = REPLY if pitched else WOOD
        lane = lanes[note.instrument]
        end_s = note.onset_s + 0.8 if note.offset_s is None else note.offset_s
        axis.plot([note.onset_s, end_s], [lane, lane], color=colour, lw=1.6, alpha=0.45)
        axis.plot(note.onset_s, lane, "o", color=colour, ms=2.5 + 4 * note.force)
    axis.set_ylim(-0.7, len(lanes) - 0.3)
    _bare(axis)


def _caption(label: str, measures: Mapping[str, Any]) -> str:
    parts = [
        f"answers {measures['answered_share']:.0%}",
        f"overlap {measures['overlap_share']:.0%}",
        f"{measures['strokes_per_minute']:.0f} strokes a minute",
    ]
    if measures.get("contour") is not None:
        parts.append(f"contour {measures['contour']:.2f}")
    if measures.get("picked") is not None:
        by_chance = f"{measures['picked_chance']:.0%} by chance"
        parts.append(f"call picked {measures['picked']:.0%} ({by_chance})")
    if measures.get("dropped"):
        parts.append(f"{measures['dropped']} dropped")
    return f"{label}:  " + ", ".join(parts)

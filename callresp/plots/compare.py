"""Several detectors under one spectrogram, on one time axis.

Of a long recording the whole stands above in small, with the stretch that is
drawn in full marked on it. Every difference that matters is one of shape too: an
onset that others share is a full bar, one that stands alone is a hollow bar with
a tick above.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from callresp.evaluate import scoring
from callresp.evaluate.annotations import Mark
from callresp.evaluate.compare import Comparison
from callresp.io.audio import Recording
from callresp.io.score import Note
from callresp.io.wording import counted
from callresp.plots import style
from callresp.plots.excerpt_heard import draw_spectrogram
from callresp.plots.excerpt_picture import (
    FOOT_IN,
    LEFT_IN,
    RIGHT_IN,
    TITLE_IN,
    WIDTH_IN,
    draw_time_axis,
    draw_time_grid,
    mark_stretch,
    readable,
)
from callresp.plots.spectrogram import log_spectrogram
from callresp.plots.style import ANSWER, BACKGROUND, CALL, DARK, MUTED, SHADE, label, side_label

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SHARED, ALONE, MARKED = CALL, ANSWER, DARK
BAND_HZ = (200.0, 12000.0)
SOUND_IN, ROW_IN, SMALL_ROW_IN, KEY_IN = 2.9, 0.42, 0.13, 0.36


def draw_comparison(
    path: Path,
    recording: Recording,
    found: Comparison,
    stretch_s: tuple[float, float],
) -> None:
    """Draw a comparison over a stretch of its recording, with the whole in small above.

    Parameters
    ----------
    path
        The file to write: .png, .svg or .pdf.
    recording, found
        What was heard, and what was found in it.
    stretch_s
        From and to, in seconds.

    Raises
    ------
    UserError
        For another ending, or a folder that can't be written.
    """
    style.check_ending(path)
    from_s, to_s = stretch_s
    partial = to_s - from_s < recording.duration_s - 0.5
    rows = len(found.heard) + (found.marks is not None)
    parts = [("title", 0.24, TITLE_IN)]
    if partial:
        parts.append(("overview", 0.14, SMALL_ROW_IN * len(found.heard) + 0.1))
    parts += [
        ("sound", 0.42 if partial else 0.10, SOUND_IN),
        ("rows", 0.08, ROW_IN * rows + 0.2),
        ("foot", 0.0, FOOT_IN),
        ("key", 0.0, KEY_IN),
    ]
    name = readable(recording.path.stem)
    with style.drawing_style():
        figure, axes = style.stacked(parts, WIDTH_IN, LEFT_IN, RIGHT_IN)
        if partial:
            _overview(axes["overview"], found, stretch_s, recording.duration_s)
        drawn = log_spectrogram(recording, from_s, to_s, *BAND_HZ)
        draw_spectrogram(axes["sound"], drawn)
        style.draw_frequencies(axes["sound"], drawn.low_hz, drawn.high_hz)
        axes["sound"].set_xticks([])
        axes["sound"].set_xlim(from_s, to_s)
        _rows(axes["rows"], found, from_s, to_s)
        ticks = draw_time_axis(axes["foot"], from_s, to_s, found.heard[0].score.header.start)
        for part in ("sound", "rows"):
            draw_time_grid(axes[part], ticks)
        _key(axes["key"], found)
        span = f"{from_s:.1f} to {to_s:.1f} s"
        facts = [f"{span} of {style.format_time(recording.duration_s)}" if partial else span]
        facts.append(counted(len(found.heard), "detector"))
        style.draw_title(axes["title"], name, facts)
        style.save(figure, path, name)


def _overview(
    axes: Axes, found: Comparison, stretch_s: tuple[float, float], whole_s: float
) -> None:
    """Every onset of the whole recording, a row a detector; those that stand alone on top."""
    counts = scoring.backing([own.onsets_s for own in found.heard])
    rows = len(found.heard)
    for row, own in enumerate(found.heard):
        low = 1 - (row + 0.9) / rows
        alone = (counts[row] == 0) & (rows > 1)
        for which, colour in ((~alone, SHARED), (alone, ALONE)):
            onsets_s = own.onsets_s[which]
            axes.vlines(onsets_s, low, low + 0.8 / rows, color=colour, lw=0.5, rasterized=True)
        side_label(axes, -0.012, low + 0.4 / rows, own.name, 6.5, MUTED)
    mark_stretch(axes, *stretch_s, whole_s)


def _rows(axes: Axes, found: Comparison, from_s: float, to_s: float) -> None:
    style.no_frame(axes)
    backed = scoring.backing([own.onsets_s for own in found.heard])
    for row, own in enumerate(found.heard):
        seen = [
            (note, count > 0 or len(found.heard) == 1)
            for note, count in zip(own.score.notes, backed[row], strict=True)
            if note.onset_s < to_s and note.offset_s > from_s
        ]
        _bars(axes, row, [note for note, shared in seen if shared], SHARED, hollow=False)
        _bars(axes, row, [note for note, shared in seen if not shared], ALONE, hollow=True)
        side_label(axes, -0.012, row - (0.12 if own.against else 0.0), own.name)
        if own.against is not None:
            told = f"F {own.against.onsets[0].f:.3f} at ±50 ms"
            side_label(axes, -0.012, row + 0.24, told, 6.3, MUTED)
        side_label(axes, 1.007, row, f"{len(seen)}", 7.5, MUTED)
    rows = len(found.heard)
    if found.marks is not None:
        for span in found.spans or ():
            axes.axvspan(span.onset_s, span.offset_s, color=SHADE, zorder=0)
        shown = [m for m in found.marks if m.onset_s < to_s and m.offset_s > from_s]
        _bars(axes, rows, shown, MARKED, hollow=False)
        side_label(axes, -0.012, rows, "marked by hand")
        rows += 1
    axes.set_ylim(rows - 0.4, -0.6)
    axes.set_xlim(from_s, to_s)


def _bars(
    axes: Axes, row: int, events: Sequence[Note | Mark], colour: str, *, hollow: bool
) -> None:
    if not events:
        return
    spans = [(event.onset_s, max(event.offset_s - event.onset_s, 1e-3)) for event in events]
    axes.broken_barh(
        spans,
        (row - 0.22, 0.5),
        facecolors=BACKGROUND if hollow else colour,
        edgecolors=colour,
        linewidth=0.8,
        alpha=1.0 if hollow else 0.55,
    )
    low = row - (0.45 if hollow else 0.22)
    axes.vlines([span[0] for span in spans], low, row + 0.28, colors=colour, linewidth=1.2)


def _key(axes: Axes, found: Comparison) -> None:
    from matplotlib.patches import Rectangle

    axes.axis("off")
    axes.set_xlim(0, WIDTH_IN - LEFT_IN - RIGHT_IN)
    axes.set_ylim(0, 0.5)
    if len(found.heard) < 2:
        return
    filled = Rectangle((0.0, 0.16), 0.22, 0.2, fc=SHARED, alpha=0.55, ec=SHARED)
    hollow = Rectangle((2.4, 0.16), 0.22, 0.2, fc=BACKGROUND, ec=ALONE)
    for patch in (filled, hollow):
        axes.add_patch(patch)
    axes.vlines(2.4, 0.1, 0.42, colors=ALONE, linewidth=1.2)
    label(axes, 0.3, 0.26, "another has it within 25 ms", 7.6, MUTED)
    label(axes, 2.7, 0.26, "this one alone (tick above)", 7.6, MUTED)
    label(axes, 5.0, 0.26, "at the right: notes in this stretch", 7.6, MUTED)

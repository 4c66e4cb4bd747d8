"""What was heard, drawn: spectrogram, pitch tracks, voices' letters, phrases and their answers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import accumulate
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from callresp.io.score import HeardScore, Note, ReplyScore, phrases
from callresp.palette.model import Palette
from callresp.plots.excerpt import AnswerLink, Excerpt
from callresp.plots.spectrogram import Spectrogram, grey_range
from callresp.plots.style import (
    BACKGROUND,
    DARK,
    GRID,
    MUTED,
    OTHER_VOICES,
    dot,
    grey_scale,
    label,
    line,
    outline,
    side_label,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DARKEST_DB = 34.0
PHRASE_ROW_IN = 0.135
LINKS_IN = 0.62
Path_ = npt.NDArray[np.float64]


def frequency_range(heard: HeardScore | None, sample_rate_hz: int | None) -> tuple[float, float]:
    """Ends of a frequency axis that holds all that was heard, within the recording's band."""
    notes = heard.notes if heard is not None else ()
    lows = [note.pitch_hz for note in notes if note.pitch_hz is not None]
    tops = [max(note.high_hz, note.pitch_hz or 0.0) for note in notes]
    low = min(max(0.7 * min(lows), 80.0), 300.0) if lows else 200.0
    high = min(max(1.2 * max(tops), 8000.0), 16000.0) if tops else 11000.0
    if sample_rate_hz is not None:
        high = min(high, 0.49 * sample_rate_hz)
    return min(low, high / 4), high


def draw_spectrogram(axes: Axes, found: Spectrogram) -> None:
    """Draw a spectrogram in grey on an axis of log2 of hertz."""
    low_db, high_db = grey_range(found.above_db, DARKEST_DB)
    axes.imshow(
        np.clip((found.above_db - low_db) / (high_db - low_db), 0.0, 1.0),
        origin="lower",
        aspect="auto",
        extent=(found.from_s, found.to_s, np.log2(found.low_hz), np.log2(found.high_hz)),
        cmap=grey_scale(),
        vmin=0.0,
        vmax=1.0,
        interpolation="bilinear",
        zorder=0,
        rasterized=True,
    )


def draw_notes(
    axes: Axes, heard: HeardScore, colours: dict[str, str], from_s: float, to_s: float
) -> None:
    """Draw pitch tracks in the voices' colours, and what has no pitch as an upright stroke."""
    shown = [note for note in heard.notes if note.offset_s > from_s and note.onset_s < to_s]
    _tracks(axes, [note for note in shown if note.pitch_hz is not None], colours)
    _knocks(axes, [note for note in shown if note.pitch_hz is None], colours)
    _letters(axes, shown, colours, from_s, to_s)


def track_of(note: Note) -> Path_:
    """A note's pitch track as (seconds, log2 of hertz), with two points at least."""
    points = note.track
    if len(points) < 2:
        hz = points[0][1] if points else note.pitch_hz
        points = ((note.onset_s, hz or 1.0), (note.offset_s, hz or 1.0))
    path = np.array(points, dtype=np.float64)
    path[:, 1] = np.log2(path[:, 1])
    return path


def _tracks(axes: Axes, notes: Sequence[Note], colours: dict[str, str]) -> None:
    from matplotlib.collections import LineCollection

    loudest = max((note.level_db for note in notes), default=0.0)
    lines = [track_of(note) for note in notes]
    widths = [float(np.clip(2.6 + (note.level_db - loudest) / 14, 1.1, 2.6)) for note in notes]
    own = [colours.get(note.voice, OTHER_VOICES) for note in notes]
    for more, colour, order in ((1.8, BACKGROUND, 3), (0.0, own, 4)):
        drawn = LineCollection(
            lines,
            linewidths=[width + more for width in widths],
            colors=colour,
            capstyle="round",
            zorder=order,
        )
        axes.add_collection(drawn)


def _knocks(axes: Axes, notes: Sequence[Note], colours: dict[str, str]) -> None:
    """A lozenge with a thin line through its band: a knock has a time and a band, but no pitch."""
    from matplotlib.collections import LineCollection

    low, high = axes.get_ylim()
    own = [colours.get(note.voice, OTHER_VOICES) for note in notes]
    bands = [
        np.clip(np.log2([max(note.low_hz, 1.0), max(note.high_hz, 2.0)]), low, high)
        for note in notes
    ]
    lines = [
        [(note.onset_s, band[0]), (note.onset_s, band[1])]
        for note, band in zip(notes, bands, strict=True)
    ]
    axes.add_collection(LineCollection(lines, linewidths=0.7, colors=own, zorder=3.5, alpha=0.4))
    axes.scatter(
        [note.onset_s for note in notes],
        [float(band.mean()) for band in bands],
        s=22,
        marker="d",
        c=own,
        edgecolors=BACKGROUND,
        linewidths=0.6,
        zorder=4.5,
    )


def _letters(
    axes: Axes, notes: Sequence[Note], colours: dict[str, str], from_s: float, to_s: float
) -> None:
    """The voice's letter above the start of each phrase, where there is room."""
    low, high = axes.get_ylim()
    taken: list[tuple[float, float]] = []
    wide, tall = (to_s - from_s) * 0.013, (high - low) * 0.045
    for phrase in phrases(notes):
        top_hz = max(_top_hz(note) for note in phrase.notes[:3])
        at = max(phrase.onset_s, from_s + wide)
        y = float(np.clip(np.log2(max(top_hz, 1.0)), low, high - 1.7 * tall) + tall * 0.55)
        if any(abs(at - x) < wide and abs(y - other) < tall for x, other in taken):
            continue
        taken.append((at, y))
        colour = colours.get(phrase.voice, OTHER_VOICES)
        centred = {"ha": "center", "va": "bottom", "weight": "bold", "zorder": 6, "clip_on": True}
        outline(label(axes, at, y, phrase.voice, 8, colour, **centred))


def _top_hz(note: Note) -> float:
    """The highest point of a note as drawn: of its track, or the middle of its band."""
    if note.pitch_hz is not None:
        return max((hz for _, hz in note.track), default=note.pitch_hz)
    return float(np.sqrt(max(note.low_hz, 1.0) * max(note.high_hz, 1.0)))


def draw_striker_pitches(axes: Axes, palette: Palette) -> None:
    """Mark at the right edge where the strikers' pitches lie among the calls."""
    low, high = axes.get_ylim()
    height_in = axes.get_window_extent().height / axes.figure.dpi
    least = (high - low) * 0.126 / height_in
    places = {
        item.name: float(np.log2(item.reference_hz))
        for item in sorted(palette.striker, key=lambda item: item.reference_hz)
        if item.pitch_hz is not None and low < np.log2(item.reference_hz) < high
    }
    for (name, y), name_y in zip(
        places.items(), spread_out([*places.values()], least), strict=True
    ):
        across = axes.get_yaxis_transform()
        dot(axes, 1.0, y, 4, 5, color=DARK, mew=0, transform=across, clip_on=False)
        side_label(axes, 1.010, name_y, name, 6.2, MUTED)


def spread_out(places: Sequence[float], least: float) -> list[float]:
    """Rising places moved at least so far apart, as many up as down.

    Examples
    --------
    >>> spread_out([0.0, 1.0, 1.0, 9.0], 2.0)
    [-1.5, 0.5, 2.5, 9.0]
    """

    def pushed(rising: Iterable[float]) -> list[float]:
        return [*accumulate(rising, lambda last, y: max(y, last + least))]

    up, down = pushed(places), pushed(-y for y in reversed(places))
    return [(a - b) / 2 for a, b in zip(up, reversed(down), strict=True)]


def voices_within(heard: HeardScore, shown: Excerpt) -> list[str]:
    """The voices that sing in the excerpt, or are answered in it, by name."""
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


def phrases_height(voices: int) -> float:
    """Height in inches of the rows of phrases of so many voices."""
    return voices * PHRASE_ROW_IN + LINKS_IN


def draw_phrases(
    axes: Axes,
    heard: HeardScore,
    reply: ReplyScore | None,
    shown: Excerpt,
    colours: dict[str, str],
) -> None:
    """Draw one row a voice with its phrases as bars, and curves from calls to answers.

    The y axis is in inches from the bottom. A hollow dot ends a phrase that was
    left unanswered.
    """
    voices = voices_within(heard, shown)
    height = phrases_height(len(voices))
    axes.set_ylim(0, height)
    axes.set_xlim(shown.from_s, shown.to_s)
    rows = {v: height - (i + 0.5) * PHRASE_ROW_IN for i, v in enumerate(voices)}
    for voice, y in rows.items():
        line(axes, [shown.from_s, shown.to_s], [y, y], GRID, 0.5, zorder=1)
        side_label(axes, -0.004, y, voice, 7, colours[voice], weight="bold")
    least = (shown.to_s - shown.from_s) * 0.002
    silent = {silence.unanswered for silence in reply.unanswered} if reply else set()
    for phrase in phrases(heard.notes):
        if phrase.voice not in rows:
            continue
        y, colour = rows[phrase.voice], colours[phrase.voice]
        if phrase.offset_s >= shown.from_s and phrase.onset_s <= shown.to_s:
            end_s = max(phrase.offset_s, phrase.onset_s + least)
            line(axes, [phrase.onset_s, end_s], [y, y], colour, 4.2, zorder=3)
        if phrase.id in silent:
            hollow = {"mfc": BACKGROUND, "mec": colour, "mew": 0.9}
            dot(axes, phrase.offset_s, y, "o", 3.4, zorder=6, **hollow)
    for link in shown.links:
        if link.voice in rows:
            _curve(axes, link, rows[link.voice], colours.get(link.voice, OTHER_VOICES))
    side_label(axes, -0.028, 0.04 * height, "answered by", 7.5, MUTED, style="italic")
    side_label(axes, -0.028, 0.97 * height, "calls", va="top")


def _curve(axes: Axes, link: AnswerLink, y: float, colour: str) -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    start, end = (link.heard_to_s, y - 0.03), (link.reply_from_s, 0.07)
    bend = 0.55 * start[1]
    path = Path(
        [start, (start[0], start[1] - bend), (end[0], end[1] + bend), end],
        [Path.MOVETO, Path.CURVE4, Path.CURVE4, Path.CURVE4],
    )
    for width, edge in ((3.2, BACKGROUND), (1.25, colour)):
        axes.add_patch(PathPatch(path, fill=False, lw=width, ec=edge, zorder=4, capstyle="round"))
    line(axes, [link.reply_from_s, link.reply_to_s], [0.055] * 2, colour, 2.4, zorder=4)
    dot(axes, *end, "v", 4, color=colour, mec=BACKGROUND, mew=0.4, zorder=5)

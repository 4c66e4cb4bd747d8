"""One picture of an excerpt: heard above, answered below, on one time axis.

From the top: a title; for a long recording the whole of it in small, with the
stretch marked; the spectrogram with the heard notes on it; a row for each
voice's phrases, with curves to the answers; a lane for each striker; the time; a
key.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from callresp.io.audio import Recording, open_recording
from callresp.io.place import Echo
from callresp.io.score import HeardScore, ReplyScore
from callresp.io.wording import counted
from callresp.palette.model import Palette
from callresp.plan.model import Plan
from callresp.plots import excerpt_heard, style
from callresp.plots.excerpt import Excerpt, excerpt_of, lanes_of, marks_of, with_returns
from callresp.plots.excerpt_lanes import LANE_IN, draw_key, draw_lanes
from callresp.plots.spectrogram import log_spectrogram
from callresp.plots.style import CHANGED, DARK, GRID, MUTED, format_time, line, nice_step

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_IN, LEFT_IN, RIGHT_IN = 13.0, 1.22, 0.56
WITHIN_IN = WIDTH_IN - LEFT_IN - RIGHT_IN
TITLE_IN, OVERVIEW_IN, HEARD_IN, FOOT_IN, KEY_IN = 0.62, 0.62, 3.7, 0.40, 0.42


@dataclass(frozen=True, slots=True)
class DrawnExcerpt:
    """What a picture shows."""

    path: str
    from_s: float
    to_s: float
    heard_notes: int
    strokes: int
    changes: int


def draw_excerpt(
    path: Path,
    recording: Recording | Path | str | None = None,
    heard: HeardScore | None = None,
    reply: ReplyScore | None = None,
    plan: Plan | None = None,
    palette: Palette | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
    progress: Callable[[float], None] | None = None,
    echoes: Sequence[Echo] = (),
) -> DrawnExcerpt:
    """Draw what was heard and what is answered, in one picture.

    Parameters
    ----------
    path
        The file to write: .png, .svg or .pdf.
    recording, heard, reply, plan, palette
        What there is of it. Without a recording there is no spectrogram, without
        a plan (or a reply) and palette no lanes.
    from_s, to_s
        The stretch. By default all of it up to 75 s, else the 40 s that hold
        most strokes, with the whole in small above.
    progress
        Called with the share done.
    echoes
        What the place's walls give back of each stroke.

    Raises
    ------
    UserError
        For another ending, a stretch with nothing in it, or nothing to draw.
    """
    style.check_ending(path)
    if recording is not None and not isinstance(recording, Recording):
        recording = open_recording(recording)
    duration_s = recording.duration_s if recording else None
    shown = excerpt_of(heard, reply, plan, palette, duration_s, from_s, to_s)
    shown = with_returns(shown, echoes)
    every, palette = palette, None if palette is None else lanes_of(palette, shown)
    name = _name(recording, heard, reply)
    headers = [item.header for item in (heard, reply, plan) if item is not None]
    start = next((header.start for header in headers if header.start), None)
    colours = style.voice_colours(note.voice for note in heard.notes) if heard else {}
    lanes = (plan or reply) is not None and palette is not None
    parts = _parts(shown, heard, palette if lanes else None, spectrum=bool(recording or heard))
    with style.drawing_style():
        figure, axes = style.stacked(parts, WIDTH_IN, LEFT_IN, RIGHT_IN)
        if "heard" in axes:
            draw_heard(axes["heard"], recording, heard, shown, colours, progress)
            if palette is not None:
                excerpt_heard.draw_striker_pitches(axes["heard"], palette)
        if heard is not None:
            excerpt_heard.draw_phrases(axes["phrases"], heard, reply, shown, colours)
            style.no_frame(axes["phrases"])
        if lanes and palette is not None:
            draw_lanes(axes["lanes"], palette, shown, colours)
            style.no_frame(axes["lanes"])
            draw_key(axes["key"], WITHIN_IN, colours, bool(echoes))
        if "overview" in axes:
            strokes, _ = marks_of(plan, reply, every)
            draw_overview(axes["overview"], heard, shown, [mark.at_s for mark in strokes])
        ticks = draw_time_axis(axes["foot"], shown.from_s, shown.to_s, start)
        for part in ("heard", "phrases", "lanes"):
            if part in axes:
                draw_time_grid(axes[part], ticks)
        facts = _facts(heard, reply, shown, palette, start)
        if every and palette and (rest := len(every.striker) - len(palette.striker)):
            facts.append(f"{counted(rest, 'striker')} not struck here")
        style.draw_title(axes["title"], name, facts)
        style.save(figure, path, name)
    return DrawnExcerpt(
        path=str(path),
        from_s=round(shown.from_s, 3),
        to_s=round(shown.to_s, 3),
        heard_notes=notes_within(heard, shown),
        strokes=len(shown.begun()),
        changes=sum(shown.from_s <= c.at_s <= shown.to_s for c, _ in shown.changes),
    )


def _parts(
    shown: Excerpt, heard: HeardScore | None, palette: Palette | None, spectrum: bool
) -> list[tuple[str, float, float]]:
    """The picture's parts from the top down: name, gap above, height, in inches."""
    parts = [("title", 0.24, TITLE_IN)]
    gap = 0.10
    if shown.partial:
        parts.append(("overview", 0.14, OVERVIEW_IN))
        gap = 0.42
    if spectrum:
        parts.append(("heard", gap, HEARD_IN))
        gap = 0.0
    if heard is not None:
        voices = excerpt_heard.voices_within(heard, shown)
        parts.append(("phrases", 0.07, excerpt_heard.phrases_height(len(voices))))
    if palette is not None:
        parts.append(("lanes", gap, (len(palette.striker) + len(palette.turner)) * LANE_IN))
    parts.append(("foot", 0.0, FOOT_IN))
    return [*parts, ("key", 0.0, KEY_IN)] if palette is not None else parts


def draw_heard(
    axes: Axes,
    recording: Recording | None,
    heard: HeardScore | None,
    shown: Excerpt,
    colours: dict[str, str],
    progress: Callable[[float], None] | None = None,
) -> None:
    """Draw spectrogram and heard notes on a frequency axis."""
    rate_hz = recording.sample_rate_hz if recording else None
    low, high = excerpt_heard.frequency_range(heard, rate_hz)
    if recording is not None:
        found = log_spectrogram(recording, shown.from_s, shown.to_s, low, high, progress=progress)
        excerpt_heard.draw_spectrogram(axes, found)
    axes.set_xlim(shown.from_s, shown.to_s)
    style.draw_frequencies(axes, low, high)
    if heard is not None:
        excerpt_heard.draw_notes(axes, heard, colours, shown.from_s, shown.to_s)
    axes.set_xticks([])


def notes_within(heard: HeardScore | None, shown: Excerpt) -> int:
    """How many heard notes sound within an excerpt."""
    notes = heard.notes if heard is not None else ()
    return sum(note.offset_s > shown.from_s and note.onset_s < shown.to_s for note in notes)


def _name(recording: Recording | None, heard: HeardScore | None, reply: ReplyScore | None) -> str:
    if recording is not None:
        return readable(recording.path.stem)
    told = [item.header.recording for item in (heard, reply) if item is not None]
    return readable(Path(next((text for text in told if text), "untitled")).stem)


def readable(stem: str) -> str:
    """A file's stem as a title.

    Examples
    --------
    >>> readable("hollin-carr")
    'Hollin Carr'
    >>> readable("20260512_041500")
    '20260512 041500'
    """
    words = stem.replace("-", " ").replace("_", " ").split()
    return " ".join(word.capitalize() if word.islower() else word for word in words) or stem


def stretch_facts(shown: Excerpt, start: str | None) -> list[str]:
    """When an excerpt begins by the clock, and how long it is."""
    begins = moment(start, shown.from_s)
    span = f"{shown.to_s - shown.from_s:.0f} s"
    span += f" of {format_time(shown.whole_s)}" if shown.partial else ""
    return [span] if begins is None else [f"{begins:%-d %B %Y, %H:%M:%S}", span]


def _facts(
    heard: HeardScore | None,
    reply: ReplyScore | None,
    shown: Excerpt,
    palette: Palette | None,
    start: str | None,
) -> list[str]:
    facts = stretch_facts(shown, start)
    if heard is not None:
        voices = counted(len(excerpt_heard.voices_within(heard, shown)), "voice")
        facts.append(f"{counted(notes_within(heard, shown), 'note')} heard of {voices}")
    strokes = len(shown.begun())
    if palette is not None and (strokes or reply is not None):
        facts.append(f"{counted(strokes, 'stroke')} on {palette.name}")
        within = [c for c, _ in shown.changes if shown.from_s <= c.at_s <= shown.to_s]
        dropped = sum(change.change == "dropped" for change in within)
        if within:
            facts.append(f"{len(within) - dropped} changed and {dropped} dropped by limits")
    return facts


def moment(start: str | None, at_s: float) -> datetime | None:
    """The clock time of a moment of the recording."""
    try:
        return None if start is None else datetime.fromisoformat(start) + timedelta(seconds=at_s)
    except (ValueError, OverflowError):
        return None


def draw_time_axis(axes: Axes, from_s: float, to_s: float, start: str | None) -> list[float]:
    """Draw the time below the axes above it: since the recording's start, and by the clock.

    Returns the ticks, in seconds.
    """
    axes.set_xlim(from_s, to_s)
    ticks = _time_ticks(axes, from_s, to_s, start)
    axes.set_yticks([])
    axes.patch.set_alpha(0)
    for side in ("left", "right", "bottom"):
        axes.spines[side].set_visible(False)
    axes.xaxis.set_ticks_position("top")
    axes.tick_params(axis="x", labeltop=True, pad=-6, direction="in", length=3)
    for text in axes.get_xticklabels():
        text.set_verticalalignment("top")
    return ticks


def _time_ticks(axes: Axes, from_s: float, to_s: float, start: str | None) -> list[float]:
    step = nice_step(to_s - from_s, 12)
    ticks = [float(t) for t in np.arange(np.ceil(from_s / step) * step, to_s + 1e-6, step)]
    labels = []
    for at_s in ticks:
        text = format_time(at_s) if step >= 1 else f"{at_s:.1f} s"
        by_clock = moment(start, at_s)
        labels.append(text if by_clock is None else f"{text}\n{by_clock:%H:%M:%S}")
    axes.set_xticks(ticks, labels)
    axes.tick_params(axis="x", length=4, labelsize=8)
    return ticks


def draw_time_grid(axes: Axes, ticks: Iterable[float]) -> None:
    """Draw upright lines at the ticks."""
    for at_s in ticks:
        axes.axvline(at_s, color=GRID, lw=0.5, zorder=0.4)


def draw_overview(
    axes: Axes, heard: HeardScore | None, shown: Excerpt, strokes_s: Sequence[float]
) -> None:
    """Draw the whole in small: calls above by pitch, strokes below, the excerpt marked."""
    notes = [note for note in heard.notes if note.pitch_hz is not None] if heard else []
    if notes:
        pitch = np.log2([note.pitch_hz for note in notes if note.pitch_hz is not None])
        low, high = pitch.min(), max(pitch.max(), pitch.min() + 1)
        axes.scatter(
            [note.onset_s for note in notes],
            0.40 + 0.54 * (pitch - low) / (high - low),
            s=1.4,
            c=MUTED,
            linewidths=0,
            alpha=0.7,
            zorder=2,
            rasterized=len(notes) > 4000,
        )
    axes.axhline(0.31, color=GRID, lw=0.6)
    for at_s in (change.at_s for change, _ in shown.changes if change.change == "dropped"):
        line(axes, [at_s, at_s], [0.31, 0.36], CHANGED, 0.8)
    axes.vlines(strokes_s, 0.05, 0.27, color=DARK, lw=0.5, alpha=0.6)
    mark_stretch(axes, shown.from_s, shown.to_s, shown.whole_s)


def mark_stretch(axes: Axes, from_s: float, to_s: float, whole_s: float) -> None:
    """Finish an overview: its time axis, with the stretch that is drawn in full marked on it."""
    axes.set_xlim(0, whole_s)
    axes.set_ylim(0, 1)
    axes.axvspan(from_s, to_s, fc=DARK, alpha=0.09, ec="none", zorder=1)
    for edge_s in (from_s, to_s):
        axes.axvline(edge_s, color=DARK, lw=0.9)
    _time_ticks(axes, 0.0, whole_s, None)
    axes.set_yticks([])

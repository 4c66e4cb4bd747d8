"""One picture of a passage: heard above, answered below, on one time axis.

From the top: a title; for a long recording the whole of it in small, with the
stretch marked; the spectrogram as a wash with the heard notes on it; a row for
each voice's phrases, with curves to the answers; a lane for each striker; the
time; a key. What the shapes mean stands in `draw_lanes` and in the key itself.

Around a passage picture: title, time axis, key, and the whole in small.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from callresp.io.audio import Recording, open_recording
from callresp.io.score import HeardScore, ReplyScore
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.model import Plan
from callresp.plots import excerpt_heard, excerpt_lanes, style
from callresp.plots.excerpt import Excerpt, excerpt_of, marks_of
from callresp.plots.excerpt_lanes import CHANGED, marker_area
from callresp.plots.spectrogram import log_spectrogram
from callresp.plots.style import BACKGROUND, DARK, GRID, MUTED, TITLE_FONT, format_time, nice_step

WIDTH_IN, LEFT_IN, RIGHT_IN = 13.0, 1.22, 0.56
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


@dataclass
class _Page:
    """A figure that is filled from the top down."""

    parts: list[tuple[str, float]]
    gaps: dict[str, float] = field(default_factory=dict)
    figure: Any = None
    axes: dict[str, Any] = field(default_factory=dict)

    def lay_out(self) -> None:
        """Place every part; all but title and key share the time axis."""
        total = sum(height + self.gaps.get(name, 0.0) for name, height in self.parts)
        self.figure = style.new_figure(WIDTH_IN, total)
        width = WIDTH_IN - LEFT_IN - RIGHT_IN
        at = 0.0
        for name, height in self.parts:
            at += self.gaps.get(name, 0.0)
            left = 0.32 if name == "title" else LEFT_IN
            wide = WIDTH_IN - 0.64 if name == "title" else width
            self.axes[name] = style.axes_in(self.figure, left, at, wide, height)
            at += height


def draw_excerpt(
    path: Path,
    recording: Recording | Path | str | None = None,
    heard: HeardScore | None = None,
    reply: ReplyScore | None = None,
    plan: Plan | CheckedPlan | None = None,
    palette: Palette | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
    title: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> DrawnExcerpt:
    """Draw what was heard and what is answered, in one picture.

    Parameters
    ----------
    path
        The file to write: .png, .svg or .pdf.
    recording, heard, reply, plan, palette
        What there is of it. Without a recording there is no wash, without a
        plan (or a reply) and palette no lanes.
    from_s, to_s
        The stretch. By default all of it up to 75 s, else the 40 s that hold
        most strokes, with the whole in small above.
    title
        By default the recording's name.
    progress
        Called with the share done.

    Raises
    ------
    UserError
        For another ending, a stretch with nothing in it, or nothing to draw.
    """
    path = Path(path)
    style.check_ending(path)
    if recording is not None and not isinstance(recording, Recording):
        recording = open_recording(recording)
    duration_s = recording.duration_s if recording else None
    shown = excerpt_of(heard, reply, plan, palette, duration_s, from_s, to_s)
    name = title or _name(recording, heard, reply)
    with style.drawing_style():
        page = _page(shown, recording or heard, heard, plan or reply, palette)
        inks = style.voice_colours(note.voice for note in heard.notes) if heard else {}
        if "heard" in page.axes:
            _fill_heard(page.axes["heard"], recording, heard, shown, inks, progress)
            if palette is not None:
                excerpt_heard.draw_strikers(page.axes["heard"], palette)
        if heard is not None:
            _fill_strip(page.axes["strip"], heard, reply, shown, inks)
        if "lanes" in page.axes:
            assert palette is not None
            counts = excerpt_lanes.lane_counts(shown)
            excerpt_lanes.draw_lanes(page.axes["lanes"], palette, shown, inks, counts)
            width = WIDTH_IN - LEFT_IN - RIGHT_IN
            draw_key(page.axes["key"], width, heard is not None)
        _frame(page, heard, reply, plan, palette, shown, name)
        style.save(page.figure, path, name)
    drawn = DrawnExcerpt(
        path=str(path),
        from_s=round(shown.from_s, 3),
        to_s=round(shown.to_s, 3),
        heard_notes=_heard_within(heard, shown),
        strokes=sum(mark.at_s >= shown.from_s for mark in shown.marks),
        changes=sum(shown.from_s <= c.at_s <= shown.to_s for c, _ in shown.changes),
    )
    return drawn


def _page(
    shown: Excerpt,
    source: object | None,
    heard: HeardScore | None,
    machine: object | None,
    palette: Palette | None,
) -> _Page:
    parts = [("title", TITLE_IN)]
    gaps = {"title": 0.24, "heard": 0.10}
    if shown.partial:
        parts.append(("overview", OVERVIEW_IN))
        gaps["overview"], gaps["heard"] = 0.14, 0.42
    if source is not None:
        parts.append(("heard", HEARD_IN))
    if heard is not None:
        voices = excerpt_lanes.voices_within(heard, shown)
        parts.append(("strip", excerpt_lanes.strip_height(len(voices))))
        gaps["strip"] = 0.07
    if machine is not None and palette is not None:
        if source is None:
            gaps["lanes"] = gaps["heard"]
        lanes = len(palette.striker) + len(palette.turner)
        parts.append(("lanes", lanes * excerpt_lanes.LANE_IN))
        parts.append(("foot", FOOT_IN))
        parts.append(("key", KEY_IN))
    else:
        parts.append(("foot", FOOT_IN))
    page = _Page(parts, gaps)
    page.lay_out()
    return page


def _fill_heard(
    axes: Any,
    recording: Recording | None,
    heard: HeardScore | None,
    shown: Excerpt,
    inks: dict[str, str],
    progress: Callable[[float], None] | None,
) -> None:
    low, high = excerpt_heard.frequency_range(
        heard, recording.sample_rate_hz if recording else None
    )
    if recording is not None:
        drawn = log_spectrogram(recording, shown.from_s, shown.to_s, low, high, progress=progress)
        excerpt_heard.draw_spectrogram(axes, drawn)
    axes.set_xlim(shown.from_s, shown.to_s)
    excerpt_heard.draw_frequencies(axes, low, high)
    if heard is not None:
        excerpt_heard.draw_notes(axes, heard, inks, shown.from_s, shown.to_s)
    axes.set_xticks([])


def _fill_strip(
    axes: Any,
    heard: HeardScore,
    reply: ReplyScore | None,
    shown: Excerpt,
    inks: dict[str, str],
) -> None:
    excerpt_lanes.draw_phrases(axes, heard, reply, shown, inks)
    excerpt_lanes.name_strip(axes)
    _bare(axes)


def _bare(axes: Any) -> None:
    axes.set_yticks([])
    axes.set_xticks([])
    for side in axes.spines.values():
        side.set_visible(False)


def _frame(
    page: _Page,
    heard: HeardScore | None,
    reply: ReplyScore | None,
    plan: Plan | CheckedPlan | None,
    palette: Palette | None,
    shown: Excerpt,
    name: str,
) -> None:
    bare = plan.plan if isinstance(plan, CheckedPlan) else plan
    headers = [item.header for item in (heard, reply, bare) if item is not None]
    start = next((header.start for header in headers if header.start), None)
    foot = page.axes["foot"]
    foot.set_xlim(shown.from_s, shown.to_s)
    ticks = draw_times(foot, shown.from_s, shown.to_s, start)
    foot.set_yticks([])
    foot.patch.set_alpha(0)
    for side in ("left", "right", "bottom"):
        foot.spines[side].set_visible(False)
    foot.xaxis.set_ticks_position("top")
    foot.tick_params(axis="x", labeltop=True, pad=-6, direction="in", length=3)
    for label in foot.get_xticklabels():
        label.set_va("top")
    for part in ("heard", "strip", "lanes"):
        if part in page.axes:
            rule_times(page.axes[part], ticks)
    if "lanes" in page.axes:
        _bare(page.axes["lanes"])
    if "overview" in page.axes:
        draw_overview(page.axes["overview"], heard, shown)
        strokes, _ = marks_of(plan, reply, palette)
        draw_overview_strokes(page.axes["overview"], [mark.at_s for mark in strokes])
        draw_times(page.axes["overview"], 0.0, shown.whole_s, None)
        page.axes["overview"].set_yticks([])
    lines = _lines(heard, reply, shown, palette, start)
    draw_title(page.axes["title"], name, lines)


def _heard_within(heard: HeardScore | None, shown: Excerpt) -> int:
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


def _lines(
    heard: HeardScore | None,
    reply: ReplyScore | None,
    shown: Excerpt,
    palette: Palette | None,
    start: str | None,
) -> list[str]:
    lines = []
    begins = moment(start, shown.from_s)
    if begins is not None:
        lines.append(f"{begins:%-d %B %Y, %H:%M:%S}")
    span = f"{shown.to_s - shown.from_s:.0f} s"
    lines.append(f"{span} of {style.format_time(shown.whole_s)}" if shown.partial else span)
    if heard is not None:
        count, voices = _heard_within(heard, shown), len(excerpt_lanes.voices_within(heard, shown))
        lines.append(f"{style.counted(count, 'note')} heard of {style.counted(voices, 'voice')}")
    strokes = sum(mark.at_s >= shown.from_s for mark in shown.marks)
    if palette is not None and (strokes or reply is not None):
        lines.append(f"{style.counted(strokes, 'stroke')} on {palette.name}")
        within = [c for c, _ in shown.changes if shown.from_s <= c.at_s <= shown.to_s]
        dropped = sum(change.change == "dropped" for change in within)
        if within:
            lines.append(f"{len(within) - dropped} changed and {dropped} dropped by limits")
    return lines


def draw_title(axes: Any, title: str, lines: list[str]) -> None:
    """Title in large type; what it is about below."""
    axes.axis("off")
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    axes.text(-0.001, 1.05, title, fontsize=25, family=TITLE_FONT, va="top", ha="left", color=DARK)
    axes.text(0, 0.0, "   ·   ".join(lines), fontsize=8.5, va="bottom", ha="left", color=MUTED)


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
        text = format_time(at_s) if step >= 1 else f"{at_s:.1f} s"
        by_clock = moment(start, at_s)
        labels.append(text if by_clock is None else f"{text}\n{by_clock:%H:%M:%S}")
    axes.set_xticks(ticks, labels)
    axes.tick_params(axis="x", length=4, labelsize=8)
    return ticks


def rule_times(axes: Any, ticks: list[float]) -> None:
    """Upright rules at the ticks, through every part."""
    for at_s in ticks:
        axes.axvline(at_s, color=GRID, lw=0.5, zorder=0.4)


def draw_overview(axes: Any, heard: HeardScore | None, shown: Excerpt) -> None:
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
            c=MUTED,
            linewidths=0,
            alpha=0.7,
            zorder=2,
            rasterized=len(notes) > 4000,
        )
    axes.axhline(0.31, color=GRID, lw=0.6)
    for at_s in (change.at_s for change, _ in shown.changes if change.change == "dropped"):
        axes.plot([at_s, at_s], [0.31, 0.36], color=CHANGED, lw=0.8)
    axes.add_patch(
        Rectangle(
            (shown.from_s, 0),
            shown.to_s - shown.from_s,
            1,
            fc=DARK,
            alpha=0.09,
            ec="none",
            zorder=1,
        )
    )
    for edge_s in (shown.from_s, shown.to_s):
        axes.axvline(edge_s, color=DARK, lw=0.9)


def draw_overview_strokes(axes: Any, times_s: list[float]) -> None:
    """The machine's strokes over the whole recording."""
    axes.vlines(times_s, 0.05, 0.27, color=DARK, lw=0.5, alpha=0.6)


def draw_key(axes: Any, width_in: float, with_calls: bool) -> None:
    """What the shapes mean; the axes' units are inches."""
    axes.axis("off")
    axes.set_xlim(0, width_in)
    axes.set_ylim(0, 0.5)
    y, x = 0.26, 0.0
    x = _say(axes, x, y, "Lanes:", DARK)
    for force in (0.0, 0.5, 1.0):
        axes.scatter(
            [x + 0.07], [y], s=marker_area(force), c=DARK, edgecolors=BACKGROUND, linewidths=0.7
        )
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
        axes.plot(x + 0.05, y, marker="o", ms=3.6, mfc=BACKGROUND, mec=DARK, mew=0.9)
        x = _say(axes, x + 0.16, y, "call left alone")
        _say(axes, x, y, "Ink: the voice heard, or answered")


def _say(axes: Any, x: float, y: float, text: str, colour: str = MUTED) -> float:
    """Set a text at x; returns where the next thing may start."""
    drawn = axes.text(x, y, text, fontsize=7.6, va="center", ha="left", color=colour)
    box = drawn.get_window_extent(axes.figure.canvas.get_renderer())
    return x + float(box.width) / float(axes.figure.dpi) + (0.08 if colour == DARK else 0.24)


def _wedge(axes: Any, x: float, y: float, damped: bool) -> float:
    from matplotlib.patches import Polygon

    end, left = (x + 0.25, 0.05) if damped else (x + 0.45, 0.0)
    corners = [(x, y - 0.09), (end, y - left), (end, y + left), (x, y + 0.09)]
    axes.add_patch(Polygon(corners, closed=True, fc=DARK, ec="none", alpha=0.3))
    axes.scatter([x], [y], s=marker_area(0.4), c=DARK, edgecolors=BACKGROUND, linewidths=0.7)
    if damped:
        axes.plot([end, end], [y - 0.08, y + 0.08], color=DARK, lw=1.5)
    return end + 0.1

"""One picture of a passage: heard above, answered below, on one time axis.

From the top: a title; for a long recording the whole of it in small, with the
stretch marked; the spectrogram as a wash with the heard notes on it; a row for
each voice's phrases, with curves to the answers; a lane for each striker; the
time; a key. What the shapes mean stands in `draw_lanes` and in the key itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from callresp.palette.model import Palette
from callresp.plan.limits import CheckedPlan
from callresp.plan.model import Plan
from callresp.rehearse import draw_frame, draw_heard, draw_lanes, draw_links, look
from callresp.rehearse.passage import Passage, marks_of, passage
from callresp.rehearse.wash import wash
from callresp.score import HeardScore, ReplyScore
from callresp.sound import Recording, open_recording

WIDTH_IN, LEFT_IN, RIGHT_IN = 13.0, 1.22, 0.56
TITLE_IN, OVERVIEW_IN, HEARD_IN, FOOT_IN, KEY_IN = 0.62, 0.62, 3.7, 0.40, 0.42


@dataclass(frozen=True, slots=True)
class Drawn:
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
        self.figure = look.new_figure(WIDTH_IN, total)
        width = WIDTH_IN - LEFT_IN - RIGHT_IN
        at = 0.0
        for name, height in self.parts:
            at += self.gaps.get(name, 0.0)
            left = 0.32 if name == "title" else LEFT_IN
            wide = WIDTH_IN - 0.64 if name == "title" else width
            self.axes[name] = look.axes_in(self.figure, left, at, wide, height)
            at += height


def draw(
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
) -> Drawn:
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
    look.check_ending(path)
    if recording is not None and not isinstance(recording, Recording):
        recording = open_recording(recording)
    duration_s = recording.duration_s if recording else None
    shown = passage(heard, reply, plan, palette, duration_s, from_s, to_s)
    name = title or _name(recording, heard, reply)
    with look.our_style():
        page = _page(shown, recording or heard, heard, plan or reply, palette)
        inks = look.voice_inks(note.voice for note in heard.notes) if heard else {}
        if "heard" in page.axes:
            _fill_heard(page.axes["heard"], recording, heard, shown, inks, progress)
            if palette is not None:
                draw_heard.draw_strikers(page.axes["heard"], palette)
        if heard is not None:
            _fill_strip(page.axes["strip"], heard, reply, shown, inks)
        if "lanes" in page.axes:
            assert palette is not None
            counts = draw_lanes.lane_counts(shown)
            draw_lanes.draw_lanes(page.axes["lanes"], palette, shown, inks, counts)
            width = WIDTH_IN - LEFT_IN - RIGHT_IN
            draw_frame.draw_key(page.axes["key"], width, heard is not None)
        _frame(page, heard, reply, plan, palette, shown, name)
        look.save(page.figure, path, name)
    drawn = Drawn(
        path=str(path),
        from_s=round(shown.from_s, 3),
        to_s=round(shown.to_s, 3),
        heard_notes=_heard_within(heard, shown),
        strokes=sum(mark.at_s >= shown.from_s for mark in shown.marks),
        changes=sum(shown.from_s <= c.at_s <= shown.to_s for c, _ in shown.changes),
    )
    return drawn


def _page(
    shown: Passage,
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
        voices = draw_links.voices_within(heard, shown)
        parts.append(("strip", draw_links.strip_height(len(voices))))
        gaps["strip"] = 0.07
    if machine is not None and palette is not None:
        if source is None:
            gaps["lanes"] = gaps["heard"]
        lanes = len(palette.striker) + len(palette.turner)
        parts.append(("lanes", lanes * draw_lanes.LANE_IN))
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
    shown: Passage,
    inks: dict[str, str],
    progress: Callable[[float], None] | None,
) -> None:
    low, high = draw_heard.band_of(heard, recording.sample_rate_hz if recording else None)
    if recording is not None:
        drawn = wash(recording, shown.from_s, shown.to_s, low, high, progress=progress)
        draw_heard.draw_wash(axes, drawn)
    axes.set_xlim(shown.from_s, shown.to_s)
    draw_heard.draw_frequencies(axes, low, high)
    if heard is not None:
        draw_heard.draw_notes(axes, heard, inks, shown.from_s, shown.to_s)
    axes.set_xticks([])


def _fill_strip(
    axes: Any,
    heard: HeardScore,
    reply: ReplyScore | None,
    shown: Passage,
    inks: dict[str, str],
) -> None:
    draw_links.draw_strip(axes, heard, reply, shown, inks)
    draw_links.name_strip(axes)
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
    shown: Passage,
    name: str,
) -> None:
    bare = plan.plan if isinstance(plan, CheckedPlan) else plan
    headers = [item.header for item in (heard, reply, bare) if item is not None]
    start = next((header.start for header in headers if header.start), None)
    foot = page.axes["foot"]
    foot.set_xlim(shown.from_s, shown.to_s)
    ticks = draw_frame.draw_times(foot, shown.from_s, shown.to_s, start)
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
            draw_frame.rule_times(page.axes[part], ticks)
    if "lanes" in page.axes:
        _bare(page.axes["lanes"])
    if "overview" in page.axes:
        draw_frame.draw_overview(page.axes["overview"], heard, shown)
        strokes, _ = marks_of(plan, reply, palette)
        draw_frame.draw_overview_strokes(page.axes["overview"], [mark.at_s for mark in strokes])
        draw_frame.draw_times(page.axes["overview"], 0.0, shown.whole_s, None)
        page.axes["overview"].set_yticks([])
    lines = _lines(heard, reply, shown, palette, start)
    draw_frame.draw_title(page.axes["title"], name, lines)


def _heard_within(heard: HeardScore | None, shown: Passage) -> int:
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
    shown: Passage,
    palette: Palette | None,
    start: str | None,
) -> list[str]:
    lines = []
    begins = draw_frame.moment(start, shown.from_s)
    if begins is not None:
        lines.append(f"{begins:%-d %B %Y, %H:%M:%S}")
    span = f"{shown.to_s - shown.from_s:.0f} s"
    lines.append(f"{span} of {look.clock(shown.whole_s)}" if shown.partial else span)
    if heard is not None:
        count, voices = _heard_within(heard, shown), len(draw_links.voices_within(heard, shown))
        lines.append(f"{look.counted(count, 'note')} heard of {look.counted(voices, 'voice')}")
    strokes = sum(mark.at_s >= shown.from_s for mark in shown.marks)
    if palette is not None and (strokes or reply is not None):
        lines.append(f"{look.counted(strokes, 'stroke')} on {palette.name}")
        within = [c for c, _ in shown.changes if shown.from_s <= c.at_s <= shown.to_s]
        dropped = sum(change.change == "dropped" for change in within)
        if within:
            lines.append(f"{len(within) - dropped} changed and {dropped} dropped by limits")
    return lines

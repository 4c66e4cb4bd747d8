"""Auditions side by side: one recording's calls, and under them each rule set's replies.

The look is that of the rehearsal picture (`excerpt_picture`): heard notes in
their voices' colours, a named lane for each striker, a stroke in the colour of
the voice that it answers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from callresp.io.audio import Recording
from callresp.io.score import HeardScore, ReplyScore
from callresp.io.wording import counted
from callresp.plan.checked_plan import CheckedPlan
from callresp.plots import excerpt_picture as page
from callresp.plots import style
from callresp.plots.excerpt import choose_stretch, excerpt_of, lanes_of, marks_of, whole_length_s
from callresp.plots.excerpt_heard import draw_striker_pitches
from callresp.plots.excerpt_lanes import SMALL_SIZE, draw_key, draw_lanes
from callresp.plots.style import side_label

CALLS_IN, LANE_IN, CAPTION_IN = 2.3, 0.22, 0.28


@dataclass(frozen=True, slots=True)
class AuditionRow:
    """One rule set's reply, as it was planned, with a line that says how it did."""

    caption: str
    reply: ReplyScore
    checked: CheckedPlan


def draw_auditions(
    path: Path,
    heard: HeardScore,
    rows: Sequence[AuditionRow],
    recording: Recording | None = None,
) -> None:
    """Draw calls and replies on one time axis, a set of lanes a rule set.

    All of it up to 75 s; of a longer one the 40 s in which most is played, with
    the whole in small above. It reaches as far as the last stroke, also beyond
    the recording's end.

    Parameters
    ----------
    path
        Picture to write; its ending chooses PNG, SVG or PDF.
    heard
        The calls.
    rows
        At least one.
    recording
        Gives the spectrogram behind the calls.

    Raises
    ------
    UserError
        When the picture can't be written.
    """
    style.check_ending(path)
    palette = rows[0].checked.palette
    marks = [m for row in rows for m in marks_of(row.checked.plan, row.reply, palette)[0]]
    duration_s = recording.duration_s if recording else None
    whole_s = max(whole_length_s(heard, r.reply, r.checked.plan, marks, duration_s) for r in rows)
    onsets_s = [mark.at_s for mark in marks] or [note.onset_s for note in heard.notes]
    stretch = choose_stretch(onsets_s, whole_s, None, None)
    shown = [excerpt_of(heard, r.reply, r.checked.plan, palette, whole_s, *stretch) for r in rows]
    every = replace(
        shown[0],
        marks=tuple(mark for one in shown for mark in one.marks),
        changes=tuple(change for one in shown for change in one.changes),
    )
    palette = lanes_of(palette, every)
    colours = style.voice_colours(note.voice for note in heard.notes)
    lanes_in = LANE_IN * (len(palette.striker) + len(palette.turner))
    parts = [("title", 0.24, page.TITLE_IN)]
    if shown[0].partial:
        parts.append(("overview", 0.14, page.OVERVIEW_IN))
    parts.append(("heard", 0.42 if shown[0].partial else 0.10, CALLS_IN))
    parts += [(f"lanes {number}", CAPTION_IN, lanes_in) for number in range(len(rows))]
    parts += [("foot", 0.0, page.FOOT_IN), ("key", 0.0, page.KEY_IN)]
    name = page.readable(Path(heard.header.recording or "untitled").stem)
    with style.drawing_style():
        figure, axes = style.stacked(parts, page.WIDTH_IN, page.LEFT_IN, page.RIGHT_IN)
        page.draw_heard(axes["heard"], recording, heard, shown[0], colours)
        draw_striker_pitches(axes["heard"], palette)
        if "overview" in axes:
            page.draw_overview(axes["overview"], heard, shown[0], [mark.at_s for mark in marks])
        ticks = page.draw_time_axis(axes["foot"], *stretch, heard.header.start)
        page.draw_time_grid(axes["heard"], ticks)
        for number, (row, own) in enumerate(zip(rows, shown, strict=True)):
            lanes = axes[f"lanes {number}"]
            draw_lanes(lanes, palette, own, colours, SMALL_SIZE)
            style.no_frame(lanes)
            page.draw_time_grid(lanes, ticks)
            side_label(lanes, 0.0, -0.25, row.caption, ha="left", va="bottom")
        draw_key(axes["key"], page.WITHIN_IN, colours)
        facts = page.stretch_facts(shown[0], heard.header.start)
        facts += [counted(len(rows), "rule set"), f"on {palette.name}"]
        style.draw_title(axes["title"], name, facts)
        style.save(figure, path, name)

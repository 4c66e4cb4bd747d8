"""The picture of `callresp explain`: noise floor, partials, edges and what was left out.

Main panel: the power over the floor in grey, partials as fine dots, each note a
box with its number and its singer's letter, in its singer's colour; what was left out
a dashed box; the strongest of those have letters. To its right, on the same frequency
axis: the floor, the level that a partial must reach, and the loudest of each bin. Below:
how many bands rose, against the number that makes a broadband onset.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from callresp.io.wording import counted
from callresp.listen.diagnostics import Evidence
from callresp.listen.notes import voice_name
from callresp.plots import style
from callresp.plots.spectrogram import grey_range
from callresp.plots.style import ANSWER, DARK, GRID, MUTED

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_IN, HEIGHT_IN = 11.0, 7.35
DARKEST_DB = 45.0
LEAST_HIGH_HZ = 240.0
# In weather hundreds are left out; the strongest are those that one asks about.
LETTERED_MOST = 30
# Beyond so many boxes their names are set smaller.
MANY = 60


def letter(number: int) -> str:
    """a, b, …, z, aa, ab, …: the name of what was left out."""
    return voice_name(number).lower()


def lettered(found: Evidence) -> list[int]:
    """Numbers of the strongest that were left out: those that are named in picture and text."""
    order = sorted(range(len(found.left_out)), key=lambda n: -found.left_out[n].snr_db)
    return sorted(order[:LETTERED_MOST])


def caption(found: Evidence) -> str:
    """What the picture shows, as it stands under it."""
    out, named = len(found.left_out), len(lettered(found))
    letters = "lettered" if named == out else f"the {named} strongest lettered"
    return (
        f"{counted(len(found.notes), 'note')} (boxes, numbered; capitals and colours: singers),"
        f" {out} left out (dashed, {letters}); dots are partials; grey: dB over the noise floor"
    )


def draw_diagnostics(
    path: Path,
    found: Evidence,
    title: str,
    band_hz: tuple[float, float],
    voices: Mapping[int, str] | None = None,
    singers: Iterable[str] = (),
) -> None:
    """Draw one stretch to PNG, SVG or PDF.

    Parameters
    ----------
    path
        Its ending chooses the format.
    found
        What the listener went by.
    title
        What the picture is of.
    band_hz
        The band that was listened to.
    voices
        Who sang, by the note's row; nothing for those of whom it isn't known.
    singers
        Of every note of the recording: colours are chosen by them, as in a rehearsal's picture.

    Raises
    ------
    UserError
        For another ending, or a folder that can't be written.
    """
    with style.drawing_style():
        figure = style.new_figure(WIDTH_IN, HEIGHT_IN)
        figure.text(0.065, 0.945, title, fontsize=13, family="serif")
        main = style.axes_in(figure, 0.72, 0.72, 7.9, 4.75)
        beside = style.axes_in(figure, 8.8, 0.72, 1.9, 4.75)
        below = style.axes_in(figure, 0.72, 5.75, 7.9, 0.8)
        low, high = band_hz[0] / 1000, min(band_hz[1], found.hertz[-1]) / 1000
        for axes in (main, beside):
            axes.set_yscale("log")
            axes.set_ylim(low, high)
            ticks = [khz for khz in (0.25, 0.5, 1, 2, 3, 4, 6, 8, 12, 16) if low <= khz <= high]
            axes.set_yticks(ticks, [f"{khz:g}" for khz in ticks])
            axes.minorticks_off()
        main.set_ylabel("kHz")
        beside.tick_params(labelleft=False)
        _power(main, found)
        _boxes(main, found, voices or {}, style.voice_colours(singers))
        _levels(beside, found)
        _rises(below, found)
        figure.text(0.065, 0.018, caption(found), fontsize=7.5, color=MUTED)
        style.save(figure, path, title)


def _power(axes: Axes, found: Evidence) -> None:
    if len(found.at_s) < 2:
        return
    keep = found.hertz > 0
    over = (found.power_db - found.floor_db)[:, keep].T
    low_db, high_db = grey_range(over, DARKEST_DB)
    axes.pcolormesh(
        found.at_s,
        found.hertz[keep] / 1000,
        over,
        cmap=style.grey_scale(),
        vmin=low_db,
        vmax=high_db,
        shading="nearest",
        rasterized=True,
    )
    axes.set_xlim(found.at_s[0], found.at_s[-1])
    axes.tick_params(labelbottom=False)
    if len(found.points):
        # At full strength they would hide what they lie on.
        khz = found.points[:, 1] / 1000
        axes.plot(found.points[:, 0], khz, ".", ms=1.4, color=DARK, alpha=0.6)


def _boxes(
    axes: Axes, found: Evidence, voices: Mapping[int, str], colours: Mapping[str, str]
) -> None:
    size = 7.0 if len(found.notes) + len(found.left_out) <= MANY else 5.5
    boxes = []
    for n, note in enumerate(found.notes):
        span = float(note["onset_s"]), float(note["offset_s"])
        band, voice = (float(note["low_hz"]), float(note["high_hz"])), voices.get(n, "")
        boxes.append(_Box(span, band, f"{n + 1}{voice}", colours.get(voice, DARK)))
    named = set(lettered(found))
    for n, one in enumerate(found.left_out):
        span, band = (one.onset_s, one.offset_s), (one.low_hz, one.high_hz)
        boxes.append(_Box(span, band, letter(n) if n in named else "", MUTED, dashed=True))
    for box in boxes:
        _draw_box(axes, box)
    _name_boxes(axes, boxes, size)


class _Box(NamedTuple):
    span_s: tuple[float, float]
    band_hz: tuple[float, float]
    name: str
    colour: str
    dashed: bool = False

    def khz(self) -> tuple[float, float]:
        """Its lower and upper edge: a pure tone has no height of its own, and is given some."""
        low, high = self.band_hz
        middle = float(np.sqrt(max(low, 1.0) * max(high, 1.0)))
        return min(low, middle - LEAST_HIGH_HZ / 2) / 1000, max(
            high, middle + LEAST_HIGH_HZ / 2
        ) / 1000


def _draw_box(axes: Axes, box: _Box) -> None:
    from matplotlib.patches import Rectangle

    low, high = box.khz()
    wide_s = box.span_s[1] - box.span_s[0]
    edge = Rectangle((box.span_s[0], low), wide_s, high - low, fill=False, ec=box.colour)
    edge.set_linewidth(0.9)
    edge.set_linestyle((0, (3, 2)) if box.dashed else "-")
    axes.add_patch(edge)


def _name_boxes(axes: Axes, boxes: list[_Box], size: float) -> None:
    """Set each box's name at one of its corners, where no other name is, within the axes."""
    points = 72 / axes.figure.dpi
    left, bottom, right, top = points * np.array(axes.bbox.extents)
    taken: list[tuple[float, float, float]] = []  # left edge, width and foot of each
    for box in boxes:
        if not box.name or box.span_s[0] > axes.get_xlim()[1]:
            continue
        wide, tall = 0.68 * size * len(box.name), 1.15 * size
        corners = axes.transData.transform([*zip(box.span_s, box.khz(), strict=True)])
        (x0, y0), (x1, y1) = points * corners
        # Inside and above or below its left edge, then the same at its right one.
        places = [(x, y) for x in (x0 + 1.5, x1 - wide) for y in (y1 - tall, y1 + 1, y0, y0 - tall)]
        kept = [
            (min(max(x, left), right - wide), min(max(y, bottom), top - tall)) for x, y in places
        ]
        free = (
            (x, y)
            for x, y in kept
            if all(x + wide <= a or a + b <= x or abs(y - c) >= tall for a, b, c in taken)
        )
        x, y = next(free, kept[0])
        taken.append((x, wide, y))
        text = axes.annotate(box.name, (x - left, y - bottom), xycoords="axes points")
        text.set(fontsize=size, color=box.colour)
        style.outline(text, 2)


def _levels(axes: Axes, found: Evidence) -> None:
    axes.set_title("dB re full scale", fontsize=8, color=MUTED, loc="left")
    if len(found.at_s):
        khz = found.hertz / 1000
        floor = np.median(found.floor_db, axis=0)
        axes.plot(floor, khz, color=MUTED, lw=1.2, label="floor")
        axes.plot(floor + found.asked_db, khz, color=ANSWER, lw=1.0, ls="--", label="asked")
        axes.plot(found.power_db.max(axis=0), khz, color=DARK, lw=0.8, label="loudest")
        axes.legend(fontsize=7, frameon=False, loc="lower left", bbox_to_anchor=(0, -0.21))
    axes.grid(axis="x", color=GRID, lw=0.5)


def _rises(axes: Axes, found: Evidence) -> None:
    axes.set_ylabel("bands\nrising", fontsize=7.5)
    axes.set_xlabel("seconds")
    if len(found.at_s):
        axes.fill_between(found.at_s, found.rising, color=MUTED, lw=0, step="mid")
    if len(found.at_s) > 1:
        axes.set_xlim(found.at_s[0], found.at_s[-1])
    axes.axhline(found.rising_asked, color=ANSWER, lw=1.0, ls="--")
    axes.set_ylim(0, max(2 * found.rising_asked, float(found.rising.max(initial=0)) + 1))

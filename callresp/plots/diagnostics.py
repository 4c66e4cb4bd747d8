"""The picture of `callresp explain`: floor, partials, edges and what was left out.

Main panel: the power over the floor as a graphite wash, partials as fine dots,
each note a box with its number, what was left out a dashed box with a letter.
To its right, on the same frequency axis: the floor, what was asked, and the
loudest of each bin. Below: how many bands rose, against the number that makes
a wide onset.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from callresp.listen.diagnostics import Evidence
from callresp.listen.notes import voice_name
from callresp.plots.style import (
    ANSWER,
    CALL,
    DARK,
    GRID,
    MUTED,
    axes_in,
    drawing_style,
    grey_scale,
    new_figure,
    outline,
    save,
)

WIDTH_IN = 11.0
HEIGHT_IN = 7.35
WASH_DB = (3.0, 45.0)
LEAST_HIGH_HZ = 240.0
MOST_LABELS = 60


def letter(number: int) -> str:
    """a, b, …, z, aa, ab, …: the name of what was left out."""
    return voice_name(number).lower()


def draw_diagnostics(path: Path, found: Evidence, title: str, band_hz: tuple[float, float]) -> None:
    """Draw one stretch to PNG, SVG or PDF.

    Parameters
    ----------
    path
        Its ending chooses the format.
    found
        The evidence.
    title
        What the picture is of.
    band_hz
        The band that was listened to.
    """
    with drawing_style():
        figure = new_figure(WIDTH_IN, HEIGHT_IN)
        figure.text(0.065, 0.945, title, fontsize=13, family="serif")
        main = axes_in(figure, 0.72, 0.72, 7.9, 4.75)
        beside = axes_in(figure, 8.8, 0.72, 1.9, 4.75)
        below = axes_in(figure, 0.72, 5.75, 7.9, 0.8)
        low, high = band_hz[0] / 1000, min(band_hz[1], found.hertz[-1]) / 1000
        for axes in (main, beside):
            axes.set_yscale("log")
            axes.set_ylim(low, high)
            ticks = [hz for hz in (0.25, 0.5, 1, 2, 3, 4, 6, 8, 12, 16) if low <= hz <= high]
            axes.set_yticks(ticks, [f"{hz:g}" for hz in ticks])
            axes.minorticks_off()
        main.set_ylabel("kHz")
        beside.tick_params(labelleft=False)
        _wash(main, found)
        _boxes(main, found)
        _levels(beside, found)
        _rises(below, found)
        figure.text(0.065, 0.018, _key(found), fontsize=7.5, color=MUTED)
        save(figure, path, title)


def _key(found: Evidence) -> str:
    return (
        f"{len(found.notes)} notes (boxes, numbered), {len(found.left_out)} left out (dashed,"
        " lettered); dots are partials; wash: dB over the floor"
    )


def _wash(axes: Any, found: Evidence) -> None:
    if len(found.at_s) < 2:
        return
    keep = found.hertz > 0
    over = (found.power_db - found.floor_db)[:, keep].T
    axes.pcolormesh(
        found.at_s,
        found.hertz[keep] / 1000,
        over,
        cmap=grey_scale(),
        vmin=WASH_DB[0],
        vmax=WASH_DB[1],
        shading="nearest",
        rasterized=True,
    )
    axes.set_xlim(found.at_s[0], found.at_s[-1])
    axes.tick_params(labelbottom=False)
    if len(found.points):
        # At full strength they would hide what they lie on.
        axes.plot(
            found.points[:, 0], found.points[:, 1] / 1000, ".", ms=1.4, color=CALL, alpha=0.75
        )


def _boxes(axes: Any, found: Evidence) -> None:
    few = len(found.notes) + len(found.left_out) <= MOST_LABELS
    for n, note in enumerate(found.notes, 1):
        span = float(note["onset_s"]), float(note["offset_s"])
        band = float(note["low_hz"]), float(note["high_hz"])
        _box(axes, span, band, DARK, "-", str(n) if few else "")
    for n, one in enumerate(found.left_out):
        span, band = (one.onset_s, one.offset_s), (one.low_hz, one.high_hz)
        _box(axes, span, band, ANSWER, (0, (3, 2)), letter(n) if few else "")


def _box(
    axes: Any,
    span_s: tuple[float, float],
    band_hz: tuple[float, float],
    ink: str,
    dash: Any,
    name: str,
) -> None:
    from matplotlib.patches import Rectangle

    middle = float(np.sqrt(max(band_hz[0], 1.0) * max(band_hz[1], 1.0)))
    # A pure tone has no height of its own: give it enough to be seen.
    low = min(band_hz[0], middle - LEAST_HIGH_HZ / 2) / 1000
    high = max(band_hz[1], middle + LEAST_HIGH_HZ / 2) / 1000
    axes.add_patch(
        Rectangle(
            (span_s[0], low),
            span_s[1] - span_s[0],
            high - low,
            fill=False,
            edgecolor=ink,
            linewidth=0.9,
            linestyle=dash,
        )
    )
    if name:
        text = axes.annotate(
            name,
            (span_s[0], min(high, axes.get_ylim()[1])),
            xytext=(1.5, -2),
            textcoords="offset points",
            va="top",
            fontsize=7,
            color=ink,
            clip_on=True,
        )
        outline(text, 2)


def _levels(axes: Any, found: Evidence) -> None:
    axes.set_title("dB re full scale", fontsize=8, color=MUTED, loc="left")
    if len(found.at_s):
        khz = found.hertz / 1000
        floor = np.median(found.floor_db, axis=0)
        axes.plot(floor, khz, color=MUTED, lw=1.2, label="floor")
        axes.plot(floor + found.asked_db, khz, color=ANSWER, lw=1.0, ls="--", label="asked")
        axes.plot(found.power_db.max(axis=0), khz, color=DARK, lw=0.8, label="loudest")
        axes.legend(fontsize=7, frameon=False, loc="lower left", bbox_to_anchor=(0, -0.21))
    axes.grid(axis="x", color=GRID, lw=0.5)


def _rises(axes: Any, found: Evidence) -> None:
    axes.set_ylabel("bands\nrising", fontsize=7.5)
    axes.set_xlabel("seconds")
    if len(found.at_s):
        axes.fill_between(found.at_s, found.rising, color=MUTED, lw=0, step="mid")
        axes.set_xlim(found.at_s[0], found.at_s[-1])
    axes.axhline(found.rising_asked, color=ANSWER, lw=1.0, ls="--")
    axes.set_ylim(0, max(2 * found.rising_asked, float(found.rising.max(initial=0)) + 1))

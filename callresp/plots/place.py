"""The page of a place: what it gives back, drawn outward from the machine.

The machine stands at the foot; delay runs outward, as sound does, and each return
is an arc, the blacker and the broader the louder it is. What the strokes' mean
held beside the returns lies in grey between the arcs: chance, and what rings on.
"""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from callresp.io.place import Echo, Place, PlaceReport
from callresp.plots import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from callresp.echoes.detection import Detection

Values = npt.NDArray[np.float64]

WIDTH_IN, PAGE_IN, FOOT_IN = 9.0, 4.4, 0.62
RINGS = 260
STEPS_M = (1, 2, 5, 10, 20, 50, 100, 200, 500)
# Ink of the loudest return, and of one this far below it.
BROAD_PT, THIN_PT, RANGE_DB = 5.0, 0.8, 30.0
# Where labels stand on their arcs, in degrees from the ground, in turn.
ANGLES = (28.0, 52.0, 76.0, 104.0, 128.0, 152.0)


def draw_place(path: Path, report: PlaceReport, found: Detection | None = None) -> None:
    """Draw what a place gives back.

    Parameters
    ----------
    path
        Where to: .png, .svg or .pdf.
    report
        Its echoes, and itself.
    found
        The curve that they were found in; `None` leaves the ground white.
    """
    place = report.place
    with style.drawing_style():
        parts = (("title", 0.25, 0.75), ("page", 0.15, PAGE_IN), ("foot", 0.1, FOOT_IN))
        figure, axes = style.stacked(parts, WIDTH_IN, 0.5, 0.5)
        style.draw_title(axes["title"], f"What {_name(place)} gives back", _facts(place))
        reach_s = _reach_s(report, found)
        if found is not None:
            _draw_ground(axes["page"], found, reach_s)
        _draw_scale(axes["page"], place, reach_s)
        for number, echo in enumerate(report.echoes):
            _draw_echo(axes["page"], echo, number, report, reach_s)
        if not report.echoes:
            style.label(axes["page"], 0.0, 0.55, place.answer, 13, style.MUTED, ha="center")
        _draw_foot(axes["foot"], report)
        style.save(figure, path, f"{place.place}: what it gives back")


def _name(place: Place) -> str:
    return Path(place.place).stem or "the place"


def _facts(place: Place) -> list[str]:
    facts = [
        f"asked by {place.strokes} strokes on {place.striker}",
        f"air of {place.air_temperature_c:g} °C, sound at {place.speed_of_sound_m_s:.1f} m/s",
    ]
    if place.t20_s is not None:
        facts.append(f"it rings for {place.t20_s:.2f} s (T20)")
    return facts


def _reach_s(report: PlaceReport, found: Detection | None) -> float:
    """How much of the delay is drawn: to a little beyond the last return."""
    whole_s = 2 * report.place.farthest_m / report.place.speed_of_sound_m_s
    if found is not None:
        whole_s = float(found.delay_s[-1])
    last_s = report.echoes[-1].delay_s if report.echoes else whole_s
    return min(1.25 * last_s, whole_s) if whole_s > 0 else 1.25 * last_s


def _draw_scale(axes: Axes, place: Place, reach_s: float) -> None:
    axes.set_xlim(-1.16, 1.16)
    axes.set_ylim(-0.16, 2.32 * PAGE_IN / (WIDTH_IN - 1.0) - 0.16)
    axes.set_aspect("equal")
    style.no_frame(axes)
    style.line(axes, [-1.04, 1.04], [0, 0], style.MUTED, 0.6)
    reach_m = 0.5 * place.speed_of_sound_m_s * reach_s
    step_m = next((step for step in STEPS_M if reach_m / step <= 6), STEPS_M[-1])
    for metres in np.arange(step_m, reach_m, step_m):
        at = float(metres / reach_m)
        for side in (-1, 1):
            style.line(axes, [side * at, side * at], [0, -0.014], style.MUTED, 0.6)
            style.label(axes, side * at, -0.04, f"{metres:g} m", 7.5, style.MUTED, ha="center")
        delay_ms = 1000 * at * reach_s
        style.label(axes, at, -0.075, f"{delay_ms:.0f} ms", 6.5, style.MUTED, ha="center")
    style.dot(axes, 0, 0, "o", 5, color=style.DARK, zorder=5)
    style.label(axes, 0, -0.045, "the machine", 7.5, style.MUTED, ha="center")


def _draw_ground(axes: Axes, found: Detection, reach_s: float) -> None:
    """Rings of grey: the mean's gain over its own standard deviation, in steps of delay."""
    from matplotlib.collections import LineCollection

    kept = found.delay_s <= reach_s
    score = np.abs(found.gain[kept]) / found.spread[kept]
    edges = np.linspace(found.delay_s[0], min(reach_s, float(found.delay_s[-1])), RINGS + 1)
    place = np.clip(np.searchsorted(found.delay_s[kept], edges), 0, len(score) - 1)
    tops = np.maximum.reduceat(score, place[:-1])
    angles = np.linspace(0, math.pi, 181)
    arc = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    rings = [arc * (0.5 * (low + high) / reach_s) for low, high in pairwise(edges)]
    ink = 0.3 * np.clip((tops - 2.0) / 8.0, 0, 1)
    colours = [(0.14, 0.15, 0.18, float(share)) for share in ink]
    axes.add_collection(LineCollection(rings, colors=colours, linewidths=1.2, zorder=1))


def _draw_echo(axes: Axes, echo: Echo, number: int, report: PlaceReport, reach_s: float) -> None:
    loudest_db = max(other.level_db for other in report.echoes)
    share = float(np.clip(1 - (loudest_db - echo.level_db) / RANGE_DB, 0.0, 1.0))
    radius = echo.delay_s / reach_s
    angles = np.linspace(0, math.pi, 361)
    grey = 0.55 - 0.42 * share
    colour = str(round(grey, 3))
    broad = THIN_PT + (BROAD_PT - THIN_PT) * share
    style.line(axes, radius * np.cos(angles), radius * np.sin(angles), colour, broad, zorder=3)
    at = math.radians(ANGLES[number % len(ANGLES)])
    x, y = radius * math.cos(at), radius * math.sin(at)
    ground = {"facecolor": style.BACKGROUND, "edgecolor": "none", "pad": 1.5}
    text = f"{echo.distance_m:.1f} m"
    style.label(axes, x, y, text, 11, ha="center", family=style.TITLE_FONT, zorder=6, bbox=ground)
    below = f"{1000 * echo.delay_s:.0f} ms, {echo.level_db:.0f} dB"
    style.label(axes, x, y - 0.05, below, 6.5, style.MUTED, ha="center", zorder=5, bbox=ground)


def _draw_foot(axes: Axes, report: PlaceReport) -> None:
    axes.axis("off")
    axes.set_xlim(0, 1)
    axes.set_ylim(0, FOOT_IN)
    place = report.place
    texts = [_in_a_line(report), _of_the_air(place)]
    for row, text in enumerate(texts):
        style.label(
            axes, 0.0, FOOT_IN - 0.1 - 0.2 * row, text, 8, style.DARK if row else style.MUTED
        )


def _in_a_line(report: PlaceReport) -> str:
    place = report.place
    paths = [
        f"echo {number}: {echo.path}"
        for number, echo in enumerate(report.echoes, start=1)
        if echo.path
    ]
    said = [
        place.answer,
        *paths,
        f"heard from {place.near_m:g} to {place.farthest_m:g} m",
        f"{place.background_db:.0f} dB re full scale between the strokes",
    ]
    return "   ·   ".join(said)


def _of_the_air(place: Place) -> str:
    costs_cm = 100 * place.kelvin_costs_m
    return (
        f"A kelvin warmer, and a wall at 100 m stands {costs_cm:.0f} cm farther off than written."
    )

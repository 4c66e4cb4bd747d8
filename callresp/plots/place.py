"""The page of a place: what it gives back, drawn outward from the machine.

The machine stands at the foot; delay runs outward, as sound does, and each return
is an arc, the blacker and the broader the louder it is, broken where it came by way of
two walls. What the strokes' mean held beside the returns lies in grey between the arcs:
chance, and what rings on.
"""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from callresp.io.place import Echo, Place, PlaceReport
from callresp.io.wording import counted
from callresp.plots import style
from callresp.plots.excerpt_picture import readable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from callresp.echoes.detection import Detection

Values = npt.NDArray[np.float64]

WIDTH_IN, PAGE_IN, FOOT_IN = 9.0, 4.4, 0.62
RINGS, PIXELS = 520, 700
# Grey of the loudest, and how far below it all is white; chance comes to so many standard
# deviations now and then, and seldom to twice that.
DARKEST, GROUND_DB, CHANCE = 0.45, 40.0, 2.5
STEPS_M = (1, 2, 5, 10, 20, 50, 100, 200, 500)
# Ink of the loudest return, and of one this far below it.
BROAD_PT, THIN_PT, RANGE_DB = 5.0, 0.8, 30.0
# Within this share of the page a label stands upright over its arc.
NEAR = 0.25
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
    return readable(Path(place.place).stem) if place.place else "the place"


def _facts(place: Place) -> list[str]:
    facts = [
        f"asked by {counted(place.strokes, 'stroke')} on {place.striker}",
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
    """What the mean held at each delay beside chance, as grey: the louder the darker."""
    size = np.abs(found.gain)
    score = size / found.spread
    level = 1 + 20 * np.log10(np.maximum(size / size.max(), 1e-6)) / GROUND_DB
    shown = np.clip(level, 0, 1) * np.clip((score - CHANCE) / CHANCE, 0, 1)
    place = np.searchsorted(found.delay_s, np.linspace(0.0, reach_s, RINGS + 1))
    ink = np.zeros(RINGS)
    for ring, (first, last) in enumerate(pairwise(place)):
        if last > first:
            ink[ring] = DARKEST * float(shown[first:last].max())
    across = (np.arange(2 * PIXELS) + 0.5) / PIXELS - 1
    radius = np.hypot(across[None, :], across[PIXELS:][::-1, None])
    shade = np.zeros((*radius.shape, 4))
    shade[:, :, :3] = (0.14, 0.15, 0.18)
    inside = radius < 1
    shade[inside, 3] = ink[(radius[inside] * RINGS).astype(np.int64)]
    axes.imshow(shade, extent=(-1, 1, 0, 1), zorder=1, interpolation="antialiased")


def _draw_echo(axes: Axes, echo: Echo, number: int, report: PlaceReport, reach_s: float) -> None:
    loudest_db = max(other.level_db for other in report.echoes)
    share = float(np.clip(1 - (loudest_db - echo.level_db) / RANGE_DB, 0.0, 1.0))
    radius = echo.delay_s / reach_s
    angles = np.linspace(0, math.pi, 361)
    colour = str(round(0.55 - 0.42 * share, 3))
    broad = THIN_PT + (BROAD_PT - THIN_PT) * share
    # By way of two walls, or of one twice: there is no wall so far off.
    dashes = (0, (2.2, 1.1)) if echo.path else "-"
    x, y = radius * np.cos(angles), radius * np.sin(angles)
    style.line(axes, x, y, colour, broad, zorder=3, ls=dashes)
    turn = 90.0 if radius < NEAR else ANGLES[number % len(ANGLES)]
    at_x, at_y = radius * math.cos(math.radians(turn)), radius * math.sin(math.radians(turn))
    facts = f"{1000 * echo.delay_s:.0f} ms, {echo.level_db:.0f} dB".replace("-", "−")
    texts = [f"{echo.distance_m:.1f} m", facts]
    if echo.path:
        texts = [echo.path.removeprefix("perhaps "), facts]
    if echo.level_db == loudest_db:
        texts.append("the machine joins this one")
    _tell(axes, at_x, at_y, texts, small=bool(echo.path))


def _tell(axes: Axes, x: float, y: float, texts: list[str], small: bool) -> None:
    """Lines of text on a clear ground, one below the other."""
    from matplotlib.artist import Artist
    from matplotlib.offsetbox import AnnotationBbox, TextArea, VPacker

    large = {"fontsize": 8.5 if small else 12, "family": style.TITLE_FONT, "color": style.DARK}
    fine = {"fontsize": 6.5, "color": style.MUTED}
    lines = [TextArea(text, textprops=fine if row else large) for row, text in enumerate(texts)]
    ground = {"facecolor": style.BACKGROUND, "edgecolor": "none", "boxstyle": "round,pad=0.15"}
    packed = VPacker(children=list[Artist](lines), align="center", pad=0, sep=1.5)
    axes.add_artist(AnnotationBbox(packed, (x, y), bboxprops=ground, zorder=6))


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
    said = [
        place.answer,
        f"heard from {place.near_m:g} to {place.farthest_m:g} m",
        f"\N{MINUS SIGN}{abs(place.background_db):.0f} dB re full scale between the strokes",
    ]
    return "   ·   ".join(said)


def _of_the_air(place: Place) -> str:
    costs_cm = 100 * place.kelvin_costs_m
    return (
        f"A kelvin warmer, and a wall at 100 m stands {costs_cm:.0f} cm farther off than written."
    )

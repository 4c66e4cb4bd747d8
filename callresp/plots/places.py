"""Places by the hour: rows are places, columns the day, the sun's line through it.

The same table is drawn as a picture and set into a page that opens offline. There is no
map. What was not listened to is hatched, so that it is not taken for silence; calls stand
in each field as a number, too, since a shade alone is hard to read.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from callresp.plots import style
from callresp.plots.report import page_of
from callresp.plots.style import label, side_label
from callresp.scout.ranking import PlaceHour

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_IN, ROW_IN = 10.0, 0.42
LEFT_IN, RIGHT_IN = 1.7, 0.4
LINES_IN = 2.0
RANKED_MAX = 20
MARKS = "os^Dv<>"


@dataclass(frozen=True, slots=True)
class SunLine:
    """Hours of sunrise and sunset at a place, on the clock of its zone; `without` says why none."""

    sunrise_h: float | None
    sunset_h: float | None
    without: str = ""


def draw_places(
    path: Path,
    clock: Sequence[PlaceHour],
    sunrise: Sequence[PlaceHour],
    suns: Mapping[str, SunLine],
    title: str,
    facts: Sequence[str],
) -> None:
    """Draw calls an hour by place, over the clock and over time from sunrise.

    Parameters
    ----------
    path
        The picture to write.
    clock, sunrise
        Hours of the day, and from sunrise; the latter may be empty.
    suns
        The sun at each place that has coordinates.
    title
        Of the picture.
    facts
        At its head, below the title; a picture without any has no head.
    """
    places = list(dict.fromkeys(one.place for one in clock))
    parts = [("title", 0.3, 0.8)] if facts else []
    parts.append(("day", 0.45, ROW_IN * max(len(places), 1)))
    if sunrise:
        parts.append(("sunrise", 0.9, LINES_IN))
    parts.append(("foot", 0.0, 0.6))
    with style.drawing_style():
        figure, axes = style.stacked(parts, WIDTH_IN, LEFT_IN, RIGHT_IN)
        axes["foot"].axis("off")
        if facts:
            style.draw_title(axes["title"], title, facts)
        _day(axes["day"], places, clock, suns)
        if sunrise:
            _from_sunrise(axes["sunrise"], places, sunrise)
        style.save(figure, path, title, dpi=150)


def _day(
    axes: Axes, places: Sequence[str], hours: Sequence[PlaceHour], suns: Mapping[str, SunLine]
) -> None:
    from matplotlib.patches import Rectangle

    axes.set_xlim(0, 24)
    axes.set_ylim(max(len(places), 1), 0)
    most = max((one.calls_per_h for one in hours), default=0.0) or 1.0
    for row in range(len(places)):
        blank = Rectangle((0, row + 0.04), 24, 0.92, fc=style.BACKGROUND, ec=style.GRID, lw=0)
        blank.set_hatch("////")
        axes.add_patch(blank)
    for one in hours:
        row = places.index(one.place)
        share = one.calls_per_h / most
        axes.add_patch(Rectangle((one.hour, row + 0.04), 1, 0.92, fc=style.BACKGROUND, lw=0))
        axes.add_patch(
            Rectangle((one.hour, row + 0.04), 1, 0.92, fc=style.CALL, alpha=0.75 * share, lw=0)
        )
        ink = style.BACKGROUND if share > 0.6 else style.DARK
        label(axes, one.hour + 0.5, row + 0.5, f"{one.calls_per_h:.0f}", 7.5, ink, ha="center")
    for name in ("sunrise_h", "sunset_h"):
        known = [
            (getattr(suns[place], name), row)
            for row, place in enumerate(places)
            if place in suns and getattr(suns[place], name) is not None
        ]
        across = [at for at, _ in known for _ in (0, 1)]
        down = [edge for _, row in known for edge in (row, row + 1)]
        if known:
            style.line(axes, across, down, style.ANSWER, 1.6)
            label(axes, across[0], -0.12, name[:-2], 7.5, style.ANSWER, ha="center", va="bottom")
    for row, place in enumerate(places):
        side_label(axes, -0.01, row + 0.5, place, 8.5)
    axes.set_yticks([])
    axes.set_xticks(range(0, 25, 3), [f"{hour}:00" for hour in range(0, 25, 3)])
    axes.set_xlabel("calls an hour, by the clock of the place; hatched: not listened to")


def _from_sunrise(axes: Axes, places: Sequence[str], hours: Sequence[PlaceHour]) -> None:
    colours = style.voice_colours(places)
    for place in places:
        own = sorted((one for one in hours if one.place == place), key=lambda one: one.hour)
        if not own:
            continue
        calls = {one.hour: one.calls_per_h for one in own}
        # No line where an hour was not listened to.
        span = range(own[0].hour, own[-1].hour + 1)
        shown = [calls.get(hour, float("nan")) for hour in span]
        middles = [hour + 0.5 for hour in span]
        mark = MARKS[places.index(place) % len(MARKS)]
        axes.plot(
            middles,
            shown,
            f"{mark}-",
            color=colours[place],
            lw=1.4,
            ms=4.5,
            label=place,
            alpha=0.85,
        )
    low, high = min(one.hour for one in hours), max(one.hour for one in hours) + 1
    axes.set_xlim(low, high)
    axes.set_ylim(bottom=0)
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=4, frameon=False, fontsize=7.5)
    axes.axvline(0, color=style.ANSWER, lw=1.6)
    axes.set_xlabel("hours from sunrise")
    axes.set_ylabel("calls an hour")
    axes.grid(axis="y", color=style.GRID, lw=0.5)


def places_page(
    picture: Path,
    ranked: Sequence[PlaceHour],
    suns: Mapping[str, SunLine],
    findings: Sequence[str],
    title: str,
    facts: Sequence[str],
    cautions: Sequence[str],
) -> str:
    """Make the page: one HTML file that needs no network, with the picture in it.

    Parameters
    ----------
    picture
        The drawing without a head, as a PNG file.
    ranked
        Hours at places, the best first.
    suns
        Sunrise and sunset by place.
    findings, facts
        Lines on what was found, and on what it rests.
    title
        At the top.
    cautions
        What to mind on the way there.

    Returns
    -------
    str
        The page's text.
    """
    told = [
        f"{one.place}: {one.calls_per_h:.0f} calls an hour at {one.hour}:00" for one in ranked[:3]
    ]
    return page_of(
        "places",
        title=title,
        facts=facts,
        cautions=cautions,
        picture=base64.b64encode(picture.read_bytes()).decode(),
        alt="Calls an hour by place and hour. The best: " + "; ".join(told),
        ranked=ranked[:RANKED_MAX],
        left=max(0, len(ranked) - RANKED_MAX),
        polar=[f"{place}: {sun.without}" for place, sun in suns.items() if sun.without],
        findings=findings,
    )

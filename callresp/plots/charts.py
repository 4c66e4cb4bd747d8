"""Small charts of a day's page, as plain values that the page's template draws.

Conventions
-----------
- Marks are inline SVG that stretches to the width it is given; the words at the
  axes are text beside it, so they stay readable on a phone and in print.
- Colours are names of CSS classes, so that light and dark pages have their own.
- Each chart is one image to a screen reader, told by `alt`; its figures stand in
  a table near it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

TALL = 100.0
# What hardly changes is drawn on an axis as long as this.
LEAST_SPAN = 0.1
# Points of a line beyond this are thinned to the lowest and highest of each stretch.
POINTS_MAX = 600


@dataclass(frozen=True, slots=True)
class AxisTick:
    """A word at a share of the axis, 0 to 1."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class ChartLine:
    """A line of (share of the axis, value); a gap is a value that is not a number."""

    name: str
    colour: str
    points: Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar of a colour, 8 units wide, in the chart's units from its top left corner."""

    colour: str
    x: float
    y: float
    height: float


@dataclass(frozen=True, slots=True)
class Chart:
    """What the template draws.

    `wide` and `TALL` are the chart's own units; `paths` are SVG path data, each
    with its CSS classes; `keys` are (CSS class, name).
    """

    alt: str
    wide: float
    keys: tuple[tuple[str, str], ...]
    across: tuple[AxisTick, ...]
    up: tuple[AxisTick, ...]
    bars: tuple[Bar, ...] = ()
    paths: tuple[tuple[str, str], ...] = ()


def mirrored_bars(
    above: Sequence[int], below: Sequence[int], labels: Sequence[str], alt: str
) -> Chart:
    """Two rows of bars from a common line, one up and one down, on one scale.

    `alt` says what it shows, for those who can't see it.
    """
    values = [round(one) for one in axis_ticks(-max([*below, 1]), max([*above, 1]), whole=True)]
    foot, top = -values[0], values[-1]
    per = TALL / (top + foot)
    bars = []
    for number, (calls, answers) in enumerate(zip(above, below, strict=True)):
        x = 10.0 * number + 1
        bars += [Bar("call", x, (top - calls) * per, calls * per)] if calls else []
        bars += [Bar("answer", x, top * per, answers * per)] if answers else []
    every = max(1, math.ceil(len(labels) / 8))
    return Chart(
        alt=alt,
        wide=10.0 * len(labels),
        keys=(("call", "calls, upward"), ("answer", "answers, downward")),
        up=tuple(AxisTick((foot + value) / (top + foot), f"{abs(value):,}") for value in values),
        across=tuple(
            AxisTick((number + 0.5) / len(labels), text)
            for number, text in enumerate(labels)
            if number % every == 0
        ),
        bars=tuple(bars),
    )


def line_chart(
    lines: Sequence[ChartLine],
    across: Sequence[AxisTick],
    unit: str,
    alt: str,
    limit: tuple[str, float] | None = None,
) -> Chart:
    """Lines over the day, on one scale.

    The unit stands in the key, since an axis has no room for it. `limit` is the name and the
    value of a dashed line; `alt` says what it shows, for those who can't see it.
    """
    values = [value for line in lines for _, value in line.points if math.isfinite(value)]
    keys = [(line.colour, f"{line.name}, {unit}") for line in lines]
    values += [limit[1]] if limit else []
    ticks = axis_ticks(min(values, default=0.0), max(values, default=1.0))
    low, high, step = ticks[0], ticks[-1], ticks[1] - ticks[0]
    paths = [(f"line {line.colour}", _path(line, low, high)) for line in lines]
    if limit is not None:
        y = TALL * (1 - (limit[1] - low) / (high - low))
        paths.insert(0, ("limit", f"M0 {y:.2f}H1000"))
        keys.append(("limit", limit[0]))
    up = (AxisTick(n / (len(ticks) - 1), tick_text(one, step)) for n, one in enumerate(ticks))
    return Chart(
        alt=alt,
        wide=1000.0,
        keys=tuple(keys),
        up=tuple(up),
        across=tuple(across),
        paths=tuple(paths),
    )


def _path(line: ChartLine, low: float, high: float) -> str:
    steps, pen_up = [], True
    for at, value in thinned(line.points):
        if not math.isfinite(value):
            pen_up = True
            continue
        x, y = 1000 * at, TALL * (1 - (value - low) / (high - low))
        steps.append(f"{'M' if pen_up else 'L'}{x:.1f} {y:.2f}")
        pen_up = False
    return "".join(steps)


def thinned(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The lowest and highest of each stretch, so that no peak is lost."""
    if len(points) <= POINTS_MAX:
        return list(points)
    size = math.ceil(2 * len(points) / POINTS_MAX)
    kept: list[tuple[float, float]] = []
    for first in range(0, len(points), size):
        part = points[first : first + size]
        known = [point for point in part if math.isfinite(point[1])]
        if len(known) < len(part):
            kept.append((part[0][0], math.nan))
        if known:
            ends = {min(known, key=lambda p: p[1]), max(known, key=lambda p: p[1])}
            kept.extend(sorted(ends))
    return kept


def axis_ticks(low: float, high: float, whole: bool = False) -> Sequence[float]:
    """A few round values, evenly apart, the first and last of which hold what is drawn."""
    from matplotlib.ticker import MaxNLocator

    locator = MaxNLocator(4, steps=[1, 2, 5, 10], integer=whole)
    return locator.tick_values(low, max(high, low + LEAST_SPAN))


def tick_text(value: float, step: float) -> str:
    """A value on an axis, with as many digits as its step needs."""
    return f"{value:.{max(0, -math.floor(math.log10(step) + 1e-9))}f}"

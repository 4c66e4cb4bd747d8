"""Small charts as HTML: marks stretch with the page, words don't.

Conventions
-----------
- Marks are inline SVG that stretches to the width it is given; axes are words
  beside it, so they stay readable on a phone and in print.
- Inks are CSS classes, so that light and dark pages have their own.
- Each chart is one image to a reader aloud, told by `alt`; its figures stand in
  a table near it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

TALL = 100.0
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
    ink: str
    points: Sequence[tuple[float, float]]


def frame(
    marks: str, wide: float, alt: str, across: Sequence[AxisTick], up: Sequence[AxisTick]
) -> str:
    """Marks with words at both axes."""
    left = "".join(
        f'<span style="bottom:{100 * tick.at:.2f}%">{escape(tick.text)}</span>' for tick in up
    )
    below = "".join(
        f'<span style="left:{100 * tick.at:.2f}%">{escape(tick.text)}</span>' for tick in across
    )
    rules = "".join(
        f'<path class="rule" d="M0 {TALL * (1 - tick.at):.2f}H{wide:g}"/>' for tick in up
    )
    return (
        f'<div class="chart" role="img" aria-label="{escape(alt, quote=True)}">'
        f'<div class="up" aria-hidden="true">{left}</div>'
        f'<svg viewBox="0 0 {wide:g} {TALL:g}" preserveAspectRatio="none" aria-hidden="true">'
        f"{rules}{marks}</svg>"
        f'<div class="across" aria-hidden="true">{below}</div></div>'
    )


def mirrored(above: Sequence[int], below: Sequence[int], labels: Sequence[str], alt: str) -> str:
    """Two rows of bars from a common line, one up and one down, on one scale."""
    step = count_step(max([*above, *below, 1]))
    top = step * math.ceil(max([*above, 1]) / step)
    foot = step * math.ceil(max([*below, 1]) / step)
    per = TALL / (top + foot)
    zero = top * per
    marks = []
    for number, (one, other) in enumerate(zip(above, below, strict=True)):
        x = 10 * number + 1
        if one:
            marks.append(_bar("call", x, zero - one * per, one * per))
        if other:
            marks.append(_bar("answer", x, zero, other * per))
    up = [
        AxisTick((foot + value) / (top + foot), f"{abs(value):,}")
        for value in range(-foot, top + 1, step)
    ]
    every = max(1, math.ceil(len(labels) / 8))
    across = [
        AxisTick((number + 0.5) / len(labels), text)
        for number, text in enumerate(labels)
        if number % every == 0
    ]
    return frame("".join(marks), 10.0 * len(labels), alt, across, up)


def _bar(ink: str, x: float, y: float, tall: float) -> str:
    return f'<rect class="{ink}" x="{x:g}" y="{y:.2f}" width="8" height="{tall:.2f}"/>'


def lines(
    drawn: Sequence[ChartLine],
    across: Sequence[AxisTick],
    unit: str,
    alt: str,
    limit: tuple[str, float] | None = None,
) -> str:
    """Lines over the day, on one scale; `limit` is a dashed line with its name."""
    values = [value for line in drawn for _, value in line.points if math.isfinite(value)]
    if limit is not None:
        values.append(limit[1])
    low, high, step = value_axis(values)
    marks = []
    if limit is not None:
        y = TALL * (1 - (limit[1] - low) / (high - low))
        marks.append(f'<path class="limit" d="M0 {y:.2f}H1000"/>')
    marks += [_path(line, low, high) for line in drawn]
    ticks = round((high - low) / step)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    up = [AxisTick(n / ticks, f"{low + n * step:.{digits}f}") for n in range(ticks + 1)]
    up[-1] = AxisTick(1.0, f"{up[-1].text} {unit}")
    keys = "".join(
        f'<span><i class="key {line.ink}"></i>{escape(line.name)}</span>' for line in drawn
    )
    if limit is not None:
        keys += f'<span><i class="key limit"></i>{escape(limit[0])}</span>'
    return f'<p class="keys">{keys}</p>' + frame("".join(marks), 1000.0, alt, across, up)


def _path(line: ChartLine, low: float, high: float) -> str:
    words, pen_up = [], True
    for at, value in thinned(line.points):
        if not math.isfinite(value):
            pen_up = True
            continue
        x, y = 1000 * at, TALL * (1 - (value - low) / (high - low))
        words.append(f"{'M' if pen_up else 'L'}{x:.1f} {y:.2f}")
        pen_up = False
    return f'<path class="line {line.ink}" d="{"".join(words)}"/>'


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


def count_step(most: float) -> int:
    """A whole step that cuts `most` into at most three parts.

    Examples
    --------
    >>> [count_step(n) for n in (1, 4, 9, 37, 512)]
    [1, 2, 5, 20, 200]
    """
    size = int(10 ** math.floor(math.log10(max(most, 1))))
    return next(step for step in (size, 2 * size, 5 * size, 10 * size) if most / step <= 3)


def value_axis(values: Sequence[float]) -> tuple[float, float, float]:
    """Lowest, highest and step of an axis that holds all values.

    Examples
    --------
    >>> value_axis([11.2, 12.9])
    (11.0, 13.0, 0.5)
    """
    low, high = min(values, default=0.0), max(values, default=1.0)
    wide = max(high - low, 1e-6 * max(abs(low), abs(high)), 0.1)
    size = 10.0 ** math.floor(math.log10(wide))
    step = next(s for s in (0.2 * size, 0.5 * size, size, 2 * size) if wide / s <= 4.5 or s > size)
    first = step * math.floor(low / step + 1e-9)
    last = step * math.ceil(high / step - 1e-9)
    last = max(last, first + step)
    return round(first, 6), round(last, 6), round(step, 6)

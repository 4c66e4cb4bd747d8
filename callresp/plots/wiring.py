"""The wiring of a machine as a page to take to the bench: HTML, or a picture of one sheet.

Left, how every channel is wired, once; right, what each channel's parts must
stand; below, feeds, other pins, ground, and what the meter should say, in the
order in which nothing burns. The picture has the proportions of ISO 216, lying.
"""

from __future__ import annotations

import base64
import tempfile
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from callresp.plan.electrical.wiring import ChannelWiring, Wiring
from callresp.plots import style
from callresp.plots.report import page_of
from callresp.plots.style import ANSWER, DARK, GRID, MUTED, label, line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN, HEIGHT_IN = 14.14, 10.0
LEFT_IN = 0.45
SCHEMATIC_IN = (3.1, 3.9)
HEADS = (
    ("channel", 0.0),
    ("what", 0.065),
    ("pin", 0.2),
    ("driver", 0.24),
    ("Ω 20 °C", 0.345),
    ("A cold", 0.392),
    ("hot", 0.436),
    ("fuse", 0.468),
    ("wire", 0.528),
    ("transistor", 0.63),
    ("diode", 0.765),
    ("plug", 0.83),
    ("shorted", 0.872),
)
ROW_IN = 0.175


def wiring_page(wiring: Wiring) -> str:
    """The page as HTML, which opens and prints without a network."""
    return page_of(
        "wiring",
        wiring=wiring,
        facts=_facts(wiring),
        rows=[_cells(one) for one in wiring.channels],
        feeds=_feeds(wiring),
        checks=[(one.where, one.when, one.expect, "") for one in wiring.checks],
        schematic=_schematic_png(),
        schematic_told=SCHEMATIC_TOLD,
    )


def draw_wiring(path: Path, wiring: Wiring) -> None:
    """Draw the page as a picture.

    Parameters
    ----------
    path
        The file to write: .png, .svg or .pdf.
    wiring
        What is drawn.

    Raises
    ------
    UserError
        For another ending, or a folder that can't be written.
    """
    style.check_ending(path)
    # Many channels make the sheet higher, in step with its width.
    scale = max(1.0, (len(wiring.channels) + 22) / 46)
    with style.drawing_style():
        figure = style.new_figure(WIDTH_IN * scale, HEIGHT_IN * scale)
        axes = style.axes_in(figure, LEFT_IN, 0.3, WIDTH_IN * scale - 0.9, 0.7)
        style.draw_title(axes, f"{wiring.palette}: wiring", _facts(wiring))
        drawn = style.axes_in(figure, LEFT_IN, 1.25, *SCHEMATIC_IN)
        draw_schematic(drawn)
        left = LEFT_IN + SCHEMATIC_IN[0] + 0.3
        wide = WIDTH_IN * scale - left - 0.35
        under = _table(figure, left, 1.25, wide, wiring.channels)
        _foot(figure, left, max(under, 1.25) + 0.15, wide, wiring)
        _beside(figure, 1.25 + SCHEMATIC_IN[1] + 0.15, HEIGHT_IN * scale, wiring)
        style.save(figure, path, f"{wiring.palette}: wiring")


def _facts(wiring: Wiring) -> list[str]:
    return [
        f"{wiring.board}" + (f", {wiring.chip}" if wiring.chip else ""),
        f"up to {wiring.highest_v:.1f} V, copper from {wiring.coldest_c:g} °C",
        f"leads of {wiring.lead_m:g} m in air up to {wiring.hottest_c:g} °C",
        "reckoned, not measured: have someone who is qualified look at it",
    ]


def _cells(one: ChannelWiring) -> list[str]:
    """A channel's row, in the order of `HEADS`."""
    return [
        one.channel,
        one.name,
        one.pin or "?",
        one.driver,
        "" if one.ohm_20c is None else f"{one.ohm_20c:g}",
        f"{one.cold_a:.2f}",
        f"{one.hot_a:.2f}",
        f"T {one.fuse_a:g} A",
        f"{one.wire_mm2:g} mm², {one.wire_awg} AWG",
        one.transistor.removeprefix("N-channel, ").replace("at most", "≤").replace(" at 3.3 V", ""),
        one.diode.removeprefix("Schottky, "),
        one.plug.removeprefix("2-pole, locking, "),
        one.shorted,
    ]


def _feeds(wiring: Wiring) -> list[list[str]]:
    return [
        [
            one.name,
            one.channels,
            f"{one.limit_a:g} A",
            f"{'T ' if one.fuse_a <= 10 else 'blade '}{one.fuse_a:g} A",
            f"{one.wire_mm2:g} mm², {one.wire_awg} AWG",
        ]
        for one in wiring.feeds
    ]


def _table(
    figure: Figure, left: float, top: float, wide: float, channels: Sequence[ChannelWiring]
) -> float:
    """The channels; returns where it ends, in inches from the top."""
    high = ROW_IN * (len(channels) + 2)
    axes = _plain(figure, left, top, wide, high)
    for text, x in HEADS:
        label(axes, x, 1 - 0.5 * ROW_IN / high, text, 6.8, MUTED)
    for number, one in enumerate(channels):
        y = 1 - (number + 1.6) * ROW_IN / high
        line(axes, [0, 1], [y + 0.5 * ROW_IN / high] * 2, GRID, 0.5)
        for (head, x), text in zip(HEADS, _cells(one), strict=True):
            colour = ANSWER if head == "shorted" and "cut-out" in text else DARK
            label(axes, x, y, _short(text, head), 6.6, colour)
    return top + high


def _short(text: str, head: str) -> str:
    text = text.replace("needs a thermal cut-out", "cut-out!").replace(
        "the coil stands it", "stands"
    )
    text = text.replace("the fuse opens", "fuse opens")
    most = {"what": 24, "driver": 17}.get(head, 40)
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _plain(figure: Figure, left: float, top: float, wide: float, high: float) -> Axes:
    axes = style.axes_in(figure, left, top, wide, high)
    style.no_frame(axes)
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    return axes


def _foot(figure: Figure, left: float, top: float, wide: float, wiring: Wiring) -> None:
    """Feeds and other pins below the table, then the meter's list."""
    feeds = ["  ·  ".join(row) for row in _feeds(wiring)]
    others = [f"{what}: {pin}, {how}" for what, pin, how in wiring.others]
    half = wide / 2
    below = max(
        _list(figure, left, top, half - 0.2, "Feeds: channels, limit, fuse, wire", feeds),
        _list(figure, left + half, top, half, "Other pins", others),
    )
    rows = [f"{one.where}, {one.when}: {one.expect}" for one in wiring.checks]
    _list(figure, left, below + 0.12, half - 0.2, "The meter, in this order", rows)
    _list(figure, left + half, below + 0.12, half, "Ground and supply", wiring.ground)


def _beside(figure: Figure, top: float, page_in: float, wiring: Wiring) -> None:
    """Cautions and sources under the schematic."""
    wide = SCHEMATIC_IN[0]
    below = _list(figure, LEFT_IN, top, wide, "Cautions", [wiring.shorted, *wiring.cautions])
    if below < page_in - 1.2:
        _list(figure, LEFT_IN, below + 0.12, wide, "Where the values come from", wiring.sources)


def _list(
    figure: Figure, left: float, top: float, wide: float, head: str, rows: Sequence[str]
) -> float:
    """A headed list, broken to its width; returns where it ends."""
    broken = [
        part
        for row in rows
        for part in textwrap.wrap(row, round(wide * 19.5), subsequent_indent="    ")
    ]
    high = 0.14 * (len(broken) + 1.5)
    axes = _plain(figure, left, top, wide, high)
    label(axes, 0, 1 - 0.07 / high, head, 8, MUTED)
    for number, text in enumerate(broken):
        label(axes, 0, 1 - 0.14 * (number + 1.6) / high, text, 6.6)
    return top + high


SCHEMATIC_TOLD = (
    "One channel: from the supply's plus through main fuse and switch, the driver's fuse and the"
    " channel's fuse to the coil; from the coil to the drain of an N-channel transistor, whose"
    " source goes to ground. A diode lies across the coil, its cathode at plus. The chip's pin goes"
    " through 100 ohm to the gate, and 10 kilohm lie from gate to source."
)


def _schematic_png() -> str:
    with tempfile.TemporaryDirectory() as folder, style.drawing_style():
        path = Path(folder) / "schematic.png"
        figure = style.new_figure(*SCHEMATIC_IN)
        axes = style.axes_in(figure, 0.05, 0.05, SCHEMATIC_IN[0] - 0.1, SCHEMATIC_IN[1] - 0.1)
        draw_schematic(axes)
        style.save(figure, path, "how one channel is wired")
        return base64.b64encode(path.read_bytes()).decode()


def draw_schematic(axes: Axes) -> None:
    """How every channel is wired, once."""
    style.no_frame(axes)
    axes.set_xlim(0, 10)
    axes.set_ylim(0, 12.6)
    axes.set_aspect("equal", anchor="NW")
    x = 5.0
    for y0, y1 in ((12.0, 11.3), (10.5, 9.8), (9.0, 8.3), (7.5, 7.0), (5.2, 3.6), (2.2, 1.0)):
        line(axes, [x, x], [y0, y1], DARK, 1.1)
    for y, name in ((10.9, "main fuse, switch"), (9.4, "driver's fuse"), (7.9, "channel's fuse")):
        _box(axes, x - 0.3, y - 0.4, 0.6, 0.8)
        line(axes, [x, x], [y - 0.4, y + 0.4], DARK, 0.7)
        label(axes, x + 0.55, y, name, 7)
    label(axes, x, 12.35, "supply +", 7.5, ha="center")
    _coil(axes, x, 7.0, 5.2)
    _diode(axes, x + 2.2, 7.0, 5.2, x)
    _transistor_drawn(axes, x, 3.6, 2.2)
    line(axes, [x - 0.6, x + 0.6], [1.0, 1.0], DARK, 1.6)
    label(axes, x, 0.6, "star ground, supply −", 7.5, ha="center")


def _box(axes: Axes, x: float, y: float, wide: float, high: float) -> None:
    from matplotlib.patches import Rectangle

    axes.add_patch(Rectangle((x, y), wide, high, fc="none", ec=DARK, lw=1.1))


def _coil(axes: Axes, x: float, top: float, bottom: float) -> None:
    import numpy as np

    turns = np.linspace(0, 4 * np.pi * 2, 200)
    y = np.linspace(top, bottom, 200)
    line(axes, x - 0.32 * np.abs(np.sin(turns / 2)), y, DARK, 1.2)
    label(axes, x - 0.6, (top + bottom) / 2, "coil\non its plug", 7, ha="right")


def _diode(axes: Axes, x: float, top: float, bottom: float, coil_x: float) -> None:
    from matplotlib.patches import Polygon

    middle = (top + bottom) / 2
    line(axes, [coil_x, x, x], [top, top, middle + 0.35], DARK, 1.1)
    line(axes, [coil_x, x, x], [bottom, bottom, middle - 0.35], DARK, 1.1)
    triangle = [(x - 0.4, middle - 0.35), (x + 0.4, middle - 0.35), (x, middle + 0.35)]
    axes.add_patch(Polygon(triangle, closed=True, fc="none", ec=DARK, lw=1.1))
    line(axes, [x - 0.4, x + 0.4], [middle + 0.35, middle + 0.35], DARK, 1.4)
    label(axes, x + 0.6, middle, "diode,\nring to plus", 7)


def _transistor_drawn(axes: Axes, x: float, drain: float, source: float) -> None:
    gate_x, channel_x, middle = x - 1.0, x - 0.6, (drain + source) / 2
    line(axes, [channel_x, channel_x], [source + 0.1, drain - 0.1], DARK, 1.6)
    line(axes, [gate_x, gate_x], [source + 0.2, drain - 0.2], DARK, 1.2)
    line(axes, [x, x, channel_x], [drain, drain - 0.25, drain - 0.25], DARK, 1.1)
    line(axes, [x, x, channel_x], [source, source + 0.25, source + 0.25], DARK, 1.1)
    label(axes, x + 0.35, middle, "N-channel\ntransistor", 7)
    _box(axes, gate_x - 1.9, middle - 0.22, 1.1, 0.44)
    label(axes, gate_x - 1.35, middle + 0.55, "100 Ω", 7, ha="center")
    line(axes, [gate_x, gate_x - 0.8], [middle, middle], DARK, 1.1)
    line(axes, [gate_x - 1.9, gate_x - 2.5], [middle, middle], DARK, 1.1)
    label(axes, gate_x - 2.6, middle, "pin", 7.5, ha="right")
    down = gate_x - 0.4
    line(axes, [down, down], [middle, middle - 0.55], DARK, 1.1)
    _box(axes, down - 0.22, middle - 1.55, 0.44, 1.0)
    line(axes, [down, down, x], [middle - 1.55, 1.2, 1.2], DARK, 1.1)
    label(axes, down - 0.4, middle - 1.05, "10 kΩ", 7, ha="right")

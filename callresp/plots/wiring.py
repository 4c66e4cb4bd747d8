"""The wiring of a machine as a page to take to the bench, in HTML that prints on one sheet.

How every channel is wired, once; what each channel's parts must stand; feeds,
other pins, ground, and what the meter should say, in the order in which nothing burns.
"""

from __future__ import annotations

import base64
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from callresp.plan.electrical.wiring import ChannelWiring, Wiring
from callresp.plots import style
from callresp.plots.report import page_of
from callresp.plots.style import DARK, label, line

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SCHEMATIC_IN = (3.1, 3.9)


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


def _facts(wiring: Wiring) -> list[str]:
    return [
        f"{wiring.board}" + (f", {wiring.chip}" if wiring.chip else ""),
        f"up to {wiring.highest_v:.1f} V, copper from {wiring.coldest_c:g} °C",
        f"leads of {wiring.lead_m:g} m in air up to {wiring.hottest_c:g} °C",
        "reckoned, not measured: have someone who is qualified look at it",
    ]


def _cells(one: ChannelWiring) -> list[str]:
    """A channel's row, in the order of the template's columns."""
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

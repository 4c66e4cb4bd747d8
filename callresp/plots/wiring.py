"""The wiring of a machine as a page to take to the bench, in HTML that prints on one sheet.

How every channel is wired, once; what each channel's parts must stand; feeds,
other pins, ground, and what the meter should say, in the order in which nothing burns.
"""

from __future__ import annotations

from callresp.plan.electrical.wiring import ChannelWiring, Wiring
from callresp.plots.report import page_of


def wiring_page(wiring: Wiring) -> str:
    """The page as HTML, which opens and prints without a network."""
    return page_of(
        "wiring",
        wiring=wiring,
        facts=_facts(wiring),
        rows=[_cells(one) for one in wiring.channels],
        feeds=_feeds(wiring),
        checks=[(one.where, one.when, one.expect, "") for one in wiring.checks],
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

"""``callresp wiring``: a palette in, the page for the bench out."""

from __future__ import annotations

import click

from callresp.verbs import options


@click.command(name="wiring")
@click.argument("palette")
@options.output("Page to write (.html); a browser prints it on one sheet.")
@options.number(
    "--lead",
    (0.05, 50.0),
    "Metres of wire to each coil and motor, one way.",
    default=2.0,
    fills="lead_m",
)
@options.number(
    "--hottest",
    (-40.0, 80.0),
    "Warmest air around the wires, in °C.",
    default=40.0,
    fills="hottest_c",
)
@options.json("Print one JSON object; write no file.")
def command(**given: object) -> None:
    """Print the wiring of a machine: a page to take to the bench.

    For each channel its pin, driver, currents with cold and hot copper, fuse,
    wire, transistor, diode and plug, from published tables; feeds, ground, and
    what the meter should say, in the order in which nothing burns. PALETTE is a
    shipped name or a TOML file. The page is no substitute for someone who is
    qualified: local codes and licensed practice go first. Status 1 when the
    palette names no pins.

    \b
    Examples:
      callresp wiring fettle                          writes fettle.wiring.html
      callresp wiring mine.toml -o bench.html --lead 3.5
      callresp wiring fettle --json | jq '.channels[] | {channel, fuse_a, wire_mm2}'
    """
    options.call("wiring.run", given)

"""``callresp wiring``: a palette in, the page for the bench out."""

from __future__ import annotations

from pathlib import Path

import click

from callresp.commands import options, ui
from callresp.io.files import write_text
from callresp.io.wording import counted
from callresp.palette.files import load_palette
from callresp.plan.electrical.wiring import wiring_of
from callresp.plots.wiring import draw_wiring, wiring_page


@click.command(name="wiring")
@click.argument("palette")
@options.output("Page (.html) or picture (.png, .svg, .pdf) to write.")
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
def command(
    palette: str, output: Path | None, lead_m: float, hottest_c: float, as_json: bool
) -> None:
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
      callresp wiring mine.toml -o mine.pdf --lead 3.5
      callresp wiring fettle --json | jq '.channels[] | {channel, fuse_a, wire_mm2}'
    """
    machine = load_palette(palette)
    told = wiring_of(machine, lead_m, hottest_c)
    if as_json:
        ui.emit(told)
    else:
        own = Path(palette)
        output = output or own.with_name(f"{own.stem}.wiring.html")
        page = output.suffix.lower() in (".html", ".htm")
        ui.target(output, palette, writes="page" if page else "picture")
        if page:
            write_text(output, wiring_page(told))
        else:
            draw_wiring(output, told)
        ui.say(f"wrote {output}: {counted(len(told.channels), 'channel')}")
        ui.warn(told.cautions[0])
    if machine.board.pins is None:
        ui.look("the palette names no pins: add [board.pins], as in 'fettle'")

"""``callresp wiring``: a palette in, the page for the bench out."""

from __future__ import annotations

from pathlib import Path

from callresp.commands import ui
from callresp.io.files import write_text
from callresp.io.wording import counted
from callresp.palette.files import load_palette
from callresp.plan.electrical.wiring import wiring_of
from callresp.plots.wiring import wiring_page


def run(palette: str, output: Path | None, lead_m: float, hottest_c: float, as_json: bool) -> None:
    """Print the wiring of a machine: a page to take to the bench."""
    machine = load_palette(palette)
    told = wiring_of(machine, lead_m, hottest_c)
    if as_json:
        ui.emit(told)
    else:
        own = Path(palette)
        output = output or own.with_name(f"{own.stem}.wiring.html")
        ui.target(output, palette, writes="page")
        write_text(output, wiring_page(told))
        ui.say(f"wrote {output}: {counted(len(told.channels), 'channel')}")
        ui.warn(told.cautions[0])
    if machine.board.pins is None:
        ui.look("the palette names no pins: add [board.pins], as in 'fettle'")

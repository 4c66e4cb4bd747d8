"""``callresp sheet``: a palette in, its workshop sheet out."""

from __future__ import annotations

from pathlib import Path

import click

from callresp.commands import options, ui


@click.command(name="sheet")
@click.argument("palette")
@options.output("Picture to write: .png, .svg or .pdf.")
@options.json()
def command(palette: str, output: Path | None, as_json: bool) -> None:
    """Draw the workshop sheet of a palette: one page to print and hang up.

    Strikers on a pitch axis with their partials and ring times, free and
    damped; how fast each may be struck again; latency, force, coils, supply.
    PALETTE is a shipped name or a TOML file.

    \b
    Examples:
      callresp sheet fettle                           writes fettle.sheet.png
      callresp sheet mine.toml -o mine.pdf            lies on A4 or A3
    """
    from callresp.palette.files import load_palette
    from callresp.plots.sheet import draw_sheet

    machine = load_palette(palette)
    own = Path(palette)
    target = ui.target(output or own.with_name(f"{own.stem}.sheet.png"), palette)
    draw_sheet(target, machine)
    if as_json:
        instruments = len(machine.striker) + len(machine.turner)
        ui.emit({"path": str(target), "palette": machine.name, "instruments": instruments})
        return
    ui.say(f"wrote {target}")

"""``callresp palette`` and ``callresp sheet``: check a palette, say what it can do, draw it."""

from __future__ import annotations

import click

from callresp.verbs import options


@click.command(name="palette")
@click.argument("name", required=False)
@click.option("--copy", "target", type=options.PATH, help="Copy the palette to a file of your own.")
@options.json()
def palette_command(**given: object) -> None:
    """Check a palette, print it, and say what its machine can do.

    NAME is a shipped palette or a TOML file; without it the shipped ones are
    listed. A fault of a file is told with its line, its key and what may stand
    there, all at once where it is tables that contradict each other; the status
    is then 2.

    \b
    Examples:
      callresp palette                                lists the shipped palettes
      callresp palette fettle
      callresp palette pocket --copy mine.toml        then change it to your machine
      callresp palette mine.toml --json | jq .ability.supply.idle_hours
    """
    options.call("palette.run_palette", given)


@click.command(name="sheet")
@click.argument("palette")
@options.output("Picture to write: .png, .svg or .pdf.")
@options.json()
def sheet_command(**given: object) -> None:
    """Draw the workshop sheet of a palette: one page to print and hang up.

    Strikers on a pitch axis with their partials and ring times, free and
    damped; how fast each may be struck again; latency, force, coils, supply.
    PALETTE is a shipped name or a TOML file.

    \b
    Examples:
      callresp sheet fettle                           writes fettle.sheet.png
      callresp sheet mine.toml -o mine.pdf            lies on A4 or A3
    """
    options.call("palette.run_sheet", given)

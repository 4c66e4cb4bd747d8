"""``callresp places``: which place, which hour, and what a machine would do there."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import FOLDER, PATH


@click.command(name="places")
@click.argument("folder", type=FOLDER)
@options.like
@click.option("-o", "--output", type=PATH, help="Page to write; else places.html.")
@click.option("--picture", type=PATH, help="Picture to write, too.")
@click.option("--csv", "table", type=PATH, help="Table of all hours to write, too.")
@click.option("--palette", help="Try this machine there, too: a shipped name or a TOML file.")
@click.option("--rules", help="By this rule set, with --palette; else 'answer'.")
@options.whole("--workers", (1, None), "Processes; else one for each core.")
@options.json("One JSON object: hours ranked, from sunrise, and what is odd. Nothing else.")
def command(**given: object) -> None:
    """Say which place and which hour is worth going for, and why.

    FOLDER holds a folder for each place, or a places.toml with names,
    coordinates and zones. Calls are counted by the clock and from sunrise,
    beside wind, quiet and rests; with --palette the same replier as in the
    field is run over each recording. Clocks that are off, doubled files and
    gaps are told. Status 1 when something needs a look.

    \b
    Examples:
      callresp places recordings/ --like call.wav
      callresp places recordings/ --like call.wav --palette mine.toml --rules answer
      callresp places recordings/places.toml --like call.wav --csv hours.csv --json
    """
    options.call("places.run", given)

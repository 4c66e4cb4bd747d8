"""``callresp desk``: tune by ear and eye, in this machine's own browser."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import FOLDER


@click.command(name="desk")
@click.argument("source", type=FOLDER)
@click.option("--palette", help="Shipped name or TOML file; else the source's own, or fettle.")
@click.option("--rules", help="Shipped name or TOML file; else the source's own, or answer.")
@options.whole("--port", (0, 65535), "Of the page; 0 is any that is free.", default=0)
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to serve at.")
@click.option("--machine", metavar="PORT", help="Port of a board; others are listed on the page.")
@click.option("--no-browser", is_flag=True, help="Only print the page's address.")
@options.json("Print the address as one JSON object.")
def command(**given: object) -> None:
    """Open a page to tune by ear and eye: score, rules, palette, mix, machine.

    SOURCE is a recording, a heard score, a reply, a plan, a field log, or a
    folder of them. The page's address, with its token, is the first line on
    standard output; it is served until Ctrl-C, to this machine only unless
    --host says otherwise. Every change is journalled beside the source; rule
    files are written only when you save.

    \b
    Examples:
      callresp desk dawn.wav
      callresp desk dawn.plan.jsonl --rules mine.toml
      callresp desk recordings/ --port 8020 --no-browser
      callresp desk dawn.wav --machine /dev/ttyACM0      hear it on the strikers themselves
    """
    options.call("desk.run", given)

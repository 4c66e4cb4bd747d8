"""``callresp compare``: what several detectors hear in one recording."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="compare")
@click.argument("recording", required=False, type=PATH)
@click.option("--detector", "names", multiple=True, help="A detector's name; give it again.")
@click.option("--list", "as_list", is_flag=True, help="List the detectors and what is missing.")
@click.option(
    "--labels",
    type=PATH,
    help="Marks made by hand: a label track, or CSV of onset_s,offset_s[,label].",
)
@click.option(
    "--span",
    "spans",
    type=PATH,
    help="The stretches that were marked, likewise.",
)
@options.profile
@options.channel
@options.number("--from", (0, None), "Draw from this second on.", fills="from_s")
@options.number("--to", (0, None), "Draw up to this second.", fills="to_s")
@click.option("--keep", is_flag=True, help="Write each heard score too.")
@options.output("Picture to draw.")
@options.json("One JSON object; no picture without -o.")
def command(**given: object) -> None:
    """Hear a recording with several detectors: count and draw how they agree.

    With marks made by hand it scores each detector against them, so that you
    can measure your own site. Mark some minutes in any audio editor; say with
    --span which stretches you marked.

    \b
    Examples:
      callresp compare dawn.wav                     draws dawn.compare.png
      callresp compare dawn.wav --detector native --detector cnn
      callresp compare dawn.wav --labels marks.csv --span spans.csv
      callresp compare dawn.wav --from 120 --to 140 -o stretch.pdf
      callresp compare --list
    """
    options.call("compare.run", given)

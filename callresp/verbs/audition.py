"""``callresp audition``: several rule sets, or one setting swept, on one recording."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="audition")
@click.argument("source", type=PATH)
@click.option("--rules", multiple=True, help="A shipped name or a TOML file; give several.")
@options.palette
@options.seed
@click.option("--sweep", metavar="KEY=A..B", help="Try one setting of the first rule set instead.")
@options.whole("--steps", (2, 50), default=5)
@click.option("--mix", is_flag=True, help="Write a rehearsal mix of each beside the recording.")
@click.option("-o", "--picture", type=PATH, help="Draw them side by side (.png, .svg or .pdf).")
@options.json("One JSON object an audition.")
def command(**given: object) -> None:
    """Hear several rule sets on one recording, side by side.

    SOURCE is a recording, or a heard score. Without --rules all shipped sets
    are tried. A sweep tries one setting over a range: 'rule.1.stretch=0.5..3'
    is the first rule's stretch, 'manners.share_max=0.1..0.5' a manner.

    \b
    Examples:
      callresp audition dawn.wav
      callresp audition dawn.heard.jsonl --rules shadow --rules mine.toml -o two.png --mix
      callresp audition dawn.heard.jsonl --rules answer --sweep rule.1.stretch=0.5..3
    """
    options.call("audition.run", given)

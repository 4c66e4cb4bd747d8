"""``callresp explain``: why a stretch was heard as it was."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="explain")
@click.argument("recording", type=PATH)
@options.number("--from", (0, None), "Begin at this second.", default=0.0, fills="from_s")
@options.number("--to", (0, None), "End at this second; else 4 s on.", fills="to_s")
@options.profile
@options.channel
@options.output("Picture to draw.")
@options.json("One JSON object; no picture without -o.")
def command(**given: object) -> None:
    """Draw what the listener went by in one stretch: why a call was missed or split.

    Shows the floor, the partials, the edges of each note, and everything that
    was weighed and left out, with the reason and the setting of a listening
    profile that would change it. Tells who sang each note of the stretch, and what
    speaks for that: the gap to the singer's other notes, overlap, level, repertoire,
    and how much less alike the bouts of two singers are than those of either.

    \b
    Examples:
      callresp explain dawn.wav --from 12 --to 15       draws dawn.explain.png
      callresp explain dawn.wav --from 12 --profile mine.toml -o why.pdf
      callresp explain dawn.wav --from 12 --json | jq .left_out
    """
    options.call("explain.run", given)

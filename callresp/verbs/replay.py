"""``callresp replay``: a day in the field, answered again by other rules."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="replay")
@click.argument("log", type=PATH)
@click.option("--rules", multiple=True, help="A shipped name or a TOML file; give several.")
@options.own_palette("log's")
@options.seed
@click.option("--from", "from_", metavar="HH:MM", help="Only calls from this time of day on.")
@click.option("--to", "to", metavar="HH:MM", help="Only calls before it.")
@options.output("Heard score to write; others stand beside it.")
@click.option("--plan", "plans", is_flag=True, help="Write each reply and its plan.")
@click.option("--mix", is_flag=True, help="Write each rehearsal: the machine over the silence.")
@click.option("--picture", is_flag=True, help="Draw each as a round score (PNG).")
@options.json()
def command(**given: object) -> None:
    """Take a day's log and answer its calls again, by the same rules and by others.

    The calls of the log become a heard score, like that of any recording. They
    are answered anew by the rules that you name and by the day's own, planned
    for the palette, and set beside what was played that day. At the desk a reply
    knows what sings next, in the field it did not: the day's own rules, answered
    anew, show how much that is.

    \b
    Examples:
      callresp replay carr.log                   writes carr.heard.jsonl
      callresp replay carr.log --rules shadow --rules mine.toml
      callresp replay carr.log --rules shadow --from 04:30 --to 05:30 --mix --picture
    """
    options.call("replay.run", given)

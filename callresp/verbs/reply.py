"""``callresp reply``: a heard score in, a reply score out."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="reply")
@click.argument("heard", type=PATH)
@options.palette
@options.rules
@options.seed
@options.place
@options.output("Reply score to write.")
@click.option("--explain", is_flag=True, help="List every reply note and silence with its reason.")
@options.json()
def command(**given: object) -> None:
    """Answer a heard score with a palette and a rule set.

    The machine waits for phrases to close, gives way as its manners say, and
    writes for each note which heard note and which rule it came from.

    \b
    Examples:
      callresp reply dawn.heard.jsonl                 writes dawn.reply.jsonl
      callresp reply dawn.heard.jsonl --rules shadow --explain
      callresp reply dawn.heard.jsonl --palette mine.toml --rules mine-rules.toml
      callresp reply dawn.heard.jsonl --rules canyon --place quarry.place.jsonl
    """
    options.call("reply.run", given)

"""``callresp rhythm``: the rhythm of every phrase in a heard score."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="rhythm")
@click.argument("heard", type=PATH)
@click.option("--voice", help="This voice alone.")
@options.json("One JSON object a phrase, nothing else.")
def command(**given: object) -> None:
    """Tell the rhythm of every phrase: pace, pulse, trills, hurrying and slowing.

    A pulse has a strength from 0 to 1: at 1 it is a clock. Where a phrase has
    none, a rule set that plays on the pulse leaves its rhythm as it is.

    \b
    Examples:
      callresp rhythm dawn.heard.jsonl
      callresp rhythm dawn.heard.jsonl --voice E
      callresp rhythm dawn.heard.jsonl --json | jq .pulse_s
    """
    options.call("rhythm.run", given)

"""``callresp check``: a reply score in, a plan out, and what the limits changed."""

from __future__ import annotations

import click

from callresp.plan.model import PREFERENCE
from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="check", epilog=PREFERENCE)
@click.argument("reply", type=PATH)
@options.own_palette("reply's")
@options.output("Plan to write.")
@options.json()
@click.option("--changes", "list_changes", is_flag=True, help="List every change, not the sums.")
def command(**given: object) -> None:
    """Hold a reply against the machine: make a plan, list what changed.

    The plan keeps every limit of the palette: pauses between strokes, on-time,
    relative on-time and heat of each coil, current of each driver and of the
    supply, speeds, spells and turns of motors, charge and sag of the battery.
    Ends with status 0 when all is played as asked, 1 when something had to be
    changed or dropped.

    \b
    Examples:
      callresp check dawn.reply.jsonl                 writes dawn.plan.jsonl
      callresp check dawn.reply.jsonl --palette mine.toml --changes
      callresp check dawn.reply.jsonl --json | jq .battery_hours
    """
    options.call("check.run", given)

"""``callresp advise``: what a palette's strikers can't do for a recording."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="advise")
@click.argument("heard", type=PATH)
@click.argument("reply", type=PATH, required=False)
@click.option("--palette", help="A shipped name or a TOML file; else the reply's own, or fettle.")
@options.rules
@options.whole("--tries", (0, 100), "Pitches to try for one added striker.", default=12)
@options.json()
def command(**given: object) -> None:
    """Say which calls no striker can answer, and what one added striker would do.

    Also which strikers are overworked (in REPLY, else in the answer that the
    rules give) and which sound too alike to carry different pitches. An added
    striker is tried, not guessed: the recording is answered and planned anew
    with each. A pitch counts as answered within half a semitone, in any octave.

    \b
    Examples:
      callresp advise dawn.heard.jsonl
      callresp advise dawn.heard.jsonl dawn.reply.jsonl --palette mine.toml
      callresp advise dawn.heard.jsonl --rules shadow --tries 40
    """
    options.call("advise.run", given)

"""``callresp voices``: the singers of a heard score, put right by hand."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="voices")
@click.argument("heard", type=PATH)
@click.option("--merge", nargs=2, multiple=True, metavar="A B", help="B is A; may be given again.")
@click.option("--split", multiple=True, metavar="A", help="A is two singers; may be given again.")
@options.output("Heard score to write; else the old one is kept under another name.")
@options.profile
@options.json()
def command(**given: object) -> None:
    """List the singers of a heard score, or merge two voices or split one.

    What was changed is kept in the score's header. Phrases are closed anew, by the rests that
    they were closed by before, or those of --profile. Without -o the changed score takes the old
    one's place, and the old one is kept beside it as NAME.1.heard.jsonl, NAME.2.heard.jsonl and
    so on.

    \b
    Examples:
      callresp voices dawn.heard.jsonl
      callresp voices dawn.heard.jsonl --merge A C
      callresp voices dawn.heard.jsonl --split B -o mended.heard.jsonl
    """
    options.call("voices.run", given)

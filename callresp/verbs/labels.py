"""``callresp labels``: a heard score out to an editor of labels, and back."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="labels")
@click.argument("heard", type=PATH)
@click.option("--apply", "labels", type=PATH, help="Labels that came back: correct the score.")
@click.option("--recording", type=PATH, help="For new notes' levels; else looked for beside it.")
@options.output("Label track, or with --apply heard score, to write.")
@options.profile
@options.json()
def command(**given: object) -> None:
    """Write a heard score as a label track for any audio editor, and take corrections back.

    A line a note: begin, end and text between tabs; the text is voice, pitch and the note's
    number ("A 3120 Hz #17"). Move an edge, change voice or pitch, take a label out, put one in
    (without a number), then --apply. Without -o the corrected score takes the old one's place,
    and the old one is kept beside it as NAME.1.heard.jsonl.

    \b
    Examples:
      callresp labels dawn.heard.jsonl                        writes dawn.labels.txt
      callresp labels dawn.heard.jsonl --apply dawn.labels.txt
      callresp labels dawn.heard.jsonl --apply dawn.labels.txt -o mended.heard.jsonl
    """
    options.call("labels.run", given)

"""``callresp transcribe``: a recording in, its heard score out."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="transcribe")
@click.argument("recording", type=PATH)
@options.output("Heard score to write.")
@options.json("One JSON object a note, nothing else.")
@click.option("--detector", default="native", show_default=True, help="A second opinion's name.")
@options.profile
@click.option(
    "--singers",
    type=click.Choice(["free", "one", "by-band"]),
    help="As many as are likely, one, or each in a band of its own; else as the profile says.",
)
@options.whole("--most-singers", (1, 16), "At most so many singers.")
@options.channel
@click.option("--start", help="When the recording began (ISO 8601); else from its file name.")
@click.option(
    "--calibration",
    type=PATH,
    help="File from 'callresp calibrate': adds sound pressure levels to the summary.",
)
def command(**given: object) -> None:
    """Hear a recording: write its notes as a heard score.

    Each note has onset_s, offset_s, pitch_hz (null where it has no pitch),
    level_db (re a full-scale sine), voice, phrase and its pitch track.

    \b
    Examples:
      callresp transcribe dawn.wav                    writes dawn.heard.jsonl
      callresp transcribe dawn.wav --profile frog
      callresp transcribe finch.wav --singers one
      callresp transcribe dawn.wav --json | jq .pitch_hz
      callresp transcribe dawn.wav --detector superflux -o second.heard.jsonl
    """
    options.call("transcribe.run", given)

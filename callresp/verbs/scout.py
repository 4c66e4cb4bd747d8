"""``callresp scout``: is a wanted sound in recordings, or in the air now?"""

from __future__ import annotations

from pathlib import Path

import click

from callresp.verbs import options


@click.command(name="scout")
@click.argument("recordings", nargs=-1, type=click.Path(path_type=Path, allow_dash=True))
@options.like
@click.option(
    "--matches",
    type=click.Path(path_type=Path, file_okay=False),
    help="Keep the best three matches of each recording here, as pictures and short sounds.",
)
@click.option(
    "--device",
    is_flag=False,
    flag_value="",
    metavar="[NAME]",
    help="Listen now, by this sound card, or by the system's own where no name is given.",
)
@options.rate()
@options.channels
@options.input_channel
@options.number("--seconds", (1.0, None), "Listen no longer than this.")
@click.option("--start", help="When a recording began (ISO 8601); else from its name or header.")
@options.json("One JSON object a recording, nothing else.")
def command(**given: object) -> None:
    """Say whether a sound is here, when, and how sure that is.

    The wanted sound is given by one clip or more of 0.05 to 10 s: one call
    with little else in it; a clip of each of its calls finds more. Each
    recording is told present or not with a confidence from 0 to 1; 0.8 means
    that four of five such are right. Folders stand for the sound files in
    them. Status 0 when it was found somewhere, 1 when nowhere or when a
    recording needs a look.

    With --device, or '-' for raw PCM on standard input, it listens: it says
    within a minute whether the sound is here, and goes on counting until
    Ctrl-C or --seconds.

    \b
    Examples:
      callresp scout dawn.wav --like call.wav
      callresp scout night/ --like call.wav --like other-call.wav --matches best
      callresp scout *.wav --like call.wav --json | jq '.path, .confidence'
      callresp scout --like call.wav --device
      arecord -t raw -f S16_LE -r 48000 | callresp scout - --like call.wav
    """
    options.call("scout.run", given)

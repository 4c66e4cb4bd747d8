"""``callresp set-level``: a meter for the microphone, before the day begins."""

from __future__ import annotations

import click

from callresp.verbs import options


@click.command(name="set-level")
@options.sound_input()
@options.device
@options.rate()
@options.channels
@options.input_channel
@options.profile
@click.option("--plain", is_flag=True, help="Levels only; don't listen for notes.")
@options.number("--seconds", (1.0, 86400.0), "End after so long; else with Ctrl-C or the sound.")
@options.json("Print one JSON object at the end.")
def command(**given: object) -> None:
    """Set the microphone's gain: too quiet, good or clipping, and what to change.

    One line goes along with the sound: peak, the floor of the place, how far
    the notes that the listener hears stand over it. At the end it is told once
    more, with advice: gain up or down by so many decibels, a wind shield, closer
    or further. 'callresp levels' measures how loud a recording is; this one only
    says whether the gain is right. Status 0 when it is good, 1 otherwise.

    \b
    Examples:
      callresp set-level
      callresp set-level --device 2 --seconds 30
      arecord -f S16_LE -r 48000 | callresp set-level --input -
      callresp set-level --input dawn.wav --json
    """
    options.call("set_level.run", given)

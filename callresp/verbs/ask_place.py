"""``callresp ask-place``: the strokes that ask a place; what it gives back."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="ask-place")
@click.argument("recording", type=PATH, required=False)
@click.option("--plan", "plan_file", type=PATH, help="The strokes that the recording holds.")
@click.option("--striker", help="What to strike; else the one whose sound ends soonest.")
@options.own_palette("plan's")
@options.whole("--strokes", (4, 256), default=16)
@options.number(
    "--farthest",
    (5, 1000),
    "A wall as far as this is still to be heard.",
    default=300.0,
    metavar="M",
)
@options.number(
    "--background",
    (0, 100),
    "Sound pressure level of the place: how softly it will do.",
    default=35.0,
    metavar="DB",
)
@options.number(
    "--temperature", (-40, 55), "Of the air, °C; else the palette's ambient_c.", metavar="C"
)
@options.number("--humidity", (0, 100), "Relative, of the air.", default=70.0, metavar="%")
@options.number(
    "--microphone", (0, 100), "From the striker to the microphone.", default=0.0, metavar="M"
)
@click.option("--port", help="Strike on this serial port now, and listen meanwhile.")
@options.sound_input("With --port: 'device' (sound card), '-' (raw 16-bit PCM), or a recording.")
@options.device
@options.rate(least_hz=16000)
@options.channels
@options.input_channel
@click.option("--keep", type=PATH, help="Keep what was heard (WAV).")
@options.output("The plan, or with a recording the place, to write.")
@click.option("--picture", type=PATH, help="Draw the place: .png, .svg or .pdf.")
@options.yes
@options.json("One JSON object an echo, then one of the place.")
def command(**given: object) -> None:
    """Strike softly at odd times, and hear which walls answer, and how far off they are.

    Without a recording it writes the strokes as a plan: stream it while any
    recorder runs, then give the recording with --plan. With --port it does both
    at once. What comes back after every stroke is averaged; birds, wind and
    chance are not. An echo counts where chance makes one in 2,000 places at most.
    Distances hold for the air's temperature: what a kelvin costs is told.

    Status 0 when there is an answer, also where nothing comes back; 1 when the
    sound is too poor to tell.

    \b
    Examples:
      callresp ask-place --striker "oak block" --palette fettle --strokes 16 -o ask.plan.jsonl
      callresp stream ask.plan.jsonl --port /dev/ttyACM0       while you record
      callresp ask-place quarry.wav --plan ask.plan.jsonl --temperature 12
      callresp ask-place quarry.wav --plan ask.plan.jsonl --json
      callresp ask-place quarry.wav --plan ask.plan.jsonl -o quarry.place.jsonl
      callresp ask-place quarry.wav --plan ask.plan.jsonl --picture quarry.png
      callresp ask-place --palette fettle --port /dev/ttyACM0 --keep quarry.wav
    """
    options.call("ask_place.run", given)

"""``callresp live``: listen, and answer while it happens."""

from __future__ import annotations

from pathlib import Path

import click

from callresp.verbs import options


@click.command(name="live")
@options.sound_input()
@options.device
@options.rate()
@options.channels
@options.input_channel
@options.number("--speed", (0.0, 1000.0), "Of a file; 0 is as fast as can be.", default=1.0)
@click.option("--start", help="When a file was recorded (ISO 8601); else from its name.")
@options.palette
@options.rules
@options.profile
@click.option("--port", help="A serial port, or 'simulated'; else it only listens.")
@click.option("--midi", help="A MIDI output instead of a board.")
@click.option("--log", type=options.PATH, help="Field log to write or to go on with.")
@click.option(
    "--snippets",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for short FLAC files of what was heard and answered.",
)
@options.number(
    "--snippets-max-mb",
    (0.0, None),
    "All snippets in the folder together take no more.",
    default=2000.0,
)
@options.number(
    "--min-free-mb",
    (0.0, None),
    "Keep no snippet where less stays free on the disk: the log needs it.",
    default=500.0,
)
@click.option("--from", "since", help="When to wake: HH:MM, or as sunrise-0:40; with --until.")
@click.option("--until", help="When to fall asleep: HH:MM, or as sunrise+3:00; with --from.")
@options.site
@options.number("--max-hours", (0.0, None), "End after this long.")
@options.whole("--max-strikes", (1, None), "Play no more after so many.")
@options.number("--max-wh", (0.0, None), "Play no more after so many watt-hours in the coils.")
@options.number(
    "--max-temperature", (20.0, 120.0), "°C at the board above which it waits.", default=85.0
)
@options.number("--min-volts", (0.0, 80.0), "Play no more below this; else the palette's cutoff_v.")
@options.number(
    "--back-after",
    (0.0, 1000.0),
    "ms after which its own strikes have reached the microphone, sound card included.",
    default=50.0,
)
@options.number(
    "--reverb",
    (0.0, 10.0),
    "Seconds in which the place's own reverberation falls by 60 dB.",
    default=0.4,
)
@options.seed
@options.midi_clock
@options.place
@options.osc
@click.option(
    "--page",
    metavar="[HOST:]PORT",
    help="Serve a page that shows how it stands; 0.0.0.0:PORT lets phones read it.",
)
@options.yes
@options.json("Print each event as one JSON object.")
def command(**given: object) -> None:
    """Listen to a place and answer it, all day, until it is stopped.

    Without --port and --midi it listens, and says what it would strike. Outside
    the hours of --from and --until it does not listen, and the board sleeps. It
    stops with Ctrl-C, with the space bar or 's' on its terminal, with
    'callresp stop' from another, and when its service is stopped. However it
    ends, everything is released and the log says how. By Open Sound Control it
    tells of starts, notes, phrases, replies and strokes, and takes requests:
    /callresp/stop, /callresp/mute, /callresp/mute-striker, /callresp/rules,
    /callresp/set. Status 0 when all went well, 1 when the log holds faults, 130
    after Ctrl-C.

    \b
    Examples:
      callresp live                                         listens only
      callresp live --input dawn.wav --speed 0 --port simulated --log day.log
      callresp live --port /dev/ttyACM0 --log day.log --from 04:00 --until 10:00
      callresp live --port P --from sunrise-0:40 --until sunrise+3:00 --site 54.2,-2.8
      callresp live --device 2 --midi 'Synth' --rules shadow
      callresp live --port /dev/ttyACM0 --rules canyon --place quarry.place.jsonl
      callresp live --port /dev/ttyACM0 --osc-to 9000 --osc-in 9001
      callresp live --port /dev/ttyACM0 --page 0.0.0.0:8030
      callresp live --midi Synth --clock-in Sequencer    replies begin on its beats
      arecord -t raw -f S16_LE -r 48000 | callresp live --input - --midi Synth --yes
    """
    options.call("live.run", given)

"""``callresp play``: strike by hand, from a MIDI input or the computer's own keys."""

from __future__ import annotations

import click

from callresp.verbs import options


@click.command(name="play")
@options.palette
@click.option("--port", help="A serial port, or 'simulated'; else the rehearsal sound is heard.")
@click.option(
    "--midi-in",
    metavar="NAME",
    help="A MIDI input, or '-' (raw MIDI on standard input); else the computer's own keys.",
)
@click.option("--virtual", is_flag=True, help="Make that MIDI input, for others to connect to.")
@click.option(
    "--sound",
    metavar="WHAT",
    help="'device' (sound card; so without a port), 'none', or a WAV file rendered at the end.",
)
@options.device
@options.number(
    "--lead",
    (1.0, 100.0),
    "From a key to its coil; a slow line or computer needs more.",
    default=6.0,
    metavar="MS",
)
@click.option("--lift-first", is_flag=True, help="Let a stroke wait until its damper is clear.")
@options.output("Reply score to keep of what was played.")
@options.yes
@options.json("One JSON object at the end, nothing else.")
def command(**given: object) -> None:
    """Play a palette's strikers by hand, within every limit.

    Each key strikes what sounds nearest, or what the palette's [[midi]] tables say, as hard as
    its velocity asks by the measured curve. Key up or pedal lets the damper fall; a modulation
    wheel turns the first turner. What a limit forbids is refused or softened, and said; nothing
    waits to sound late. On the computer's keys: a s d f … from low to high, z x … turners on
    and off, 1 to 9 and 0 how hard, space lets go of everything, Esc or Ctrl-C ends.

    \b
    Examples:
      callresp play                                       rehearsal sound, computer's keys
      callresp play --port /dev/ttyACM0 --midi-in 'Keys' -o played.reply.jsonl
      callresp play --port simulated --midi-in Doors --virtual
      cat /dev/snd/midiC1D0 | callresp play --midi-in - --sound played.wav
    """
    options.call("play.run", given)

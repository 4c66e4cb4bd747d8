"""``callresp stream``: a plan out to the board on a port."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="stream")
@click.argument("plan", type=PATH)
@click.option("--port", required=True, help="A serial port, or 'simulated'.")
@options.own_palette("plan's")
@click.option("--log", type=PATH, help="Write what became of each command.")
@click.option("--board-log", type=PATH, help="Log of the simulated board.")
@options.number("--speed", (0.1, 20.0), "Of a simulated board's time.", default=1.0)
@click.option("--dark", is_flag=True, help="Put the board's lights out first.")
@click.option("--dry-run", is_flag=True, help="Check everything and send nothing.")
@options.midi_clock
@options.number(
    "--tempo",
    (20.0, 300.0),
    "Beats of a MIDI clock in a minute of the plan.",
    default=60.0,
    metavar="BPM",
)
@options.osc
@options.yes
@options.json()
def stream_command(**given: object) -> None:
    """Send a plan to the board on a port, each command stamped with its time.

    The plan is held against its palette once more; one that breaks a limit is
    refused. Ctrl-C releases every coil and stops every motor before it ends.
    On a terminal one sees which channel is on, the board's credit, and lateness.
    With --clock-in the plan waits for the Start of a MIDI clock and keeps its
    tempo; what a limit forbids at that tempo is left out, and said. By Open Sound
    Control it tells of strokes, status and faults, and takes /callresp/stop,
    /callresp/mute and /callresp/mute-striker. Status 0 when all was played on
    time, 1 when something was not.

    \b
    Examples:
      callresp stream dawn.plan.jsonl --port simulated
      callresp stream dawn.plan.jsonl --port simulated --speed 4 --log played.jsonl
      callresp stream dawn.plan.jsonl --port /dev/ttyACM0 --palette mine.toml
      callresp stream dawn.plan.jsonl --port /dev/ttyACM0 --dry-run
      callresp stream dawn.plan.jsonl --port /dev/ttyACM0 --osc-to 9000 --osc-in 9001
      callresp stream piece.plan.jsonl --port /dev/ttyACM0 --clock-in Sequencer
      callresp stream dawn.plan.jsonl --port /dev/ttyACM0 --dark     no lamp near a nest
    """
    options.call("stream.run", given)

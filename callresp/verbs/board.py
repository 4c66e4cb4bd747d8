"""The board on a port: ``callresp identify``, ``sleep``, ``try``, ``stop`` and ``ports``."""

from __future__ import annotations

import click

from callresp.verbs import options


@click.command(name="identify")
@click.option("--port", required=True, help="A serial port, or 'simulated'.")
@click.option("--palette", default="fettle", show_default=True, help="Compare with this palette.")
@options.json()
def identify_command(**given: object) -> None:
    """Ask the board on a port who it is, and hold that against a palette.

    Moves nothing. Status 1 when the board has fewer channels than the palette.

    \b
    Examples:
      callresp identify --port /dev/ttyACM0
      callresp identify --port simulated --palette pocket --json
    """
    options.call("board.run_identify", given)


@click.command(name="sleep")
@click.option("--port", required=True, help="A serial port, or 'simulated'.")
@click.option("--for", "span", help="How long, like 8h30min, 90min or 45s.")
@click.option("--until", help="When to wake: HH:MM, or as sunrise-0:40; instead of --for.")
@options.site
@options.whole(
    "--after",
    (0, 600),
    "Seconds before it sleeps, in which a computer that it powers can shut down.",
    default=0,
    fills="after_s",
)
@options.palette
@options.json()
def sleep_command(**given: object) -> None:
    """Send the board on a port to sleep, its drivers powered down, until it wakes by itself.

    Everything is released at once, and what waits is dropped; while it sleeps its
    power-down pin is high. It wakes silent, as after a start, and waits ten
    minutes for a host. Any byte on the line wakes it sooner. Its own clock may
    err by some percent of the night: give it time to spare. --palette is only for
    'simulated'.

    \b
    Examples:
      callresp sleep --port /dev/ttyACM0 --for 8h30min
      callresp sleep --port /dev/ttyACM0 --until 04:00 --after 60    and then: sudo poweroff
      callresp sleep --port /dev/ttyACM0 --until sunrise-1:00 --site 54.2,-2.8
    """
    options.call("board.run_sleep", given)


@click.command(name="try")
@click.option("--port", required=True, help="A serial port, or 'simulated'.")
@options.palette
@click.option("--only", multiple=True, help="Only this instrument; may be given again.")
@options.yes
@options.json("One JSON object a channel.")
def try_command(**given: object) -> None:
    """Strike, lift or turn one channel after another, softly, each after a yes.

    What is tried is planned and checked like any plan. Status 1 when the board
    refused something.

    \b
    Examples:
      callresp try --port /dev/ttyACM0 --palette mine.toml
      callresp try --port /dev/ttyACM0 --only "tube 3"
      callresp try --port simulated --yes
    """
    options.call("board.run_try", given)


@click.command(name="stop")
@click.option("--port", required=True, help="The serial port that the machine is on.")
@options.json()
def stop_command(**given: object) -> None:
    """Release every coil and stop every motor, also while another terminal streams.

    \b
    Examples:
      callresp stop --port /dev/ttyACM0
    """
    options.call("board.run_stop", given)


@click.command(name="ports")
@options.json("One JSON object a port.")
def ports_command(**given: object) -> None:
    """List the serial ports that a board may be on.

    \b
    Examples:
      callresp ports
      callresp ports --json | jq .port
    """
    options.call("board.run_ports", given)

"""``callresp stop``: stop the machine, from any terminal."""

from __future__ import annotations

import click

from callresp.commands import ui


@click.command(name="stop")
@click.option("--port", required=True, help="The serial port that the machine is on.")
def command(port: str) -> None:
    """Release every coil and stop every motor, also while another terminal streams.

    \b
    Examples:
      callresp stop --port /dev/ttyACM0
    """

    from callresp.link.stop_request import request_stop

    ui.say(request_stop(port))

"""``callresp ports``: the serial ports of this computer."""

from __future__ import annotations

import click

from callresp.commands import options, ui


@click.command(name="ports")
@options.json("One JSON object a port.")
def command(as_json: bool) -> None:
    """List the serial ports that a board may be on.

    \b
    Examples:
      callresp ports
      callresp ports --json | jq .port
    """
    from serial.tools.list_ports import comports

    found = sorted(comports(), key=lambda port: port.device)
    for port in found:
        if as_json:
            ui.emit({"port": port.device, "description": port.description, "id": port.hwid})
        else:
            ui.say(f"{port.device}  {port.description}")
    if not found and not as_json:
        ui.say("no serial port here; 'simulated' is always one for callresp stream")

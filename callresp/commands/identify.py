"""``callresp identify``: who is the board on a port?"""

from __future__ import annotations

import click
import msgspec

from callresp.commands import options, ui
from callresp.commands.stream import port_of
from callresp.io.wording import counted
from callresp.link.messages import DRY_RUN, FAULTS, Status
from callresp.link.port import BoardConnection
from callresp.palette.files import load_palette


@click.command(name="identify")
@click.option("--port", required=True, help="A serial port, or 'simulated'.")
@click.option("--palette", default="fettle", show_default=True, help="Compare with this palette.")
@options.json()
def command(port: str, palette: str, as_json: bool) -> None:
    """Ask the board on a port who it is, and hold that against a palette.

    Moves nothing. Status 1 when the board has fewer channels than the palette.

    \b
    Examples:
      callresp identify --port /dev/ttyACM0
      callresp identify --port simulated --palette pocket --json
    """
    machine = load_palette(palette)
    with port_of(port, machine) as url, BoardConnection(url) as board:
        ack = board.hello()
        # Or it would report our own silence as a fault.
        status = board.wait_for(Status, heartbeat=True)
        sensed = board.sensed
    faults = [name for bit, name in enumerate(FAULTS) if status.faults >> bit & 1]
    wanted = max((channel + 1 for channel in machine.coils()), default=0)
    enough = ack.coils >= wanted and ack.motors >= len(machine.turner)
    if as_json:
        told = {**msgspec.to_builtins(ack), **msgspec.to_builtins(status)}
        told |= msgspec.to_builtins(sensed)
        ui.emit({**told, "faults": faults, "enough_channels": enough})
    else:
        ui.say(f"protocol {ack.version}, firmware {ack.firmware}")
        ui.say(
            f"channels: {ack.coils} for coils, {ack.motors} for motors,"
            f" {ack.lights} for lights; buffer {ack.buffer}"
        )
        if ack.mode & DRY_RUN:
            ui.say("in a dry run: it lights lamps and moves nothing")
        ui.say(
            f"lets go after {ack.silence_ms} ms of silence; started {counted(ack.restarts, 'time')}"
        )
        ui.say(
            f"{status.millivolts / 1000:.1f} V, board {status.temperature_c} °C,"
            f" warmest coil {status.hottest_c} °C;"
            f" faults: {', '.join(faults) or 'none'}"
        )
        parts = [
            f"{value:g} {unit}"
            for value, unit in (
                (sensed.air_c, "°C air"),
                (sensed.humidity_pct, "% humidity"),
                (sensed.lux, "lux"),
            )
            if value is not None
        ]
        if sensed.rain is not None:
            parts.append("rain" if sensed.rain else "dry")
        if parts:
            ui.say(f"sensors: {', '.join(parts)}")
        if not enough:
            ui.say(
                f"{machine.name} needs {counted(wanted, 'coil channel')} and"
                f" {counted(len(machine.turner), 'motor')}"
            )
    click.get_current_context().exit(0 if enough else 1)

"""The board on a port: ``callresp identify``, ``sleep``, ``try``, ``stop`` and ``ports``."""

from __future__ import annotations

import contextlib
import re
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import click
import msgspec

from callresp.commands import options, ui
from callresp.errors import UserError
from callresp.io.score import ReplyHeader, ReplyNote, ReplyScore
from callresp.io.wording import counted
from callresp.link.messages import DRY_RUN, FAULTS, SLEEP_MOST_S, Status
from callresp.link.port import BoardConnection
from callresp.link.simulator import simulated_board
from callresp.link.stop_request import request_stop
from callresp.link.stream import stream
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plan.planner import make_plan
from callresp.scout.sun import Site

_SPAN = re.compile(r"(?:(\d+(?:\.\d+)?)h)?(?:(\d+(?:\.\d+)?)min)?(?:(\d+(?:\.\d+)?)s)?")


def run_identify(port: str, palette: str, as_json: bool) -> None:
    """Ask the board on a port who it is, and hold that against a palette."""
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


def run_sleep(
    port: str,
    span: str | None,
    until: str | None,
    site: Site | None,
    after_s: int,
    palette: str,
    as_json: bool,
) -> None:
    """Send the board on a port to sleep, its drivers powered down, until it wakes by itself."""
    now = datetime.now().astimezone()
    if (span is None) == (until is None):
        raise UserError(
            "sleeps for a time or until one", where="--for", remedy="give --for or --until"
        )
    wakes = now + timedelta(seconds=_seconds(span)) if span else _next(until or "", site, now)
    seconds = round((wakes - now).total_seconds()) - (0 if span else after_s)
    if not 1 <= seconds <= SLEEP_MOST_S:
        raise UserError(
            f"it can't sleep for {seconds} s",
            where="--for" if span else "--until",
            remedy=f"from 1 s to {SLEEP_MOST_S // 3600} h",
        )
    with port_of(port, load_palette(palette)) as url, BoardConnection(url) as board:
        told = board.sleep(seconds, after_s)
    at = datetime.now().astimezone() + timedelta(seconds=told.seconds + told.after_s)
    if as_json:
        ui.emit({"seconds": told.seconds, "after_s": told.after_s, "wakes": at.isoformat()})
        return
    begins = f"in {told.after_s} s" if told.after_s else "now"
    ui.say(f"it sleeps {begins}, and wakes at {at:%H:%M:%S} by its own clock")


def _seconds(span: str) -> float:
    """A length of time as typed."""
    found = _SPAN.fullmatch(span)
    if not span or found is None:
        raise UserError(
            f"'{span}' is no length of time", where="--for", remedy="write it like 8h30min or 45s"
        )
    hours, minutes, seconds = (float(part or 0) for part in found.groups())
    return 3600 * hours + 60 * minutes + seconds


def _next(until: str, site: Site | None, now: datetime) -> datetime:
    """When that time of day comes next."""
    wanted = options.day_time("--until", until)
    place = options.known_site(site) if wanted.clock is None else site
    assert now.tzinfo is not None
    for days in range(3):
        moment = wanted.on(now.date() + timedelta(days=days), place, now.tzinfo)
        if moment is not None and moment > now:
            return moment
    raise UserError("the sun gives no such time", where="--until", remedy="give it like 04:30")


def run_try(port: str, palette: str, only: tuple[str, ...], yes: bool, as_json: bool) -> None:
    """Strike, lift or turn one channel after another, softly, each after a yes."""
    machine = load_palette(palette)
    names = [item.name for item in machine.striker] + [item.name for item in machine.turner]
    options.check_only(only, names, machine.name)
    if port != "simulated":
        ui.confirm(yes)
    elif not yes and not ui.is_terminal(sys.stdin):
        raise UserError("nobody is there to say yes", remedy="add --yes")
    refused = 0
    with port_of(port, machine) as url:
        for name in only or names:
            if not yes and not click.confirm(f"{name}?", default=True, err=True):
                continue
            note = ReplyNote(
                id=0, onset_s=0.5, offset_s=1.3, instrument=name, force=0.2, phrase=0,
                heard=None, heard_phrase=0, rule="try",
            )  # fmt: skip
            checked = make_plan(ReplyScore(header=ReplyHeader(), notes=(note,)), machine)
            report = stream(checked, url).report
            well = report.played == report.commands > 0
            refused += not well
            if as_json:
                ui.emit({"instrument": name, "fates": dict(report.outcomes), "well": well})
            else:
                ui.say(f"{name}: {'done' if well else dict(report.outcomes)}")
    click.get_current_context().exit(1 if refused else 0)


def run_stop(port: str, as_json: bool) -> None:
    """Release every coil and stop every motor, also while another terminal streams."""
    said = request_stop(port)
    if as_json:
        ui.emit({"port": port, "said": said})
    else:
        ui.say(said)


def run_ports(as_json: bool) -> None:
    """List the serial ports that a board may be on."""
    from serial.tools.list_ports import comports

    found = sorted(comports(), key=lambda port: port.device)
    for port in found:
        if as_json:
            ui.emit({"port": port.device, "description": port.description, "id": port.hwid})
        else:
            ui.say(f"{port.device}  {port.description}")
    if not found and not as_json:
        ui.say("no serial port here; 'simulated' is always one for callresp stream")


@contextlib.contextmanager
def port_of(port: str, palette: Palette, board_log: Path | None = None) -> Iterator[str]:
    """The port that a user names; 'simulated' starts a board for it."""
    if port != "simulated":
        yield port
        return
    with simulated_board(palette, board_log) as url:
        yield url

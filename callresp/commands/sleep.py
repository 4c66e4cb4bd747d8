"""``callresp sleep``: send the board on a port to sleep until it wakes by its own timer."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import click

from callresp.commands import options, ui
from callresp.commands.live import day_time, known
from callresp.commands.stream import port_of
from callresp.errors import UserError
from callresp.link.messages import SLEEP_MOST_S
from callresp.link.port import BoardConnection
from callresp.palette.files import load_palette
from callresp.scout.sun import Site

_SPAN = re.compile(r"(?:(\d+(?:\.\d+)?)h)?(?:(\d+(?:\.\d+)?)min)?(?:(\d+(?:\.\d+)?)s)?")


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
def command(
    port: str,
    span: str | None,
    until: str | None,
    site: Site | None,
    after_s: int,
    palette: str,
    as_json: bool,
) -> None:
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
    wanted = day_time("--until", until)
    place = known(site) if wanted.clock is None else site
    assert now.tzinfo is not None
    for days in range(3):
        moment = wanted.on(now.date() + timedelta(days=days), place, now.tzinfo)
        if moment is not None and moment > now:
            return moment
    raise UserError("the sun gives no such time", where="--until", remedy="give it like 04:30")

"""``callresp service``: a systemd unit that runs ``callresp live`` from boot on."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.live import command as live


@click.command(name="service", context_settings={"ignore_unknown_options": True})
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="[OPTIONS]...")
@click.option("--name", default="callresp", show_default=True, help="Of the service.")
@click.option("--user", help="Who runs it; else you.")
@click.option("-o", "--output", type=options.PATH, help="File to write; else shown.")
@options.json()
def command(words: tuple[str, ...], **given: object) -> None:
    """Write a systemd unit that runs 'callresp live' with these options from boot on.

    OPTIONS are those of 'callresp live'; put them behind a '--'. The service
    goes on when an ssh session ends, and starts again by itself after a fault.
    It asks nobody: the cautions of 'callresp live' are yours to read first.
    The unit is checked by 'systemd-analyze verify' where there is one; status 1
    when it finds fault with it.

    \b
    Examples:
      callresp service -- --port /dev/ttyACM0 --log day.log --rules answer
      callresp service -o callresp.service -- --port /dev/ttyACM0 --log day.log
      sudo cp callresp.service /etc/systemd/system/
      sudo systemctl enable --now callresp      from now on, and from every boot on
      sudo systemctl stop callresp              ends it in order, as 'callresp stop' does
      journalctl -u callresp                    what it said
    """
    with live.make_context("callresp live", list(words)) as read:
        options.call("service.run", {**given, "words": words, "live": read.params})

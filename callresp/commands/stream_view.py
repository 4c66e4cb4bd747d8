"""What a stream looks like while it runs: channels, credit, lateness, on a terminal.

`Channels` follows a session and knows what is on; `live_view` draws it on
standard error where that is a terminal, and is silent where it is not.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from callresp.commands import ui
from callresp.link.session import SentCommand, Session
from callresp.link.stream import Watch
from callresp.palette.model import Palette
from callresp.plan.model import Hold, Light, Strike

if TYPE_CHECKING:
    from rich.console import Group

# A stroke is over before an eye has seen it: its mark stays this long.
SEEN_S = 0.2
EVERY_S = 0.08
KEPT = 20


@dataclass(slots=True)
class ChannelRow:
    """One channel: its name, when it went on and off last, and how it kept time."""

    name: str
    output: str
    channel: int
    on_s: float = float("-inf")
    off_s: float = float("-inf")
    played: int = 0
    refused: int = 0
    worst_ms: float = 0.0

    def state(self, now_s: float) -> str:
        """``on`` while it is on, ``just`` for a little after, else nothing."""
        if self.on_s <= now_s < self.off_s:
            return "on"
        return "just" if self.off_s <= now_s < max(self.off_s, self.on_s + SEEN_S) else ""


class Channels:
    """Follows what becomes of the commands of a session, channel by channel."""

    def __init__(self, palette: Palette) -> None:
        self.rows: dict[tuple[str, int], ChannelRow] = {}
        for striker in palette.striker:
            self._add(striker.name, "coil", striker.coil.channel)
            if striker.damper is not None:
                self._add(f"  damper of {striker.name}", "coil", striker.damper.coil.channel)
        for turner in palette.turner:
            self._add(turner.name, "motor", turner.channel)
        for number in range(palette.board.lights):
            self._add("status light" if number == 0 else "light", "light", number)
        self._read = 0

    def _add(self, name: str, output: str, channel: int) -> None:
        self.rows[output, channel] = ChannelRow(name, output, channel)

    def follow(self, session: Session) -> None:
        """Take in what has come to an end since the last call."""
        over = session.ended
        for sent in over[self._read :]:
            self._take(sent)
        self._read = len(over)

    def _take(self, sent: SentCommand) -> None:
        command = sent.command
        output = "light" if isinstance(command, Light) else "motor"
        output = "coil" if isinstance(command, Strike | Hold) else output
        row = self.rows.get((output, command.channel))
        if row is None:
            return
        if sent.outcome != "executed" or sent.played_s is None:
            row.refused += 1
            return
        row.played += 1
        row.on_s = sent.played_s
        row.off_s = sent.played_s + command.length_ms / 1000
        if isinstance(command, Light):
            row.off_s = float("inf") if command.level > 0 else sent.played_s
        row.worst_ms = max(row.worst_ms, abs(sent.played_s - sent.host_s) * 1000)


def picture(channels: Channels, session: Session, now_s: float, total: int) -> Group:
    """The view as it stands, for rich to draw."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="dim")
    table.add_column("channel", no_wrap=True)
    for title in ("", "now", "played", "refused", "worst ms"):
        table.add_column(title, justify="left" if title == "now" else "right", no_wrap=True)
    for row in channels.rows.values():
        state = row.state(now_s)
        mark = {"on": "● on", "just": "○ was on", "": "·"}[state]
        style = {"on": "bold green", "just": "green", "": "dim"}[state]
        cells = (str(row.played or "·"), str(row.refused or "·"))
        worst = f"{row.worst_ms:.2f}" if row.played else "·"
        name = Text(row.name, style="" if row.played else "dim")
        number = f"{row.output} {row.channel}"
        table.add_row(name, Text(number, style="dim"), Text(mark, style=style), *cells, worst)
    return Group(Text(headline(session, now_s, total), style="bold"), table)


def headline(session: Session, now_s: float, total: int) -> str:
    """One line: how far, room in the board, lateness, volts, heat and drift."""
    report = session.report
    worst = max(map(abs, report.errors_ms[-KEPT:]), default=0.0)
    started_s = now_s if session.start_s is None else session.start_s
    parts = [f"{now_s - started_s:7.1f} s", f"{len(session.ended)} of {total} commands"]
    if session.hello_ack is not None:
        parts.append(f"credit {session.credit} of {session.hello_ack.buffer}")
    parts.append(f"worst of the last {KEPT} {worst:.2f} ms")
    if session.status is not None:
        status = session.status
        parts.append(f"{status.millivolts / 1000:.1f} V, warmest coil {status.hottest_c} °C")
    parts.append(f"drift {report.drift_ppm:+.0f} ppm, {report.resent} sent again")
    return " | ".join(parts)


@contextmanager
def live_view(palette: Palette, total: int) -> Iterator[Watch]:
    """A view on a terminal that follows a stream; silent where there is no terminal."""
    if not ui.is_terminal(sys.stderr):
        yield lambda session, now_s: None
        return
    from rich.console import Console
    from rich.live import Live

    channels, drawn = Channels(palette), [float("-inf")]
    with Live(console=Console(stderr=True), auto_refresh=False) as live:

        def watch(session: Session, now_s: float) -> None:
            channels.follow(session)
            if time.monotonic() - drawn[0] >= EVERY_S or session.finished:
                drawn[0] = time.monotonic()
                live.update(picture(channels, session, now_s, total), refresh=True)

        yield watch

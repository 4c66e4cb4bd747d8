"""What fits through 115,200 baud: 20 channels, a stated number of strikes a second.

    python tools/bench_load.py                   one minute each at 200 to 1,000 a second,
                                                 then an hour at 60 (three on each channel)
    python tools/bench_load.py --minutes 5 --rate 500

Session, board and line are those that play; time is simulated. The line gives
each byte its ten bits, both ways, and one way waits for no other; a kernel's
buffer of 4,096 bytes stands before it, and a host that finds it full waits, as
a blocking write does. The peer is a host without clock or credit, over the same
line: it sends each strike when it is due, and the board plays what arrives. Of
each are told: strikes lost, refused as late, how far from their time the others
were (by the true time), bytes a strike out and back, and how full the line was.
"""

from __future__ import annotations

import random
import sys
import time
from collections import deque
from dataclasses import dataclass, field
from pathlib import Path

import click
import msgspec

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from bench_table import Table
from link_helpers import FETTLE

from callresp.link.board import SimulatedBoard
from callresp.link.framing import frame
from callresp.link.messages import VERSION, Hello, StrikeAt, ticks_of
from callresp.link.port import BAUD
from callresp.link.session import Session
from callresp.palette.model import Palette
from callresp.plan.checked_plan import Checker
from callresp.plan.model import Strike

CHANNELS = 20
STEP_S = 0.002
KERNEL_BYTES = 4096
PULSE_MS = 1.0
DRIFT_PPM, AHEAD_S = 60.0, 21.0
BEGIN_S = 2.0


def machine() -> Palette:
    """Twenty quick strikers with room for a strike each every 10 ms."""
    striker = FETTLE.striker[5]
    coil = msgspec.structs.replace(
        striker.coil, thermal_k_per_w=0.5, resistance_ohm=60, duty_max=0.5
    )
    strikers = tuple(
        msgspec.structs.replace(
            striker,
            name=f"s{n}",
            restrike_ms=10.0,
            damper=None,
            coil=msgspec.structs.replace(coil, channel=n),
        )
        for n in range(CHANNELS)
    )
    driver = msgspec.structs.replace(
        FETTLE.driver[0], channels=tuple(range(CHANNELS)), current_max_a=20.0
    )
    return msgspec.structs.replace(
        FETTLE,
        striker=strikers,
        turner=(),
        board=msgspec.structs.replace(FETTLE.board, coil_channels=CHANNELS, buffer=64),
        driver=(driver,),
        supply=msgspec.structs.replace(
            FETTLE.supply, chemistry="mains", current_max_a=20.0, cutoff_v=0.0
        ),
    )


@dataclass
class Wire:
    """One way of the line: bytes in, the same bytes out, each when its ten bits are over."""

    free_s: float = 0.0
    carried: int = 0
    _flying: deque[tuple[float, bytes]] = field(default_factory=deque)

    def room(self, now_s: float) -> bool:
        """Whether the kernel's buffer before it takes more."""
        return (self.free_s - now_s) * BAUD / 10 < KERNEL_BYTES

    def put(self, data: bytes, now_s: float) -> None:
        """Put a write on the line."""
        if data:
            self.carried += len(data)
            self.free_s = max(self.free_s, now_s) + 10 * len(data) / BAUD
            self._flying.append((self.free_s, data))

    def take(self, now_s: float) -> list[tuple[float, bytes]]:
        """What has arrived by now, with its time."""
        arrived = []
        while self._flying and self._flying[0][0] <= now_s:
            arrived.append(self._flying.popleft())
        return arrived


@dataclass
class Figures:
    """What became of the strikes of one run."""

    who: str
    asked_per_s: int
    minutes: float
    asked: int = 0
    played: int = 0
    late: int = 0
    errors_ms: list[float] = field(default_factory=list)
    out_bytes: int = 0
    back_bytes: int = 0
    resent: int = 0
    cpu_s: float = 0.0

    def row(self) -> tuple[str | float, ...]:
        """A row of the table; `lost` are those that were neither played nor refused as late."""
        errors = sorted(self.errors_ms) or [float("nan")]
        seconds = self.minutes * 60
        return (
            self.who,
            self.asked_per_s,
            self.minutes,
            self.asked,
            self.played,
            self.late,
            self.asked - self.played - self.late,
            errors[len(errors) // 2],
            errors[int(0.99 * (len(errors) - 1))],
            errors[-1],
            self.out_bytes / max(self.asked, 1),
            self.back_bytes / max(self.asked, 1),
            100 * self.out_bytes * 10 / BAUD / seconds,
            100 * self.back_bytes * 10 / BAUD / seconds,
            self.resent,
            self.cpu_s,
        )


def due_at(number: int, rate: int) -> tuple[float, int]:
    """When a strike is due, and on which channel: round all, none twice within 10 ms."""
    return BEGIN_S + number / rate, number % CHANNELS


def errors_of(board: SimulatedBoard, figures: Figures) -> None:
    """Read how far strikes were from their time off the board's log, and empty it."""
    for row in board.log:
        if row.did == "on" and row.sequence is not None:
            true_s = (row.board_s - AHEAD_S) / (1 + DRIFT_PPM * 1e-6)
            number = round((true_s - BEGIN_S) * figures.asked_per_s)
            near_s, channel = due_at(number, figures.asked_per_s)
            figures.played += 1
            if channel == row.channel:
                figures.errors_ms.append(abs(true_s - near_s) * 1000)
    board.log.clear()


def ours(rate: int, minutes: float) -> Figures:
    """Our session: plan a second ahead, bit by bit, as live playing does."""
    palette = machine()
    figures = Figures("ours", rate, minutes, asked=round(rate * minutes * 60))
    began = time.process_time()
    checker = Checker(palette)
    session = Session(checker.admit([]), zero_s=0.0)
    board = SimulatedBoard(palette, drift_ppm=DRIFT_PPM, ahead_s=AHEAD_S)
    out, back, given, now_s = Wire(), Wire(), 0, 0.0
    while not session.finished:
        now_s += STEP_S
        if given < figures.asked and given / rate < now_s:
            bit = range(given, min(given + rate // 2, figures.asked))
            strikes = [
                Strike(at_s=due_at(n, rate)[0], channel=due_at(n, rate)[1], pulse_ms=PULSE_MS)
                for n in bit
            ]
            session.add(checker.admit(strikes))
            given = bit[-1] + 1
            if given == figures.asked:
                session.close()
        for at_s, data in out.take(now_s):
            back.put(board.receive(data, at_s), at_s)
        back.put(board.advance(now_s), now_s)
        for at_s, data in back.take(now_s):
            session.receive(data, at_s)
        if out.room(now_s):
            out.put(session.poll(now_s), now_s)
        if session.ended and len(session.ended) > 4096:
            count(session, board, figures)
    count(session, board, figures)
    figures.out_bytes, figures.back_bytes = out.carried, back.carried
    figures.resent = session.report.resent
    figures.cpu_s = time.process_time() - began
    return figures


def count(session: Session, board: SimulatedBoard, figures: Figures) -> None:
    """Count what has ended, and let it go: an hour of it would fill the memory."""
    errors_of(board, figures)
    for sent in session.take_ended():
        figures.late += sent.outcome in ("late", "not sent: too late")


def peer(rate: int, minutes: float) -> Figures:
    """A host without clock or credit: each strike goes out when it is due, for "now"."""
    palette = machine()
    figures = Figures("no clock, no credit", rate, minutes, asked=round(rate * minutes * 60))
    began = time.process_time()
    board = SimulatedBoard(palette, drift_ppm=DRIFT_PPM, ahead_s=AHEAD_S)
    board.receive(frame(Hello(VERSION, 9).pack()), 0.0)
    out, back, rng = Wire(), Wire(), random.Random(4)
    for number in range(figures.asked):
        at_s, channel = due_at(number, rate)
        # An operating system wakes it up to a millisecond late (common practice, no source).
        now_s = max(at_s + rng.uniform(0.0, 0.001), out.free_s - KERNEL_BYTES * 10 / BAUD)
        pulse = round(PULSE_MS * 100)
        wire = frame(StrikeAt(number % 256, channel, 0, pulse).pack())
        out.put(wire, now_s)
        arrives_s = out.free_s
        at = ticks_of(board.clock_s(arrives_s))
        message = StrikeAt(number % 256, channel, at, pulse)
        out.take(arrives_s)
        back.put(board.receive(frame(message.pack()), arrives_s), arrives_s)
        row_on = [row for row in board.log if row.did == "on"]
        figures.played += len(row_on)
        figures.errors_ms += [(arrives_s - at_s) * 1000] * len(row_on)
        board.log.clear()
    board.advance(out.free_s + 1.0)
    figures.played += sum(row.did == "on" for row in board.log)
    figures.out_bytes, figures.back_bytes = out.carried, back.carried
    figures.cpu_s = time.process_time() - began
    return figures


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--minutes", default=60.0, show_default=True, help="Simulated, of the long run.")
@click.option("--rate", default=60, show_default=True, help="Strikes a second of the long run.")
@click.option("--short", default=1.0, show_default=True, help="Minutes of each short run.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def main(minutes: float, rate: int, short: float, as_json: bool) -> None:
    """Print what 20 channels take through 115,200 baud."""
    table = Table(
        f"Strikes on {CHANNELS} channels through {BAUD} baud",
        (
            "host", "/s", "min", "asked", "played", "late", "lost", "median ms", "p99 ms",
            "worst ms", "B out", "B back", "out full %", "back full %", "resent", "CPU s",
        ),
    )  # fmt: skip
    runs = [(short_rate, short) for short_rate in (200, 500, 700, 800, 1000)]
    for one_rate, one_minutes in [*runs, (rate, minutes)]:
        table.add(*ours(one_rate, one_minutes).row())
        table.add(*peer(one_rate, one_minutes).row())
    click.echo(msgspec.json.encode(table.plain()) if as_json else table.text())


if __name__ == "__main__":
    main()

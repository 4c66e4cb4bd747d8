"""How well strikes land, and what fits on the line.

    python tools/bench_link.py              all of it, in simulated time
    python tools/bench_link.py --minutes 5

Clock: boards of ±100 ppm behind lines of up to 20 ms of jittered, asymmetric
delay; how far strokes land from plan by the true time, which neither end knows.
The peer sends each stroke when it is due ("now"), as a host without a clock
exchange does, over the very same line. Load: commands a second that a board of
20 channels takes at 115,200 baud, beside what the line can carry at all.
"""

from __future__ import annotations

import heapq
import random
import sys
import time
from pathlib import Path

import click
import msgspec

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from link_helpers import FETTLE, Line, plan_of, true_errors_ms

from callresp.link.board import Board
from callresp.link.framing import frame
from callresp.link.messages import VERSION, Hello, StrikeAt
from callresp.link.port import BAUD
from callresp.link.session import Session

LINES = {
    "1 to 3 ms": ((0.001, 0.003), (0.001, 0.003)),
    "0 to 20 ms": ((0.0, 0.020), (0.0, 0.020)),
    "0 to 20 / 0 to 8 ms": ((0.0, 0.020), (0.0, 0.008)),
}


def percentile(values: list[float], share: float) -> float:
    """The value that `share` of the values do not pass."""
    ordered = sorted(values)
    return ordered[min(int(share * len(ordered)), len(ordered) - 1)]


def landed(minutes: float, ppm: float, line_name: str) -> tuple[list[float], list[float]]:
    """Errors in ms: ours, and those of a host that sends each stroke when it is due."""
    to_board, to_host = LINES[line_name]
    checked = plan_of(int(minutes * 60 / 0.5), 0.5, seed=1)
    board = Board(FETTLE, drift_ppm=ppm, ahead_s=33.0)
    line = Line(Session(checked), board, to_board_s=to_board, to_host_s=to_host, step_s=0.005)
    line.run(until_s=minutes * 60 + 120)
    ours = [abs(error) for error in true_errors_ms(line)]
    rng = random.Random(2)
    peer = [1000 * rng.uniform(*to_board) for _ in ours]
    return ours, peer


def load(commands_per_s: int, seconds: float, channels: int = 20) -> dict[str, float]:
    """Send short strikes round all channels as fast as asked, within the baud's budget."""
    striker = FETTLE.striker[5]
    coil = striker.coil
    strikers = tuple(
        msgspec.structs.replace(
            striker,
            name=f"s{n}",
            coil=msgspec.structs.replace(coil, channel=n, thermal_k_per_w=0.5, resistance_ohm=60),
        )
        for n in range(channels)
    )
    palette = msgspec.structs.replace(
        FETTLE,
        striker=strikers,
        turner=(),
        board=msgspec.structs.replace(FETTLE.board, coil_channels=channels, buffer=255),
        driver=(
            msgspec.structs.replace(
                FETTLE.driver[0], channels=tuple(range(channels)), current_max_a=20.0
            ),
        ),
        supply=msgspec.structs.replace(FETTLE.supply, current_max_a=20.0, cutoff_v=0.0),
    )
    board = Board(palette)
    board.receive(frame(Hello(VERSION, 9).pack()), 0.0)
    line_s, sent, size = 0.01, 0, 0
    due: list[tuple[float, bytes]] = []
    start = time.process_time()
    count = int(commands_per_s * seconds)
    for number in range(count):
        at_s = 0.2 + number / commands_per_s
        data = frame(StrikeAt(number % 256, number % channels, int(at_s * 1e4), 100).pack())
        # A byte takes ten bits; a frame leaves when the line is free and it is 100 ms early.
        leaves_s = max(line_s, at_s - 0.1)
        line_s = leaves_s + 10 * len(data) / BAUD
        heapq.heappush(due, (line_s, data))
        size += len(data)
        while due and due[0][0] <= leaves_s:
            arrives_s, part = heapq.heappop(due)
            board.receive(part, arrives_s)
            sent += 1
    while due:
        arrives_s, part = heapq.heappop(due)
        board.receive(part, arrives_s)
    board.advance(line_s + 1.0)
    executed = sum(row.did == "on" for row in board.log)
    return {
        "asked_per_s": commands_per_s,
        "bytes_each": size / count,
        "executed_per_s": executed / seconds,
        "share": executed / count,
        "cpu_s_per_hour": (time.process_time() - start) / seconds * 3600,
    }


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--minutes", default=60.0, show_default=True, help="Simulated, for each line.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a row.")
def main(minutes: float, as_json: bool) -> None:
    """Print where strokes land and what the line carries."""
    if not as_json:
        click.echo(f"strokes from plan by the true time, {minutes:g} simulated minutes each")
        click.echo(f"{'line':22}{'ppm':>6}{'median ms':>11}{'p99 ms':>9}{'peer p99 ms':>13}")
    for name in LINES:
        for ppm in (-100.0, 100.0):
            ours, peer = landed(minutes, ppm, name)
            row = {
                "line": name,
                "ppm": ppm,
                "strokes": len(ours),
                "median_ms": percentile(ours, 0.5),
                "p99_ms": percentile(ours, 0.99),
                "peer_p99_ms": percentile(peer, 0.99),
            }
            if as_json:
                click.echo(msgspec.json.encode(row))
            else:
                click.echo(
                    f"{name:22}{ppm:6.0f}{row['median_ms']:11.3f}{row['p99_ms']:9.3f}"
                    f"{row['peer_p99_ms']:13.2f}"
                )
    for rate in (200, 800, 1000):
        figures = load(rate, 60.0)
        if as_json:
            click.echo(msgspec.json.encode(figures))
        else:
            click.echo(
                f"{rate} strikes/s asked at {figures['bytes_each']:.1f} bytes:"
                f" {figures['executed_per_s']:.0f}/s executed in time ({figures['share']:.1%});"
                f" the line can carry {BAUD / 10 / figures['bytes_each']:.0f}/s"
            )


if __name__ == "__main__":
    main()

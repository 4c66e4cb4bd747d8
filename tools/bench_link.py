"""How well strikes land.

    python tools/bench_link.py              all of it, in simulated time
    python tools/bench_link.py --minutes 5

Clock: boards of ±100 ppm behind lines of up to 20 ms of jittered, asymmetric
delay; how far strokes land from plan by the true time, which neither end knows.
The peer sends each stroke when it is due ("now"), as a host without a clock
exchange does, over the very same line.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

import click
import msgspec

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from bench_table import Table
from link_helpers import FETTLE, Line, plan_of, true_errors_ms

from callresp.link.board import SimulatedBoard
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
    board = SimulatedBoard(FETTLE, drift_ppm=ppm, ahead_s=33.0)
    line = Line(Session(checked), board, to_board_s=to_board, to_host_s=to_host, step_s=0.005)
    line.run(until_s=minutes * 60 + 120)
    ours = [abs(error) for error in true_errors_ms(line)]
    rng = random.Random(2)
    peer = [1000 * rng.uniform(*to_board) for _ in ours]
    return ours, peer


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--minutes", default=60.0, show_default=True, help="Simulated, for each line.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def main(minutes: float, as_json: bool) -> None:
    """Print where strokes land."""
    table = Table(
        f"strokes from plan by the true time, {minutes:g} simulated minutes each",
        ("line", "ppm", "strokes", "median ms", "p99 ms", "peer p99 ms"),
    )
    for name in LINES:
        for ppm in (-100.0, 100.0):
            ours, peer = landed(minutes, ppm, name)
            middle, most = percentile(ours, 0.5), percentile(ours, 0.99)
            table.add(name, f"{ppm:g}", len(ours), middle, most, percentile(peer, 0.99))
    click.echo(msgspec.json.encode(table.plain()) if as_json else table.text())


if __name__ == "__main__":
    main()

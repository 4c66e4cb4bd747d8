#!/usr/bin/env python3
"""Bench of the planner: how fast, how linear, how right.


    python tools/bench_plan.py                  some twenty seconds
    python tools/bench_plan.py --palette ladder --notes 40000

Figures are user seconds of this process. The peer, in the same run, is a plain
grid of time in numpy for the largest current.
"""

from __future__ import annotations

import random
import resource
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TypeVar

import click
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from plan_helpers import reply_note

from callresp.commands.ui import say
from callresp.io.score import ReplyHeader, ReplyScore
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan, check
from callresp.plan.electrical.loads import LoadModel
from callresp.plan.planner import Planner, make_plan
from callresp.plan.summary import summarise

T = TypeVar("T")
HOUR_S = 3600.0


def user_s(work: Callable[[], T]) -> tuple[T, float]:
    """What some work gives, and the user seconds that it took."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_utime
    value = work()
    return value, resource.getrusage(resource.RUSAGE_SELF).ru_utime - before


def dense_reply(palette: Palette, notes: int, seconds: float) -> ReplyScore:
    """Notes at random on all strikers, with a spell of turning now and then."""
    rng = random.Random(1)
    names = [striker.name for striker in palette.striker]
    turners = [turner.name for turner in palette.turner]
    made = []
    for number, onset_s in enumerate(sorted(rng.uniform(0, seconds) for _ in range(notes))):
        name = rng.choice(turners) if turners and rng.random() < 0.003 else rng.choice(names)
        ends_s = None if rng.random() < 0.3 else onset_s + rng.uniform(0.05, 1.5)
        made.append(reply_note(number, onset_s, ends_s, name, rng.random()))
    return ReplyScore(header=ReplyHeader(duration_s=seconds), notes=tuple(made))


def speed(palette: Palette, notes: int) -> CheckedPlan:
    """Plan and check an hour, half of it and twice as long; returns the hour."""
    say(f"{'hours':>6} {'notes':>7} {'commands':>9} {'changes':>8} {'plan s':>7} {'check s':>8}")
    kept: CheckedPlan | None = None
    for hours in (0.5, 1.0, 2.0):
        reply = dense_reply(palette, round(notes * hours), HOUR_S * hours)
        checked, plan_s = user_s(partial(make_plan, reply, palette))
        _, check_s = user_s(partial(check, checked.plan, palette))
        plan = checked.plan
        say(
            f"{hours:6g} {len(reply.notes):7d} {len(plan.commands):9d} {len(plan.changes):8d}"
            f" {plan_s:7.2f} {check_s:8.2f}"
        )
        kept = checked if hours == 1.0 else kept
    assert kept is not None
    return kept


def live(palette: Palette, notes: int) -> None:
    """Plan note by note, as live playing does."""
    reply = dense_reply(palette, notes, HOUR_S)
    planner = Planner(palette)

    def play() -> None:
        for note in reply.notes:
            planner.add(note, note.onset_s - 0.1)
            planner.settle(note.onset_s)

    _, took_s = user_s(play)
    say(f"note by note: {1e6 * took_s / len(reply.notes):.0f} µs a note")


def current(checked: CheckedPlan) -> None:
    """The largest current, ours and off a grid of a tenth of a millisecond."""
    figures, own_s = user_s(lambda: summarise(checked))
    peak_a, peer_s = user_s(lambda: grid_peak(checked))
    say(
        f"largest current: ours {figures.peak_current_a:.3f} A in {own_s:.2f} s (with all other"
        f" figures), numpy grid {peak_a:.3f} A in {peer_s:.2f} s"
    )


def grid_peak(checked: CheckedPlan, step_s: float = 1e-4) -> float:
    """The largest sum of currents on a grid, ten minutes at a time."""
    palette, wiring, most = checked.palette, LoadModel(checked.palette), 0.0
    loads = [load for command in checked.plan.commands for load in wiring.loads_of(command)]
    for start_s in np.arange(0.0, HOUR_S, 600.0):
        amps = np.zeros(int(600 / step_s))
        for load in loads:
            if load.from_s < start_s + 600 and load.until_s > start_s:
                first = max(int(np.ceil((load.from_s - start_s) / step_s)), 0)
                last = max(int(np.ceil((load.until_s - start_s) / step_s)), 0)
                amps[first:last] += load.amps
        most = max(most, float(amps.max()))
    return most + palette.board.idle_current_a


@click.command(help=__doc__)
@click.option("--palette", default="fettle", show_default=True)
@click.option("--notes", default=20000, show_default=True, help="Notes an hour.")
def main(palette: str, notes: int) -> None:
    """Run the bench."""
    machine = load_palette(palette)
    checked = speed(machine, notes)
    live(machine, notes)
    current(checked)


if __name__ == "__main__":
    main()

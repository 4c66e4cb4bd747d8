"""The live engine: does it answer itself, how soon, does it last a day, does it end in order?

    python tools/bench_live.py loop                    an hour in a closed loop, beside its peers
    python tools/bench_live.py loop --minutes 5 --scene duet --rules shadow
    python tools/bench_live.py soak                    24 hours with faults
    python tools/bench_live.py soak --hours 1

In the loop each stroke that the simulated board executes comes back into the
ear. Beside the engine stand two peers on the same scene: *naive*, the same
engine without masks and without its loop detector, and *alone*, the engine whose
machine can't be heard: what it "answers of itself" is the judge's own error by
chance. 'still heard' is of the bird notes outside the gates that *alone* heard.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import click

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from bench_table import Table, run
from live_judge import Verdict, judge
from live_loop import Feedback, Loop, loop_of
from live_soak import Soak, Soaked

from callresp.listen.online import Listener
from callresp.palette.files import load_palette
from callresp.reply.rules import load_rules
from callresp.scene.recipe import load_recipe, vary


def told(label: str) -> Callable[[float], None]:
    """Progress in whole tenths, on standard error."""
    last = [-1]

    def tell(share: float) -> None:
        if int(10 * share) > last[0]:
            last[0] = int(10 * share)
            click.echo(f"{label}: {10 * last[0]} %", err=True)

    return tell


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def main() -> None:
    """Bench the live engine."""


@main.command()
@click.option("--minutes", type=float, default=60.0, show_default=True)
@click.option("--scene", default="chorus", show_default=True)
@click.option("--seed", default=5, show_default=True)
@click.option("--palette", default="fettle", show_default=True)
@click.option("--rules", default="answer", show_default=True)
@click.option("--above", type=float, default=10.0, show_default=True, help="dB above the birds.")
@click.option("--json", "as_json", is_flag=True)
def loop(
    minutes: float,
    scene: str,
    seed: int,
    palette: str,
    rules: str,
    above: float,
    as_json: bool,
) -> None:
    """Close the loop, and see whether it answers itself."""
    recipe = vary(load_recipe(scene), seconds=60 * minutes, seed=seed)
    machine, manners, way = load_palette(palette), load_rules(rules), Feedback(above_db=above)
    kinds = {"alone": (None, True), "with masks": (way, True), "naive": (way, False)}
    table = Table(
        f"Closed loop: {minutes:g} min of '{scene}', loudest stroke {above:g} dB above the birds",
        (
            "",
            "replies",
            "to itself",
            "strokes",
            "heard",
            "still heard",
            "gated",
            "of true",
            "stood down",
            "answer ms",
            "from call ms",
            "core %",
        ),
    )
    alone: Loop | None = None
    for kind, (back, masks) in kinds.items():
        began = time.process_time()
        run = loop_of(recipe, machine, manners, Listener, way=back, masks=masks)
        run.run(progress=told(kind))
        core = 100 * (time.process_time() - began) / (60 * minutes)
        alone = alone or run
        _row(table, kind, judge(run, machine, way, alone), core)
    table.notes += [
        f"rules '{rules}', palette '{palette}', seed {seed};"
        f" back after {1000 * way.delay_s:g} ms with T60 {way.t60_s:g} s",
        "answer ms: first coil after the rule's own delay (its wait, the rest that ends a phrase,"
        " those it gives way to), median; aim 40 or less",
        "core %: of one core, the making of scene and echoes and the link included",
        "aims: to itself 0, still heard 0.85 or more",
    ]
    _show(table, as_json)


def _row(table: Table, name: str, found: Verdict, core: float) -> None:
    table.add(
        name,
        found.replies,
        found.to_itself,
        found.strikes,
        found.heard,
        found.still,
        found.gated,
        found.of_true,
        found.stood_down,
        found.late_ms,
        found.from_call_ms,
        core,
    )


def _show(table: Table, as_json: bool) -> None:
    import msgspec

    click.echo(msgspec.json.encode(table.plain()).decode() if as_json else table.text())


@main.command()
@click.option("--hours", type=float, default=24.0, show_default=True)
@click.option("--faults-every", type=float, default=2.0, show_default=True, help="Hours.")
@click.option("--palette", default="fettle", show_default=True)
@click.option("--rules", default="answer", show_default=True)
@click.option("--json", "as_json", is_flag=True)
def soak(hours: float, faults_every: float, palette: str, rules: str, as_json: bool) -> None:
    """Run for a day, with faults; does it lose, leak or drift?"""
    machine, manners = load_palette(palette), load_rules(rules)
    with tempfile.TemporaryDirectory() as folder:
        began = time.process_time()
        run = Soak(machine, manners, Path(folder) / "day.log", 3600 * faults_every)
        found = run.run(hours, told("soak"))
        found.processor_s = time.process_time() - began
    _show(_soaked(found, palette, rules), as_json)


def _soaked(found: Soaked, palette: str, rules: str) -> Table:
    table = Table(f"Soak: {found.hours:g} h of a simulated day, with faults", ("", "figure"))
    table.add("commands planned", found.planned)
    for outcome, count in sorted(found.outcomes.items()):
        table.add(f"  {outcome}", count)
    table.add("commands without a fate", found.planned - sum(found.outcomes.values()))
    table.add("  of them cut off by a power failure", found.commands_cut)
    for how, count in sorted(found.ended.items()):
        table.add(f"runs ended: {how}", count)
    table.add("channels left on", found.left_on)
    table.add("rows for the log", found.rows)
    table.add("rows cut off by a power failure", found.rows_cut)
    table.add("rows in the log", found.kept)
    table.add("log MB", found.log_mb)
    table.add("memory MB, second sample", found.memory_mb[min(1, len(found.memory_mb) - 1)])
    table.add("memory MB, last", found.memory_mb[-1])
    table.add("growth of memory %", 100 * found.growth)
    hours = [errors for errors in found.errors_ms if len(errors) > 1]
    if hours:
        table.add("off by ms, first samples (median)", sorted(hours[0])[len(hours[0]) // 2])
        table.add("off by ms, last samples (median)", sorted(hours[-1])[len(hours[-1]) // 2])
    for kind, count in found.faults.items():
        table.add(f"fault: {kind}", count)
    for where, count in sorted(found.said.items()):
        table.add(f"said: {where}", count)
    table.add("times faster than real time", 3600 * found.hours / found.processor_s)
    table.notes.append(f"rules '{rules}', palette '{palette}'; the listener is told what it hears")
    return table


if __name__ == "__main__":
    run(main)

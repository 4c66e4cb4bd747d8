"""Limits of a palette as the firmware core takes them; pin table and plan as C headers.

    python tools/firmware/limits.py PALETTE lines            for the host's board program
    python tools/firmware/limits.py PALETTE header > pins.h  pin table and limits for a board
                                    (--dry-run: one that lights lamps instead of striking)
    python tools/firmware/limits.py PALETTE plan PLAN > plan.h
                                    a plan as a table, for a board that plays without a host

All is rounded to the safe side: on-times down, currents up, temperatures down.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import click

from callresp.link.messages import VERSION
from callresp.palette.files import load_palette
from callresp.palette.model import Coil, Palette
from callresp.plan.checked_plan import CheckedPlan, check
from callresp.plan.electrical.heat import CLASS_LIMIT_C
from callresp.plan.electrical.loads import LoadModel
from callresp.plan.files import read_plan
from callresp.plan.model import Hold, Light, Strike

TICKS_PER_MS = 10
CORE_COILS, CORE_MOTORS, CORE_QUEUE, CORE_LIGHTS = 20, 4, 64, 32
# The core's heat is in whole numbers that reach this far.
HOTTEST_K = 20_000.0
# What the core may err by, kept free; the plan keeps `margins.HEAT_K` free, which is more.
CORE_HEAT_K = 0.25
# Currents are rounded to 1 µA: a sum of twenty is off by no more than this.
SUM_UA = 10


def coil_numbers(coil: Coil, palette: Palette) -> tuple[int, ...]:
    """What the core must know of a coil, in the order of its `cr_coil_limits`.

    Longest on-time in ticks, current in µA, rise at full power in mK, time
    constant in ticks, allowed rise in mK, duty and cycle in ticks, driver. All
    at the highest voltage that the supply may have, currents with copper at its
    coldest, as the plan reckons.
    """
    wiring = LoadModel(palette)
    load = wiring.coil_load(coil.channel, 0.0, 0.0, 1.0)
    # The core reckons heat from copper at 20 °C, and warms it itself; currents are of cold copper.
    rise_k = wiring.volts**2 / coil.resistance_ohm * coil.thermal_k_per_w
    allowed_k = CLASS_LIMIT_C[coil.insulation] - palette.ambient_c
    # The core's numbers end at HOTTEST_K; one that would get hotter is judged to scale.
    scale = min(HOTTEST_K / rise_k, 1.0)
    ticks = 1000 * TICKS_PER_MS
    # Where all of a cycle is allowed, rounding must not take a tick of it.
    cycle = math.ceil(coil.cycle_s * ticks - 1e-6)
    duty = cycle if coil.duty_max >= 1 else math.floor(coil.duty_max * coil.cycle_s * ticks + 1e-6)
    return (
        math.floor(coil.on_max_ms * TICKS_PER_MS + 1e-6),
        round(load.amps * 1e6),
        math.ceil(rise_k * scale * 1000),
        round(coil.thermal_time_s * ticks),
        math.floor((allowed_k - CORE_HEAT_K) * scale * 1000),
        duty,
        cycle,
        load.driver,
    )


def board_numbers(palette: Palette, dry_run: bool = False) -> tuple[int, ...]:
    """What the core must know of the board, in the order of its `cr_config`.

    Coils, motors, queue, silence in ms, current limit in µA, cut-off in mV, air
    in thousandths of a degree, lights, and 1 for a dry run.
    """
    limit_a = LoadModel(palette).supply_limit
    return (
        min(palette.board.coil_channels, CORE_COILS),
        min(palette.board.motor_channels, CORE_MOTORS),
        min(palette.board.buffer, CORE_QUEUE),
        round(palette.board.silence_ms),
        math.floor(limit_a * 1e6) + SUM_UA,
        round(palette.supply.cutoff_v * 1000),
        round(palette.ambient_c * 1000),
        min(palette.board.lights, CORE_LIGHTS),
        int(dry_run),
    )


def driver_numbers(palette: Palette) -> list[int]:
    """Each driver's limit in µA."""
    return [math.floor(driver.current_max_a * 1e6) + SUM_UA for driver in palette.driver]


def motor_numbers(palette: Palette) -> dict[int, tuple[int, ...]]:
    """By channel, in the order of `cr_motor_limits`.

    Slowest and fastest in 0.01 rev/s, longest run in ticks, µA running and
    starting, ticks of starting and of coming to rest, counts a turn.
    """
    return {
        t.channel: (
            math.floor(t.slowest_rps * 100),
            math.ceil(t.fastest_rps * 100),
            math.floor(t.run_max_s * 1000 * TICKS_PER_MS + 1e-6),
            round(t.current_a * 1e6),
            round(max(t.start_current_a, t.current_a) * 1e6),
            math.ceil(t.spin_up_s * 1000 * TICKS_PER_MS),
            math.ceil(t.slow_down_s * 1000 * TICKS_PER_MS),
            t.counts_per_rev,
        )
        for t in palette.turner
    }


def spans_needed(palette: Palette) -> int:
    """On-times that the coil with most of them may have in its cycle."""
    most = 1.0
    for striker in palette.striker:
        most = max(most, striker.coil.cycle_s * 1000 / striker.restrike_ms)
        if striker.damper is not None:
            most = max(most, striker.damper.coil.cycle_s * 1000 / striker.restrike_ms)
    return math.ceil(most) + 2


def lines(palette: Palette, dry_run: bool = False) -> str:
    """The limits as the host's board program reads them."""
    rows = ["board " + " ".join(map(str, board_numbers(palette, dry_run)))]
    rows += [f"driver {n} {limit}" for n, limit in enumerate(driver_numbers(palette))]
    for channel, coil in sorted(palette.coils().items()):
        rows.append(f"coil {channel} " + " ".join(map(str, coil_numbers(coil, palette))))
    for channel, numbers in sorted(motor_numbers(palette).items()):
        rows.append(f"motor {channel} " + " ".join(map(str, numbers)))
    return "\n".join([*rows, "go"]) + "\n"


def header(palette: Palette, dry_run: bool = False) -> str:
    """Pin table and limits as a C header; pins are numbered by channel, to be wired so."""
    names = {s.coil.channel: s.name for s in palette.striker}
    for striker in palette.striker:
        if striker.damper is not None:
            names[striker.damper.coil.channel] = f"damper of {striker.name}"
    rows = [
        f"/* Made from the palette '{palette.name}'; do not edit. */",
        "#ifndef CR_PINS_H",
        "#define CR_PINS_H",
        # Before the core is read: its memory of on-times must hold a cycle of this machine.
        "#ifndef CR_SPANS",
        f"#define CR_SPANS {max(128, spans_needed(palette))} /* give it to every file */",
        "#endif",
        '#include "core.h"',
        f"typedef char cr_pins_fit_the_core[CR_VERSION == {VERSION} ? 1 : -1];",
        "/* channel: what hangs on it */",
    ]
    rows += [f"/* coil {n:2}: {name} */" for n, name in sorted(names.items())]
    rows += [f"/* motor {t.channel}: {t.name} */" for t in palette.turner]
    rows += [
        f"/* light {n}: {'status' if n == 0 else 'lamp'} */" for n in range(palette.board.lights)
    ]
    board = ", ".join(map(str, board_numbers(palette, dry_run)))
    drivers = ", ".join(map(str, driver_numbers(palette)))
    rows.append(f"static const cr_config cr_limits = {{{board}, {{{drivers}}},")
    rows.append("    .coil = {")
    for channel, coil in sorted(palette.coils().items()):
        numbers = ", ".join(map(str, coil_numbers(coil, palette)))
        rows.append(f"        [{channel}] = {{true, {numbers}}},")
    rows.append("    },")
    rows.append("    .motor = {")
    for channel, turner in sorted(motor_numbers(palette).items()):
        rows.append(f"        [{channel}] = {{true, {', '.join(map(str, turner))}}},")
    rows += ["    }};", "#endif"]
    return "\n".join(rows) + "\n"


def plan_table(checked: CheckedPlan) -> str:
    """A checked plan as a C table of commands; `at` counts ticks from the start."""
    first_s = min((c.at_s for c in checked.plan.commands), default=0.0)
    rows = [
        f"/* A plan for '{checked.palette.name}', checked against its limits; do not edit. */",
        '#include "core.h"',
        "static const cr_command cr_plan[] = {",
    ]
    for command in checked.plan.commands:
        at = round((command.at_s - first_s) * 1000 * TICKS_PER_MS)
        length = max(math.floor(command.length_ms * TICKS_PER_MS), 1)
        start = f".channel = {command.channel}, .at = {at}, .length = {length}"
        if isinstance(command, Strike):
            rest = f".kind = 0x10, .pull = {length}, .duty = 255"
        elif isinstance(command, Hold):
            pull = min(math.floor(command.pull_ms * TICKS_PER_MS), length)
            rest = f".kind = 0x11, .pull = {pull}, .duty = {int(command.hold_duty * 255)}"
        elif isinstance(command, Light):
            rest = f".kind = 0x13, .duty = {round(command.level * 255)}"
        else:
            rest = f".kind = 0x12, .speed = {round(command.speed_rps * 100)}"
        rows.append(f"    {{{rest}, {start}}},")
    rows.append("};")
    rows.append(f"enum {{ CR_PLAN_COUNT = {len(checked.plan.commands)} }};")
    return "\n".join(rows) + "\n"


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("palette")
@click.argument("what", type=click.Choice(["lines", "header", "plan"]))
@click.argument("plan", type=click.Path(path_type=Path), required=False)
@click.option("--dry-run", is_flag=True, help="Light lamps instead of striking.")
def main(palette: str, what: str, plan: Path | None, dry_run: bool) -> None:
    """Write the limits of PALETTE for the firmware."""
    machine = load_palette(palette)
    if what == "plan":
        if plan is None:
            raise click.UsageError("name the plan")
        click.echo(plan_table(check(read_plan(plan), machine)), nl=False)
    else:
        click.echo((lines if what == "lines" else header)(machine, dry_run), nl=False)


if __name__ == "__main__":
    sys.exit(main())

"""Limits of a palette as the firmware core takes them; pin table and plan as C headers.

    python tools/firmware/limits.py PALETTE lines            for the host's board program
    python tools/firmware/limits.py PALETTE header > pins.h  pin table and limits for a board
    python tools/firmware/limits.py PALETTE plan PLAN > plan.h
                                    a plan as a table, for a board that plays without a host

All is rounded to the safe side: on-times down, currents up, temperatures down.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import click

from callresp.palette import Palette, load_palette
from callresp.palette.model import Coil
from callresp.plan import CheckedPlan, check, read_plan
from callresp.plan.heat import CLASS_LIMIT_C
from callresp.plan.loads import supply_limit_a
from callresp.plan.model import Hold, Strike

TICKS_PER_MS = 10
SLOTS_PER_S = 100
CORE_COILS, CORE_MOTORS, CORE_QUEUE = 20, 4, 64


def coil_numbers(coil: Coil, palette: Palette) -> tuple[int, ...]:
    """on_max ticks, mA, rise at full power and allowed, time constant, duty and cycle ticks.

    Rises are in mK, the time constant in slots of 10 ms.
    """
    volts = palette.supply.nominal_v
    amps = volts / coil.resistance_ohm
    rise_k = amps * volts * coil.thermal_k_per_w
    allowed_k = CLASS_LIMIT_C[coil.insulation] - palette.ambient_c
    return (
        math.floor(coil.on_max_ms * TICKS_PER_MS + 1e-6),
        math.ceil(amps * 1000),
        math.ceil(rise_k * 1000),
        max(round(coil.thermal_time_s * SLOTS_PER_S), 1),
        math.floor(allowed_k * 1000),
        math.floor(coil.duty_max * coil.cycle_s * 1000 * TICKS_PER_MS + 1e-6),
        round(coil.cycle_s * 1000 * TICKS_PER_MS),
    )


def board_numbers(palette: Palette) -> tuple[int, int, int, int, int, int]:
    """Coils, motors, queue, silence in ms, current limit in mA, cut-off in mV."""
    limit_a = supply_limit_a(palette) - palette.board.idle_current_a
    return (
        min(palette.board.coil_channels, CORE_COILS),
        min(palette.board.motor_channels, CORE_MOTORS),
        min(palette.board.buffer, CORE_QUEUE),
        round(palette.board.silence_ms),
        math.floor(limit_a * 1000),
        round(palette.supply.cutoff_v * 1000),
    )


def motor_numbers(palette: Palette) -> dict[int, tuple[int, int, int, int, int]]:
    """By channel: slowest and fastest in 0.01 rev/s, longest run in ticks, mA, counts a turn."""
    return {
        t.channel: (
            math.floor(t.slowest_rps * 100),
            math.ceil(t.fastest_rps * 100),
            math.floor(t.run_max_s * 1000 * TICKS_PER_MS),
            math.ceil(t.current_a * 1000),
            t.counts_per_rev,
        )
        for t in palette.turner
    }


def lines(palette: Palette) -> str:
    """The limits as the host's board program reads them."""
    rows = ["board " + " ".join(map(str, board_numbers(palette)))]
    for channel, coil in sorted(palette.coils().items()):
        rows.append(f"coil {channel} " + " ".join(map(str, coil_numbers(coil, palette))))
    for channel, numbers in sorted(motor_numbers(palette).items()):
        rows.append(f"motor {channel} " + " ".join(map(str, numbers)))
    return "\n".join([*rows, "go"]) + "\n"


def header(palette: Palette) -> str:
    """Pin table and limits as a C header; pins are numbered by channel, to be wired so."""
    names = {s.coil.channel: s.name for s in palette.striker}
    for striker in palette.striker:
        if striker.damper is not None:
            names[striker.damper.coil.channel] = f"damper of {striker.name}"
    rows = [
        f"/* Made from the palette '{palette.name}'; do not edit. */",
        "#ifndef CR_PINS_H",
        "#define CR_PINS_H",
        '#include "core.h"',
        "/* channel: what hangs on it */",
    ]
    rows += [f"/* coil {n:2}: {name} */" for n, name in sorted(names.items())]
    rows += [f"/* motor {t.channel}: {t.name} */" for t in palette.turner]
    board = ", ".join(map(str, board_numbers(palette)))
    rows.append(f"static const cr_config cr_limits = {{{board},")
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
def main(palette: str, what: str, plan: Path | None) -> None:
    """Write the limits of PALETTE for the firmware."""
    machine = load_palette(palette)
    if what == "plan":
        if plan is None:
            raise click.UsageError("name the plan")
        click.echo(plan_table(check(read_plan(plan), machine)), nl=False)
    else:
        click.echo(lines(machine) if what == "lines" else header(machine), nl=False)


if __name__ == "__main__":
    sys.exit(main())

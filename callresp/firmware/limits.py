"""What the firmware's core must be told of a palette, as C sources.

`header` is ``cr_config.h``, the one place of every size; `limits_source` is
``cr_limits.c``, the limits. All is rounded to the safe side: on-times down, currents up,
temperatures down.
"""

from __future__ import annotations

import math

from callresp.link.messages import VERSION
from callresp.palette.model import Coil, Palette
from callresp.plan.electrical.heat import CLASS_LIMIT_C
from callresp.plan.electrical.loads import LoadModel

TICKS_PER_MS = 10
CORE_COILS, CORE_MOTORS, CORE_QUEUE, CORE_LIGHTS = 20, 4, 64, 32
# On-times that the core remembers of a coil; more in one cycle are merged (duty.c).
SPANS_MOST = 96
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
    """On-times that the coil with most of them may have in its cycle; one that has them to
    itself all the time needs none."""
    most = 1.0
    for striker in palette.striker:
        coils = [striker.coil] + ([] if striker.damper is None else [striker.damper.coil])
        for coil in coils:
            if coil.duty_max < 1.0:
                most = max(most, coil.cycle_s * 1000 / striker.restrike_ms)
    return math.ceil(most) + 2


def header(palette: Palette, dry_run: bool = False) -> str:
    """``cr_config.h``: every size of the core, for all files alike; and what hangs where.

    Parameters
    ----------
    palette
        The machine.
    dry_run
        Make a board that lights lamps instead of switching coils and motors.
    """
    coils, motors, queue, *_, lights, _ = board_numbers(palette, dry_run)
    names = {s.coil.channel: s.name for s in palette.striker}
    for striker in palette.striker:
        if striker.damper is not None:
            names[striker.damper.coil.channel] = f"damper of {striker.name}"
    # An array in C has at least one place.
    sizes = {
        "PROTOCOL": VERSION,
        "COILS": max(coils, 1),
        "MOTORS": max(motors, 1),
        "LIGHTS": max(lights, 1),
        "DRIVERS": max(len(palette.driver), 1),
        "QUEUE": queue,
        "SPANS": min(max(spans_needed(palette), 16), SPANS_MOST),
        "DRY_RUN": int(dry_run),
    }
    rows = [
        f"/* Made from the palette '{comment(palette.name)}'; do not edit. */",
        "#ifndef CR_CONFIG_H",
        "#define CR_CONFIG_H",
        *(f"#define CR_{name} {size}" for name, size in sizes.items()),
        "/* channel: what hangs on it */",
        *(f"/* coil {n:2}: {comment(name)} */" for n, name in sorted(names.items())),
        *(f"/* motor {t.channel}: {comment(t.name)} */" for t in palette.turner),
        *(f"/* light {n}: {'status' if n == 0 else 'lamp'} */" for n in range(lights)),
        "#endif",
    ]
    return "\n".join(rows) + "\n"


def limits_source(palette: Palette, dry_run: bool = False) -> str:
    """``cr_limits.c``: what the machine stands, as the core's `cr_config`."""
    board = ", ".join(map(str, board_numbers(palette, dry_run)))
    drivers = ", ".join(map(str, driver_numbers(palette)))
    rows = [
        f"/* Made from the palette '{comment(palette.name)}'; do not edit. */",
        '#include "core.h"',
        f"const cr_config cr_limits = {{{board}, {{{drivers}}},",
        "    {",
    ]
    coils = sorted(palette.coils().items())
    for channel, coil in coils:
        numbers = ", ".join(map(str, coil_numbers(coil, palette)))
        rows.append(f"        [{channel}] = {{true, {numbers}}},")
    rows += ["    }," if coils else "        {0}},", "    {"]
    motors = sorted(motor_numbers(palette).items())
    for channel, turner in motors:
        rows.append(f"        [{channel}] = {{true, {', '.join(map(str, turner))}}},")
    # C99 knows no empty braces.
    rows += ["    }};" if motors else "        {0}}};"]
    return "\n".join(rows) + "\n"


def comment(text: str) -> str:
    r"""A text of a palette for a comment in C: it can neither end it nor begin another.

    Examples
    --------
    >>> comment("oak */ int x; /* block\\")
    'oak __ int x_ __ block_'
    """
    return "".join(one if one.isalnum() or one in " -.,()'+:" else "_" for one in text)

"""A checked plan as ``cr_plan.c``, for a board that plays without a host.

The board's own player (``player/plan_player.c``) sends it to the core as a host
would, so that the core keeps every limit. Rows are made from the very messages
that a host would send.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from callresp.errors import UserError
from callresp.firmware.limits import comment
from callresp.io.wording import counted
from callresp.link.messages import TICKS_PER_S, HoldAt, StrikeAt, TurnAt
from callresp.link.session import encode
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.model import Command

HERE = Path(__file__).resolve().parent
PLAYER = tuple(sorted((HERE / "player").glob("*.[ch]")))
# A row takes 16 bytes: half a megabyte of the flash that both chips' boards have at least.
ROWS_MAX = 32_768
LONGEST_S = 100 * 3600.0


@dataclass(frozen=True, slots=True)
class PlanStart:
    """When the board begins: `after_s` from power-up, or at the first light of `lux` from then."""

    after_s: float = 60.0
    lux: int | None = None


def plan_source(checked: CheckedPlan, start: PlanStart) -> str:
    """``cr_plan.c`` of a checked plan.

    Raises
    ------
    UserError
        When it is empty, does not fit into the board, or waits for light that
        the palette has no sensor for.
    """
    commands = checked.plan.commands
    _check(checked, start)
    first_s = commands[0].at_s
    rows = [_row(command, number, first_s) for number, command in enumerate(commands)]
    end = math.ceil((checked.plan.end_s - first_s) * TICKS_PER_S)
    return "\n".join(
        [
            f"/* A plan for '{comment(checked.palette.name)}', checked; do not edit. */",
            '#include "plan_player.h"',
            f"static const cr_plan_row rows[{len(rows)}] = {{",
            *("    {" + ", ".join(map(str, row)) + "}," for row in rows),
            "};",
            f"const cr_plan cr_own_plan = {{rows, {len(rows)},",
            f"                             {round(start.after_s * TICKS_PER_S)}u, {end}u,"
            f" {start.lux or 0}u}};",
            "",
        ]
    )


def _check(checked: CheckedPlan, start: PlanStart) -> None:
    commands, palette = checked.plan.commands, checked.palette
    where = f"plan for {palette.name}"
    if not commands:
        raise UserError("nothing is struck in it", where=where, remedy="give another plan")
    if len(commands) > ROWS_MAX:
        raise UserError(
            f"too long for the board, {counted(len(commands), 'command')}",
            where=where,
            remedy=f"at most {ROWS_MAX:,} do: stream it, or plan a shorter reply",
        )
    if checked.plan.end_s - commands[0].at_s > LONGEST_S:
        raise UserError(
            f"it lasts longer than {LONGEST_S / 3600:g} h", where=where, remedy="plan a shorter one"
        )
    if start.lux is not None and not has_light_sensor(palette):
        raise UserError(
            "waits for light, and the board has no light sensor",
            where=f"palette {palette.name}, board.pins.sensors",
            remedy="add 'BH1750' to its parts, or start by time",
        )


def has_light_sensor(palette: Palette) -> bool:
    """Whether the board can tell how light it is."""
    pins = palette.board.pins
    return pins is not None and pins.sensors is not None and "BH1750" in pins.sensors.parts


def _row(command: Command, number: int, first_s: float) -> tuple[int, ...]:
    """At, length, pull, speed, kind, channel, duty: as `cr_plan_row` has them."""
    m = encode(command, number % 256, round((command.at_s - first_s) * TICKS_PER_S))
    if isinstance(m, StrikeAt):
        return m.at, m.pulse, 0, 0, m.kind, m.channel, 0
    if isinstance(m, HoldAt):
        return m.at, m.length, m.pull, 0, m.kind, m.channel, m.duty
    if isinstance(m, TurnAt):
        return m.at, m.length, 0, m.speed, m.kind, m.channel, 0
    return m.at, 0, 0, 0, m.kind, m.channel, m.level

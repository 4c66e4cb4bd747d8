"""Lights of the board: dark while the machine plays, so that no bird is disturbed."""

from __future__ import annotations

import msgspec

from callresp.palette.model import Palette
from callresp.plan.limits import CheckedPlan, check
from callresp.plan.model import Light

# Before the first stroke, so that nothing shines into the first quiet.
BEFORE_S = 0.2


def darkened(checked: CheckedPlan) -> CheckedPlan:
    """The same plan with every light of the board off from before its first command.

    Returns
    -------
    CheckedPlan
        Judged anew; a board without lights plays the plan as it was.
    """
    plan = checked.plan
    first_s = min((command.at_s for command in plan.commands), default=0.0) - BEFORE_S
    commands = (*all_off(checked.palette, first_s), *plan.commands)
    return check(msgspec.structs.replace(plan, commands=commands), checked.palette)


def all_off(palette: Palette, at_s: float) -> tuple[Light, ...]:
    """Commands that make every light of a board dark from `at_s` on."""
    return tuple(Light(at_s=at_s, channel=number) for number in range(palette.board.lights))

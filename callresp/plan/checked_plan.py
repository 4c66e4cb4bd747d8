"""The only maker of checked plans: a plan that breaks a limit never becomes one.

`check` trusts nothing that the planner has worked out: it derives every limit
anew from the commands and the palette. The link accepts nothing but a
`CheckedPlan`, and only this module can make one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import InitVar, dataclass
from typing import NoReturn

from callresp.errors import UserError
from callresp.palette.files import fingerprint
from callresp.palette.model import Palette
from callresp.plan.model import Command, Light, Plan, PlanHeader, Turn
from callresp.plan.rules import CoilRule, MotorRule, PlanBreaksLimitError, SupplyRule, refuse

__all__ = ["CheckedPlan", "Checker", "PlanBreaksLimitError", "check"]

_KEY = object()


@dataclass(frozen=True)
class CheckedPlan:
    """A plan that keeps every limit of its palette. Only `check` and `Checker` make one."""

    plan: Plan
    palette: Palette
    # Not stored, so that dataclasses.replace can't hand the key on to another plan.
    key: InitVar[object] = None

    def __post_init__(self, key: object) -> None:
        if key is not _KEY:
            raise TypeError("a CheckedPlan comes from callresp.plan.checked_plan.check only")

    def __reduce__(self) -> NoReturn:
        raise TypeError("a CheckedPlan is not copied or stored: check the plan again")

    def __copy__(self) -> CheckedPlan:
        return self

    def __deepcopy__(self, memo: object) -> CheckedPlan:
        return self


class Checker:
    """Checks a plan in pieces, as live playing makes it.

    Commands of one channel come in order of time. A piece is refused as a
    whole, but its coils still count it, which errs on the safe side.

    Examples
    --------
    Each piece is checked together with all that went before it::

        checker = Checker(palette)
        session.send(checker.admit(commands))
    """

    def __init__(self, palette: Palette) -> None:
        self._palette = palette
        self._fingerprint = fingerprint(palette)
        coils = palette.coils()
        strikers = {striker.coil.channel: striker for striker in palette.striker}
        self._coils = {
            channel: CoilRule(coil, strikers.get(channel), palette)
            for channel, coil in coils.items()
        }
        self._motors = {turner.channel: MotorRule(turner) for turner in palette.turner}
        self._supply = SupplyRule(palette)

    def admit(self, commands: Sequence[Command]) -> CheckedPlan:
        """Check further commands; returns a checked plan of these alone.

        Raises
        ------
        PlanBreaksLimitError
            Names the command and the palette key of the limit.
        """
        ordered = tuple(sorted(commands, key=lambda command: command.at_s))
        header = PlanHeader(palette=self._palette.name, palette_sha256=self._fingerprint)
        return self.admit_plan(Plan(header=header, commands=ordered))

    def admit_plan(self, plan: Plan) -> CheckedPlan:
        """Check a plan's commands together with all that went before."""
        for command in plan.commands:
            self._admit(command)
        self._supply.admit(plan.commands)
        return CheckedPlan(plan, self._palette, _KEY)

    def _admit(self, command: Command) -> None:
        channel = command.channel
        if isinstance(command, Turn):
            if channel not in self._motors:
                refuse(command, f"no turner on motor {channel}", "turner.channel")
            self._motors[channel].admit(command)
        elif isinstance(command, Light):
            if channel not in range(self._palette.board.lights):
                refuse(command, f"no light {channel}", "board.lights")
        else:
            if channel not in self._coils:
                refuse(command, f"no coil on channel {channel}", "striker.coil.channel")
            self._coils[channel].admit(command)


def check(plan: Plan, palette: Palette) -> CheckedPlan:
    """Check a plan against every limit of a palette.

    Raises
    ------
    PlanBreaksLimitError
        Names the command and the palette key of the limit.
    UserError
        When the plan was made for another palette.
    """
    require_palette(plan, palette)
    return Checker(palette).admit_plan(plan)


def require_palette(plan: Plan, palette: Palette) -> None:
    """Refuse a palette that a plan was not made for.

    Raises
    ------
    UserError
        Where the plan names its palette's fingerprint, and it is another.
    """
    made_for = plan.header.palette_sha256
    if made_for and made_for != fingerprint(palette):
        raise UserError(
            f"the plan was made for another palette or an older state of '{plan.header.palette}'",
            where=f"palette {palette.name}",
            remedy="give the one that it was made for, or make the plan anew with callresp check",
            argument="palette",
        )

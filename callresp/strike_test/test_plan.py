"""Between the strike test's schedule and the plan that a board is sent."""

from __future__ import annotations

from dataclasses import replace

from callresp.errors import UserError
from callresp.palette.files import fingerprint
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan, PlanBreaksLimitError, check
from callresp.plan.model import Command, Hold, Plan, PlanHeader, Strike
from callresp.strike_test.protocol import StrikeTestSettings, lay_out
from callresp.strike_test.schedule import HoldAt, Schedule, StrikeAt

# A coil that gets too hot needs longer pauses; more than these and the test is no use.
PACES = (1.0, 1.6, 2.5, 4.0, 6.5)


def to_plan(schedule: Schedule, palette: Palette, name: str) -> Plan:
    """A schedule as a plan for a palette; `name` is how the plan refers to it."""
    dampers = {s.damper.coil.channel: (s.name, s.damper) for s in palette.striker if s.damper}
    names = {s.coil.channel: s.name for s in palette.striker}
    commands: list[Command] = [
        Strike(
            at_s=round(strike.at_s, 6),
            channel=strike.channel,
            pulse_ms=strike.pulse_ms,
            instrument=names[strike.channel],
        )
        for strike in schedule.strikes
    ]
    for hold in schedule.holds:
        owner, damper = dampers[hold.channel]
        hold_ms = round(1000 * hold.hold_s, 3)
        commands.append(
            Hold(
                at_s=round(hold.at_s, 6),
                channel=hold.channel,
                hold_ms=hold_ms,
                pull_ms=min(damper.pull_ms, hold_ms),
                hold_duty=damper.hold_duty,
                instrument=owner,
            )
        )
    commands.sort(key=lambda command: (command.at_s, command.channel))
    header = PlanHeader(
        palette=name, palette_sha256=fingerprint(palette), duration_s=round(schedule.end_s, 3)
    )
    return Plan(header=header, commands=tuple(commands))


def to_schedule(plan: Plan) -> Schedule:
    """A plan as measuring sees it."""
    strikes = tuple(
        StrikeAt(c.at_s, c.channel, c.pulse_ms) for c in plan.commands if isinstance(c, Strike)
    )
    holds = tuple(
        HoldAt(c.at_s, c.channel, c.hold_ms / 1000) for c in plan.commands if isinstance(c, Hold)
    )
    if not strikes:
        raise UserError("the plan has no strikes", remedy="make one with callresp strike-test")
    return Schedule(strikes, holds)


def test_plan(
    known: Palette, palette: Palette, course: StrikeTestSettings, name: str
) -> tuple[CheckedPlan, StrikeTestSettings]:
    """The strike test as a checked plan, slower where coils would get too hot.

    `known` is what is known of the machine, `palette` the same with its repeat
    limits out of the way: the plan is for that.

    Raises
    ------
    UserError
        No pace keeps every limit.
    """
    refused: PlanBreaksLimitError | None = None
    for pace in PACES:
        for lifts in (True, False):
            tried = replace(course, pace=pace * course.pace, lifts=lifts and course.lifts)
            try:
                return check(to_plan(lay_out(known, tried), palette, name), palette), tried
            except PlanBreaksLimitError as fault:
                refused = fault
    assert refused is not None
    raise refused

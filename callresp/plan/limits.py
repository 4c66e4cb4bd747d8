"""The limits as laws: a plan that breaks one is never a `CheckedPlan`.

`check` trusts nothing that the planner has worked out: it derives every limit
anew from the commands and the palette. A `CheckedPlan` can be made here only,
and the link takes nothing else.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import InitVar, dataclass
from typing import NoReturn

from callresp.errors import UserError
from callresp.palette import fingerprint
from callresp.palette.model import Coil, Palette, Turner
from callresp.plan.battery import Charge
from callresp.plan.heat import CoilHeat
from callresp.plan.loads import Wiring, supply_limit_a
from callresp.plan.model import Command, Hold, Plan, Turn

_TINY_S = 1e-7
_KEY = object()


class PlanBreaksLimitError(UserError):
    """A command that the palette does not allow."""

    def __init__(self, command: Command, what: str, limit: str) -> None:
        self.limit = limit
        where = f"plan, {command.instrument or 'channel ' + str(command.channel)}"
        super().__init__(
            f"{what} ({limit})",
            where=f"{where} at {command.at_s:.3f} s",
            remedy="make the plan anew with callresp check",
        )


@dataclass(frozen=True)
class CheckedPlan:
    """A plan that keeps every limit of its palette. Only `check` makes one."""

    plan: Plan
    palette: Palette
    # Not stored, so that dataclasses.replace can't hand the key on to another plan.
    key: InitVar[object] = None

    def __post_init__(self, key: object) -> None:
        if key is not _KEY:
            raise TypeError("a CheckedPlan comes from callresp.plan.check only")

    def __reduce__(self) -> NoReturn:
        raise TypeError("a CheckedPlan is not copied or stored: check the plan again")

    def __copy__(self) -> CheckedPlan:
        return self

    def __deepcopy__(self, memo: object) -> CheckedPlan:
        return self


def check(plan: Plan, palette: Palette) -> CheckedPlan:
    """Hold a plan against every limit of a palette.

    Raises
    ------
    PlanBreaksLimitError
        Names the command and the palette key of the limit.
    UserError
        When the plan was made for another palette.
    """
    made_for = plan.header.palette_sha256
    if made_for and made_for != fingerprint(palette):
        raise UserError(
            f"the plan was made for another palette or an older state of '{plan.header.palette}'",
            where=f"palette {palette.name}",
            remedy="make the plan anew with callresp check",
        )
    channels: dict[tuple[str, int], list[Command]] = defaultdict(list)
    for command in plan.commands:
        channels["motor" if isinstance(command, Turn) else "coil", command.channel].append(command)
    for (kind, channel), commands in channels.items():
        if kind == "coil":
            _check_coil(palette, channel, commands)
        else:
            _check_motor(palette, channel, commands)
    _check_currents(palette, plan.commands)
    _check_battery(palette, plan)
    return CheckedPlan(plan, palette, _KEY)


def _check_coil(palette: Palette, channel: int, commands: Sequence[Command]) -> None:
    coil = palette.coils().get(channel)
    striker = next((s for s in palette.striker if s.coil.channel == channel), None)
    first = commands[0]
    if coil is None:
        raise PlanBreaksLimitError(first, f"no coil on channel {channel}", "striker.coil.channel")
    heat = CoilHeat(coil, palette.supply.nominal_v, palette.ambient_c)
    last: Command | None = None
    for command in commands:
        if isinstance(command, Hold) == (striker is not None):
            raise PlanBreaksLimitError(
                command, "a damper's command on a striker, or so", "coil.channel"
            )
        if command.length_ms > coil.on_max_ms + 1e-6:
            raise PlanBreaksLimitError(
                command, f"on for {command.length_ms:.1f} ms", "coil.on_max_ms"
            )
        if last is not None:
            if command.at_s < last.at_s + last.length_ms / 1000 - _TINY_S:
                raise PlanBreaksLimitError(command, "on while still on", "coil.on_max_ms")
            gap_ms = (command.at_s - last.at_s) * 1000
            if striker is not None and gap_ms < striker.restrike_ms - 1e-3:
                raise PlanBreaksLimitError(
                    command, f"{gap_ms:.1f} ms after the last stroke", "restrike_ms"
                )
        for at_s, length_s, duty in on_times(command):
            if heat.heat(at_s, length_s, duty) > heat.limit_c:
                hot = f"its coil would reach {heat.temperature_c:.0f} °C"
                raise PlanBreaksLimitError(command, hot, "coil.insulation")
        last = command
    _check_duty(coil, commands)


def on_times(command: Command) -> Iterator[tuple[float, float, float]]:
    """Start, length and duty of the stretches in which a coil is on."""
    if isinstance(command, Hold):
        pull_s = command.pull_ms / 1000
        yield command.at_s, pull_s, 1.0
        yield command.at_s + pull_s, command.hold_ms / 1000 - pull_s, command.hold_duty
    else:
        yield command.at_s, command.length_ms / 1000, 1.0


def _check_duty(coil: Coil, commands: Sequence[Command]) -> None:
    """Relative on-time in every window that ends where a command does.

    The share in a sliding window is largest where the window ends with an
    on-time or starts with one; by symmetry the first kind is enough.
    """
    allowed_s = coil.duty_max * coil.cycle_s
    spans = [(c.at_s, c.at_s + c.length_ms / 1000) for c in commands]
    first = 0
    inside_s = 0.0
    for command, (start_s, end_s) in zip(commands, spans, strict=True):
        inside_s += end_s - start_s
        while spans[first][1] <= end_s - coil.cycle_s:
            inside_s -= spans[first][1] - spans[first][0]
            first += 1
        before_s = max(0.0, end_s - coil.cycle_s - spans[first][0])
        if inside_s - before_s > allowed_s + 1e-6:
            share = (inside_s - before_s) / coil.cycle_s
            raise PlanBreaksLimitError(
                command, f"on for {share:.1%} of {coil.cycle_s:g} s", "coil.duty_max"
            )


def _check_motor(palette: Palette, channel: int, commands: Sequence[Command]) -> None:
    turner = next((t for t in palette.turner if t.channel == channel), None)
    if turner is None:
        raise PlanBreaksLimitError(commands[0], f"no turner on motor {channel}", "turner.channel")
    turns = 0.0
    ends_s = float("-inf")
    for command in commands:
        assert isinstance(command, Turn)
        _check_turn(turner, command, ends_s)
        ends_s = command.at_s + command.run_ms / 1000
        turns += command.speed_rps * command.run_ms / 1000
        if turner.store_turns is not None and turns > turner.store_turns + 1e-6:
            raise PlanBreaksLimitError(command, f"{turns:.1f} turns in all", "turner.store_turns")


def _check_turn(turner: Turner, command: Turn, free_s: float) -> None:
    slow, fast = turner.slowest_rps, turner.fastest_rps
    if not slow - 1e-9 <= command.speed_rps <= fast + 1e-9:
        raise PlanBreaksLimitError(command, f"{command.speed_rps:.2f} rev/s", "turner.fastest_rps")
    if command.run_ms > turner.run_max_s * 1000 + 1e-6:
        raise PlanBreaksLimitError(
            command, f"runs {command.run_ms / 1000:.1f} s", "turner.run_max_s"
        )
    if command.at_s < free_s - _TINY_S:
        raise PlanBreaksLimitError(command, "runs while it still runs", "turner.channel")


def _check_currents(palette: Palette, commands: Sequence[Command]) -> None:
    wiring = Wiring(palette)
    supply_a = supply_limit_a(palette) - palette.board.idle_current_a
    limits = [*wiring.driver_limits, supply_a]
    names = [f"driver[{n + 1}].current_max_a" for n in range(len(wiring.driver_limits))]
    names.append("supply.current_max_a")
    events: list[tuple[float, int, float, int, Command]] = []
    for command in commands:
        for load in wiring.loads_of(command):
            # Ends come first where times are equal (to within float rounding).
            events.append((round(load.until_s, 7), 0, -load.amps, load.driver, command))
            events.append((round(load.from_s, 7), 1, load.amps, load.driver, command))
    now = [0.0] * len(limits)
    for _, _, amps, driver, command in sorted(events, key=lambda event: event[:2]):
        for number in (driver, -1) if driver >= 0 else (-1,):
            now[number] += amps
            if amps > 0 and now[number] > limits[number] + 1e-6:
                raise PlanBreaksLimitError(command, f"{now[number]:.2f} A at once", names[number])


def _check_battery(palette: Palette, plan: Plan) -> None:
    if not plan.commands:
        return
    wiring, charge = Wiring(palette), Charge(palette)
    for command in plan.commands:
        charge.add(wiring.loads_of(command))
    last = plan.commands[-1]
    empty_s = charge.empty_at_s(last.at_s)
    if empty_s is not None:
        raise PlanBreaksLimitError(
            last, f"the battery is empty at {empty_s / 3600:.2f} h", "supply.capacity_ah"
        )

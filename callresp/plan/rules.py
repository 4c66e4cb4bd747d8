"""The rules that a plan is checked against: a class for each kind of channel, one for the supply.

Each admits commands in order of time, or raises. Nothing here knows how a plan
was made: each rule works from the commands and the palette alone, and shares
with the planner only the physics (`heat`, `loads`, `battery`,
`schedulers.motor.turns_of`).
"""

from __future__ import annotations

import math
from collections import defaultdict, deque
from collections.abc import Sequence
from itertools import chain
from typing import NoReturn

from callresp.errors import UserError
from callresp.palette.model import Coil, Palette, Striker, Turner
from callresp.plan.electrical.battery import BatteryDay
from callresp.plan.electrical.heat import CoilHeat
from callresp.plan.electrical.loads import Load, LoadModel, stretches, supply_limit_a
from callresp.plan.model import Command, Hold, Strike, Turn
from callresp.plan.schedulers.motor import turns_of
from callresp.plan.tolerances import duty_guard_s, joined_run_s, off_by_s

_TINY_S = 1e-7
# Commands may be admitted out of order by this much across channels.
LOOK_BACK_S = 60.0


class PlanBreaksLimitError(UserError):
    """A command that the palette does not allow; `limit` is the palette's key."""

    def __init__(self, command: Command, what: str, limit: str) -> None:
        self.limit = limit
        where = f"plan, {command.instrument or 'channel ' + str(command.channel)}"
        super().__init__(
            f"{what} ({limit})",
            where=f"{where} at {command.at_s:.3f} s",
            remedy="make the plan anew with callresp check",
        )


def refuse(command: Command, what: str, limit: str) -> NoReturn:
    """Raise for a command."""
    raise PlanBreaksLimitError(command, what, limit)


def on_times(command: Strike | Hold) -> tuple[tuple[float, float, float], ...]:
    """Start, length and duty of the stretches in which a coil is on."""
    at_s = command.at_s
    if isinstance(command, Strike):
        return ((at_s, command.pulse_ms / 1000, 1.0),)
    pull_s = command.pull_ms / 1000
    rest_s = command.hold_ms / 1000 - pull_s
    return (at_s, pull_s, 1.0), (at_s + pull_s, rest_s, command.hold_duty)


class CoilRule:
    """On-time, relative on-time, pauses, heat and re-striking of one coil."""

    def __init__(self, coil: Coil, striker: Striker | None, palette: Palette) -> None:
        self._coil = coil
        self._striker = striker
        self._heat = CoilHeat(coil, palette.supply.highest_v, palette.ambient_c)
        self._spans: deque[tuple[float, float]] = deque()
        self._inside_s = 0.0
        self._allowed_s = coil.duty_max * coil.cycle_s
        if coil.duty_max < 1.0:
            self._allowed_s -= duty_guard_s(coil.cycle_s)
        self._last_s = self._end_s = self._free_s = -math.inf

    def admit(self, command: Strike | Hold) -> None:
        """Check one command."""
        if isinstance(command, Hold) == (self._striker is not None):
            kind = type(command).__name__.lower()
            refuse(command, f"a {kind} on a channel of another kind", "coil.channel")
        at_s, length_ms = command.at_s, command.length_ms
        if length_ms > self._coil.on_max_ms + 1e-6:
            refuse(command, f"on for {length_ms:.1f} ms", "coil.on_max_ms")
        if at_s < self._free_s - _TINY_S:
            refuse(command, "on while still on", "coil.on_max_ms")
        gap_ms = (at_s - self._last_s) * 1000
        if self._striker is not None and gap_ms < self._striker.restrike_ms - 1e-3:
            refuse(command, f"{gap_ms:.1f} ms after the last stroke", "restrike_ms")
        self._last_s = at_s
        self._end_s = at_s + length_ms / 1000
        # By the board's clock it must be off before the next one starts.
        self._free_s = off_by_s(at_s, length_ms / 1000)
        for part in on_times(command):
            if self._heat.heat(*part) > self._heat.limit_c + 1e-9:
                hot = f"its coil would reach {self._heat.temperature_c:.0f} °C"
                refuse(command, hot, "coil.insulation")
        self._duty(command)

    def _duty(self, command: Strike | Hold) -> None:
        """Relative on-time in the cycle that ends where the command does.

        The on-time within a sliding cycle grows only while the coil is on, so
        it is largest at the end of an on-time: checking there is enough.
        """
        end_s, cycle_s = self._end_s, self._coil.cycle_s
        self._spans.append((self._last_s, end_s))
        self._inside_s += end_s - self._last_s
        while self._spans[0][1] <= end_s - cycle_s:
            start_s, gone_s = self._spans.popleft()
            self._inside_s -= gone_s - start_s
        used_s = self._inside_s - max(0.0, end_s - cycle_s - self._spans[0][0])
        if used_s > self._allowed_s + 1e-6:
            refuse(command, f"on for {used_s / cycle_s:.1%} of {cycle_s:g} s", "coil.duty_max")


class MotorRule:
    """Speeds, longest run and stored turns of one turner."""

    def __init__(self, turner: Turner) -> None:
        self._turner = turner
        self._run_start_s = self._free_s = self._rest_s = -math.inf
        self._turns = 0.0

    def admit(self, command: Turn) -> None:
        """Check one command."""
        turner, run_s = self._turner, command.run_ms / 1000
        if command.speed_rps > turner.fastest_rps + 1e-9:
            refuse(command, f"{command.speed_rps:.2f} turns/s", "turner.fastest_rps")
        if command.speed_rps < turner.slowest_rps - 1e-9:
            refuse(command, f"{command.speed_rps:.2f} turns/s", "turner.slowest_rps")
        if command.at_s < self._free_s - _TINY_S:
            refuse(command, "runs while it still runs", "turner.channel")
        most_s = joined_run_s(turner.run_max_s)
        if command.at_s >= self._rest_s - _TINY_S:
            self._run_start_s, most_s = command.at_s, turner.run_max_s
        self._free_s = off_by_s(command.at_s, run_s)
        self._rest_s = off_by_s(command.at_s, run_s + turner.slow_down_s)
        ran_s = command.at_s + run_s - self._run_start_s
        if ran_s > most_s + 1e-6:
            refuse(command, f"runs {ran_s:.1f} s without coming to rest", "turner.run_max_s")
        self._turns += turns_of(turner, command.speed_rps, run_s)
        if turner.store_turns is not None and self._turns > turner.store_turns + 1e-6:
            refuse(command, f"{self._turns:.1f} turns in all", "turner.store_turns")


class SupplyRule:
    """Current at one moment, by driver and in all; charge and sag over the day."""

    def __init__(self, palette: Palette) -> None:
        self._load_model = LoadModel(palette)
        self._mean = LoadModel(palette, palette.supply.nominal_v)
        self._day = BatteryDay(palette)
        supply_a = supply_limit_a(palette) - palette.board.idle_current_a
        self._limits = [*self._load_model.driver_limits, supply_a]
        self._keys = [f"driver[{n}].current_max_a" for n in range(1, len(self._limits))]
        self._keys.append("supply.current_max_a")
        self._recent = _RecentLoads()
        self._since_s = -math.inf
        self._near_empty = False

    def admit(self, commands: Sequence[Command]) -> None:
        """Check commands together with those that are on at the same time."""
        fresh = [
            (load, command) for command in commands for load in self._load_model.loads_of(command)
        ]
        if not fresh:
            return
        first, last = min(fresh, key=_start), max(fresh, key=_start)
        if first[0].from_s < self._since_s:
            refuse(first[1], "admitted long after its time", "supply.current_max_a")
        # Earlier loads were judged when they came: only those beside the fresh ones count.
        until_s = max(load.until_s for load, _ in fresh)
        beside = [*self._recent.beside(first[0].from_s, until_s), *fresh]
        self._currents(beside)
        self._recent.add(fresh)
        self._day.use(load for command in commands for load in self._mean.loads_of(command))
        sure = self._day.sure_of(last[0].from_s, self._limits[-1])
        if not sure:
            # While it was sure nobody asked for peaks: the last minute's are needed from now on.
            unjudged = beside if self._near_empty else self._recent.all()
            self._day.peak(stretches(load for load, _ in unjudged))
        self._near_empty = not sure
        self._since_s = max(self._since_s, first[0].from_s - LOOK_BACK_S)
        self._recent.forget_before(self._since_s)
        stop = None if sure else self._day.stop(last[0].from_s)
        if stop is not None:
            refuse(last[1], f"{stop.why} at {stop.at_s / 3600:.2f} h", stop.limit)

    def _currents(self, loads: list[tuple[Load, Command]]) -> None:
        events: list[tuple[float, bool, int, float]] = []
        for number, (load, _) in enumerate(loads):
            # Ends come first where times are equal (to within float rounding).
            events.append((round(load.until_s, 7), False, number, -load.amps))
            events.append((round(load.from_s, 7), True, number, load.amps))
        events.sort()
        now, limits = [0.0] * len(self._limits), [limit + 1e-6 for limit in self._limits]
        for _, begins, number, amps in events:
            load, command = loads[number]
            for place in (load.driver, -1) if load.driver >= 0 else (-1,):
                now[place] += amps
                if begins and now[place] > limits[place]:
                    refuse(command, f"{now[place]:.2f} A at once", self._keys[place])


def _start(item: tuple[Load, Command]) -> float:
    return item[0].from_s


class _RecentLoads:
    """Loads by the stretch of time that they lie in, so that a key pressed now waits for no search.

    A load that reaches over several stretches stands in each.
    """

    STRETCH_S = 2.0

    def __init__(self) -> None:
        self._stretches: dict[int, list[tuple[int, Load, Command]]] = defaultdict(list)
        self._count = 0

    def add(self, items: Sequence[tuple[Load, Command]]) -> None:
        """Add loads."""
        for load, command in items:
            self._count += 1
            for number in self._numbers(load.from_s, load.until_s):
                self._stretches[number].append((self._count, load, command))

    def beside(self, from_s: float, until_s: float) -> list[tuple[Load, Command]]:
        """Loads that are on at any time of a span."""
        found = {}
        span = self._numbers(from_s, until_s)
        numbers: Sequence[int] = span
        if len(span) > len(self._stretches):
            # A long rest: most stretches of the span hold nothing.
            numbers = sorted(number for number in self._stretches if number in span)
        for number in numbers:
            for count, load, command in self._stretches.get(number, ()):
                if load.until_s >= from_s and load.from_s <= until_s:
                    found[count] = (load, command)
        return list(found.values())

    def all(self) -> list[tuple[Load, Command]]:
        """Every load that was not forgotten."""
        rows = chain.from_iterable(self._stretches.values())
        return list({count: (load, command) for count, load, command in rows}.values())

    def forget_before(self, at_s: float) -> None:
        """Drop what was over by a time, stretch by stretch."""
        least = math.floor(at_s / self.STRETCH_S)
        for number in [number for number in self._stretches if number < least]:
            del self._stretches[number]

    def _numbers(self, from_s: float, until_s: float) -> range:
        return range(math.floor(from_s / self.STRETCH_S), math.floor(until_s / self.STRETCH_S) + 1)

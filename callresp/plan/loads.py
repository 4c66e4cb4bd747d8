"""Current at each moment: per driver, and of the whole supply.

A load is a stretch of time with a steady current. Loads are added in about the
order of time; what lies far behind is dropped as we go, so that a day's plan
costs no more a strike than a minute's.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from callresp.palette.model import Palette
from callresp.plan.model import Command, Hold, Strike

TINY = 1e-9


@dataclass(frozen=True, slots=True)
class Load:
    """A steady current from `from_s` until `until_s`, on a driver (-1: none)."""

    from_s: float
    until_s: float
    amps: float
    driver: int


class Wiring:
    """Which coil hangs on which driver, and what it draws."""

    def __init__(self, palette: Palette) -> None:
        self.palette = palette
        self.coils = palette.coils()
        self.turners = {item.channel: item for item in palette.turner}
        self._driver = {
            channel: number
            for number, driver in enumerate(palette.driver)
            for channel in driver.channels
        }
        self.driver_limits = [driver.current_max_a for driver in palette.driver]
        self.supply_limit = supply_limit_a(palette) - palette.board.idle_current_a

    def loads_of(self, command: Command) -> list[Load]:
        """The loads that a command puts on the supply; coils counted cold, at 20 °C."""
        start_s = command.at_s
        if isinstance(command, Strike):
            return [self.coil_load(command.channel, start_s, command.pulse_ms / 1000, 1.0)]
        if isinstance(command, Hold):
            pull_s = command.pull_ms / 1000
            rest_s = command.hold_ms / 1000 - pull_s
            parts = [
                self.coil_load(command.channel, start_s, pull_s, 1.0),
                self.coil_load(command.channel, start_s + pull_s, rest_s, command.hold_duty),
            ]
            return [part for part in parts if part.until_s > part.from_s]
        turner = self.turners[command.channel]
        end_s = start_s + command.run_ms / 1000
        spun_s = min(start_s + turner.spin_up_s, end_s)
        loads = [Load(start_s, spun_s, turner.start_current_a, -1)]
        if end_s > spun_s:
            loads.append(Load(spun_s, end_s, turner.current_a, -1))
        return loads

    def coil_load(self, channel: int, from_s: float, length_s: float, duty: float) -> Load:
        """Load of one coil that is on for a while."""
        amps = duty * self.palette.supply.nominal_v / self.coils[channel].resistance_ohm
        return Load(from_s, from_s + length_s, amps, self._driver[channel])


def supply_limit_a(palette: Palette) -> float:
    """The largest current: the supply's own, or where it sags to the cut-off voltage."""
    supply = palette.supply
    if supply.internal_ohm <= 0 or supply.cutoff_v <= 0:
        return supply.current_max_a
    sag_a = max(supply.nominal_v - supply.cutoff_v, 0.0) / supply.internal_ohm
    return min(supply.current_max_a, sag_a)


class Ledger:
    """The loads placed so far; tells when a new one would be too much."""

    def __init__(self, wiring: Wiring) -> None:
        self._wiring = wiring
        self._placed: deque[Load] = deque()

    def forget_before(self, at_s: float) -> None:
        """Drop loads that ended before `at_s`."""
        if self._placed and self._placed[0].until_s < at_s:
            self._placed = deque(load for load in self._placed if load.until_s >= at_s)

    def place(self, loads: Iterable[Load]) -> None:
        """Add loads that fit."""
        self._placed.extend(loads)

    def too_much(self, loads: list[Load]) -> tuple[str, float, float, float] | None:
        """The first limit that `loads` would break.

        Returns
        -------
        limit, asked_a, allowed_a, free_s
            The palette key, the current there would be, the current allowed,
            and when the next load that stands in the way ends.
        """
        start_s = min(load.from_s for load in loads)
        end_s = max(load.until_s for load in loads)
        near = [p for p in self._placed if p.from_s < end_s and p.until_s > start_s]
        every = [*near, *loads]
        for moment in sorted({start_s, *(p.from_s for p in every if p.from_s > start_s)}):
            now = [p for p in every if p.from_s <= moment < p.until_s]
            broken = self._broken(now)
            if broken:
                ends = [p.until_s for p in near if p.from_s <= moment < p.until_s]
                return (*broken, min(ends, default=end_s))
        return None

    def _broken(self, now: list[Load]) -> tuple[str, float, float] | None:
        total = sum(load.amps for load in now)
        if total > self._wiring.supply_limit + TINY:
            return "supply.current_max_a", total, self._wiring.supply_limit
        for number, limit in enumerate(self._wiring.driver_limits):
            amps = sum(load.amps for load in now if load.driver == number)
            if amps > limit + TINY:
                return f"driver[{number + 1}].current_max_a", amps, limit
        return None

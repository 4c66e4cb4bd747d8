"""Current at each moment: of each driver, and of the whole supply.

A load is a stretch of time with a steady current. A coil draws most with a full
battery and cold copper, so for limits it is reckoned at the supply's highest
voltage and at the coldest temperature of the palette; heat and force are reckoned
with the copper as warm as it gets.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from operator import add

import msgspec

from callresp.palette.model import Palette
from callresp.plan.model import Command, Hold, Light, Strike
from callresp.plan.tolerances import off_by_s

TINY = 1e-9


class Load(msgspec.Struct, frozen=True, gc=False):
    """A steady current from `from_s` until `until_s`, on a driver (-1: none)."""

    from_s: float
    until_s: float
    amps: float
    driver: int


class Excess(msgspec.Struct, frozen=True):
    """A limit that loads would exceed.

    At `at_s` the current would be `asked_a`, with `allowed_a` allowed; the next
    load that is in the way ends at `free_s`. `limit` is the palette key.
    """

    limit: str
    asked_a: float
    allowed_a: float
    at_s: float
    free_s: float


class LoadModel:
    """The current of each channel, and the driver that it is on.

    Parameters
    ----------
    palette
    volts
        Supply voltage, for mean currents, with copper at `ambient_c`. Without it
        the loads are for limits: at the highest voltage, with copper at its
        coldest, each until it is certainly off on the board.
    """

    def __init__(self, palette: Palette, volts: float | None = None) -> None:
        self.palette = palette
        self._off_s = off_by_s if volts is None else add
        self.volts = palette.supply.highest_v if volts is None else volts
        self.turners = {item.channel: item for item in palette.turner}
        copper_c = palette.coldest_copper_c if volts is None else palette.ambient_c
        self._amps = {
            channel: self.volts / coil.ohm_at(copper_c) for channel, coil in palette.coils().items()
        }
        self._driver = {
            channel: number
            for number, driver in enumerate(palette.driver)
            for channel in driver.channels
        }
        self.driver_limits = [driver.current_max_a for driver in palette.driver]
        self.supply_limit = supply_limit_a(palette) - palette.board.idle_current_a

    def loads_of(self, command: Command) -> list[Load]:
        """The loads that a command puts on the supply."""
        start_s = command.at_s
        if isinstance(command, Strike):
            return [self.coil_load(command.channel, start_s, command.pulse_ms / 1000, 1.0)]
        if isinstance(command, Hold):
            hold_s, pull_s = command.hold_ms / 1000, command.pull_ms / 1000
            return self.hold_loads(command.channel, start_s, hold_s, pull_s, command.hold_duty)
        if isinstance(command, Light):
            return []
        turner = self.turners[command.channel]
        end_s = self._off_s(start_s, command.run_ms / 1000)
        spun_s = min(self._off_s(start_s, turner.spin_up_s), end_s)
        start_a = max(turner.start_current_a, turner.current_a)
        loads = [Load(start_s, spun_s, start_a, -1)]
        if end_s > spun_s:
            loads.append(Load(spun_s, end_s, turner.current_a, -1))
        return loads

    def coil_load(self, channel: int, from_s: float, length_s: float, duty: float) -> Load:
        """Load of one coil that is on for a while."""
        amps = duty * self._amps[channel]
        return Load(from_s, self._off_s(from_s, length_s), amps, self._driver[channel])

    def hold_loads(
        self, channel: int, from_s: float, hold_s: float, pull_s: float, duty: float
    ) -> list[Load]:
        """Loads of a hold: full current while it pulls, then less."""
        whole = self.coil_load(channel, from_s, hold_s, duty)
        if pull_s <= 0:
            return [whole]
        pull = self.coil_load(channel, from_s, min(pull_s, hold_s), 1.0)
        if whole.until_s <= pull.until_s:
            return [pull]
        return [pull, Load(pull.until_s, whole.until_s, whole.amps, whole.driver)]


def supply_limit_a(palette: Palette) -> float:
    """The largest current: the supply's own, or where it sags to the cut-off voltage."""
    supply = palette.supply
    if supply.internal_ohm <= 0 or supply.cutoff_v <= 0:
        return supply.current_max_a
    sag_a = max(supply.nominal_v - supply.cutoff_v, 0.0) / supply.internal_ohm
    return min(supply.current_max_a, sag_a)


def stretches(loads: Iterable[Load]) -> Iterator[tuple[float, float, float]]:
    """Stretches (from, until, amps in all) between the switchings of `loads`, in order."""
    events = []
    for load in loads:
        events += [(load.from_s, load.amps), (load.until_s, -load.amps)]
    events.sort()
    now_a, since_s = 0.0, 0.0
    for at_s, amps in events:
        if at_s > since_s and now_a > TINY:
            yield since_s, at_s, now_a
        now_a += amps
        since_s = at_s


class CurrentTimeline:
    """The currents placed so far; says when further ones would exceed a limit.

    Final loads are kept in a list from which past ones are removed as time goes
    on, so that a stroke costs no more in a day's plan than in a minute's. The
    loads of a hold that may still change are kept under its channel.
    """

    def __init__(self, load_model: LoadModel) -> None:
        self.load_model = load_model
        self._placed: list[Load] = []
        self._held: dict[int, list[Load]] = {}
        self._drop_at = 32
        self.since_s = -math.inf

    def forget_before(self, at_s: float) -> None:
        """Drop loads that end before `at_s`; nothing will be placed there any more."""
        self.since_s = max(self.since_s, at_s)
        if len(self._placed) > self._drop_at:
            self._placed = [load for load in self._placed if load.until_s >= self.since_s]
            self._drop_at = 32 + len(self._placed) * 5 // 4

    def place(self, loads: Iterable[Load]) -> None:
        """Add final loads."""
        self._placed.extend(loads)

    def hold(self, channel: int, loads: list[Load]) -> None:
        """Set the loads of a hold that may still change; an empty list removes it."""
        self._held[channel] = loads

    def too_much(self, loads: list[Load], without: int | None = None) -> Excess | None:
        """The first limit in time that a command's `loads` would exceed.

        They follow each other; a hold on the channel `without` is left out.
        """
        start_s, end_s = loads[0].from_s, loads[-1].until_s
        near = [p for p in self._placed if p.from_s < end_s and p.until_s > start_s]
        for channel, held in self._held.items():
            if held and channel != without:
                near += [p for p in held if p.from_s < end_s and p.until_s > start_s]
        if self._all_fit(near, loads):
            return None
        return self._first_excess(near, loads, start_s, end_s)

    def _all_fit(self, near: list[Load], loads: list[Load]) -> bool:
        """Whether all would fit even if all were on at once: the quick and common case."""
        room = self.load_model.supply_limit
        rooms = self.load_model.driver_limits.copy()
        for load in (*near, *loads):
            room -= load.amps
            if load.driver >= 0:
                rooms[load.driver] -= load.amps
        return room >= 0 and min(rooms) >= 0

    def _first_excess(
        self, near: list[Load], loads: list[Load], start_s: float, end_s: float
    ) -> Excess | None:
        events: list[tuple[float, int, float, int]] = []
        for load in (*near, *loads):
            # At equal times, ends come before starts.
            events.append((max(load.from_s, start_s), 1, load.amps, load.driver))
            events.append((load.until_s, 0, -load.amps, load.driver))
        events.sort()
        total, by_driver = 0.0, [0.0] * len(self.load_model.driver_limits)
        for moment_s, begins, amps, driver in events:
            total += amps
            if driver >= 0:
                by_driver[driver] += amps
            if begins and (broken := self._broken(total, by_driver, driver)):
                ends = [p.until_s for p in near if p.from_s <= moment_s < p.until_s]
                return Excess(*broken, moment_s, min(ends, default=end_s))
        return None

    def _broken(
        self, total: float, by_driver: list[float], driver: int
    ) -> tuple[str, float, float] | None:
        if total > self.load_model.supply_limit + TINY:
            return "supply.current_max_a", total, self.load_model.supply_limit
        if driver >= 0 and by_driver[driver] > self.load_model.driver_limits[driver] + TINY:
            limit = self.load_model.driver_limits[driver]
            return f"driver[{driver + 1}].current_max_a", by_driver[driver], limit
        return None

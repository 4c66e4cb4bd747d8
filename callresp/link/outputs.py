"""The board's outputs: what is on, until when, and what it refuses to switch on."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from callresp.link.messages import TICKS_PER_S, HoldAt, StrikeAt, Timed, TurnAt
from callresp.palette.model import Palette
from callresp.plan.heat import CoilHeat
from callresp.plan.loads import supply_limit_a

PULSES_PER_S = 100_000
SPEEDS_PER_RPS = 100
# What rounding to the line's units may add to a command that is exactly at a limit.
ROUNDING_S = 0.0002


@dataclass(frozen=True, slots=True)
class Switched:
    """A channel that is on until `until_s` (board time)."""

    output: str
    channel: int
    from_s: float
    until_s: float
    amps: float


class Outputs:
    """Coils and motors, each with its limits.

    Parameters
    ----------
    palette
        The channels that there are and what they stand.
    """

    def __init__(self, palette: Palette) -> None:
        self._palette = palette
        self._coils = palette.coils()
        self._turners = {item.channel: item for item in palette.turner}
        self._limit_a = supply_limit_a(palette) - palette.board.idle_current_a
        volts = palette.supply.nominal_v
        self._heat = {
            channel: CoilHeat(coil, volts, palette.ambient_c)
            for channel, coil in self._coils.items()
        }
        self.on: list[Switched] = []
        self._spans: dict[int, deque[tuple[float, float]]] = {n: deque() for n in self._coils}

    @property
    def hottest_c(self) -> float:
        """Temperature of the warmest coil."""
        temperatures = [heat.temperature_c for heat in self._heat.values()]
        return max(temperatures, default=self._palette.ambient_c)

    @property
    def next_end_s(self) -> float:
        """When the next channel goes off."""
        return min((item.until_s for item in self.on), default=float("inf"))

    def end_due(self, at_s: float) -> list[Switched]:
        """Switch off what is due by `at_s`."""
        due = [item for item in self.on if item.until_s <= at_s]
        self.on = [item for item in self.on if item.until_s > at_s]
        return due

    def release_all(self) -> list[Switched]:
        """Switch everything off."""
        was, self.on = self.on, []
        return was

    def switch(self, message: Timed, at_s: float) -> tuple[str, Switched | None]:
        """Switch a channel on, or refuse: its fate, and what is on now for it."""
        if isinstance(message, TurnAt):
            wanted = self._motor(message, at_s)
        else:
            wanted = self._coil(message, at_s)
        if isinstance(wanted, str):
            return wanted, None
        busy = any(i.output == wanted.output and i.channel == wanted.channel for i in self.on)
        total = sum(item.amps for item in self.on) + wanted.amps
        if busy or total > self._limit_a + 1e-6:
            return "over a limit", None
        if not isinstance(message, TurnAt):
            if not self._within_duty(wanted) or not self._warm(message, wanted):
                return "over a limit", None
            self._spans[wanted.channel].append((wanted.from_s, wanted.until_s))
        self.on.append(wanted)
        return "executed", wanted

    def _coil(self, message: StrikeAt | HoldAt, at_s: float) -> Switched | str:
        coil = self._coils.get(message.channel)
        if coil is None:
            return "no such channel"
        volts = self._palette.supply.nominal_v
        if isinstance(message, StrikeAt):
            length_s, duty = message.pulse / PULSES_PER_S, 1.0
        else:
            length_s, duty = message.length / TICKS_PER_S, message.duty / 255
        if length_s <= 0 or length_s > coil.on_max_ms / 1000 + ROUNDING_S:
            return "over a limit"
        amps = duty * volts / coil.resistance_ohm
        return Switched("coil", message.channel, at_s, at_s + length_s, amps)

    def _motor(self, message: TurnAt, at_s: float) -> Switched | str:
        turner = self._turners.get(message.channel)
        if turner is None:
            return "no such channel"
        length_s, speed = message.length / TICKS_PER_S, message.speed / SPEEDS_PER_RPS
        slow, fast = turner.slowest_rps, turner.fastest_rps
        too_long = not 0 < length_s <= turner.run_max_s + ROUNDING_S
        if too_long or not slow - 0.006 <= speed <= fast + 0.006:
            return "over a limit"
        return Switched("motor", message.channel, at_s, at_s + length_s, turner.current_a)

    def _within_duty(self, wanted: Switched) -> bool:
        """Whether the channel's on-time in its cycle leaves room for this one."""
        coil, spans = self._coils[wanted.channel], self._spans[wanted.channel]
        since_s = wanted.until_s - coil.cycle_s
        while spans and spans[0][1] <= since_s:
            spans.popleft()
        used_s = sum(end - max(start, since_s) for start, end in spans)
        length_s = wanted.until_s - wanted.from_s
        return used_s + length_s <= coil.duty_max * coil.cycle_s + ROUNDING_S * (len(spans) + 1)

    def _warm(self, message: StrikeAt | HoldAt, wanted: Switched) -> bool:
        """Count the heat of a pulse before it is given; refuse one that would burn."""
        trial = self._heat[message.channel].copy()
        length_s = wanted.until_s - wanted.from_s
        if isinstance(message, StrikeAt):
            hot_c = trial.heat(wanted.from_s, length_s, 1.0)
        else:
            pull_s = min(message.pull / TICKS_PER_S, length_s)
            trial.heat(wanted.from_s, pull_s, 1.0)
            hot_c = trial.heat(wanted.from_s + pull_s, length_s - pull_s, message.duty / 255)
        if hot_c > trial.limit_c:
            return False
        self._heat[message.channel] = trial
        return True

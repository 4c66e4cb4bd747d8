"""The board's outputs: what is on, until when, and what it refuses to switch on.

`SupplyMonitor` tells a flat battery from one that sags under a stroke.

Its limits are those of the plan, by the same physics and the same highest
voltage: longest on-time, relative on-time, heat, and current of each driver
and of the supply. What a machine stands is judged here; what sounds clean
(the pause between two strokes, the turns in a spring's store) is the plan's.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from callresp.link.messages import TICKS_PER_S, HoldAt, LightAt, StrikeAt, TurnAt
from callresp.palette.model import Palette, Turner
from callresp.plan.electrical.heat import CLASS_LIMIT_C, CoilHeat
from callresp.plan.electrical.loads import LoadModel

PULSES_PER_S = 100_000
SPEEDS_PER_RPS = 100
# Sums of floats may pass a limit by this; a plan stays further inside (`plan.margins`).
ROUNDING_S = 1e-7
ROUNDING_A = 1e-6

# A reading of the supply every so often; after a load went off it comes back in `SAG_S`; under
# a load that lasts longer than `BLIND_S` a reading counts all the same. The core in C has these
# same figures (common practice, no source).
SUPPLY_EVERY_S = 0.1
SAG_S = 0.05
BLIND_S = 2.0
# On end: so long below the cut-off is a flat battery; so long well above it, and it may play.
LOW_S = 3.0
GOOD_S = 30.0
GOOD_SHARE = 1 + 1 / 32

# A motor that runs is looked at every `STALL_S`, or after `STALL_COUNTS` of its encoder where
# that takes longer; one that did not turn is switched off, and rests for `JAM_S`.
STALL_S = 0.5
STALL_COUNTS = 8
JAM_S = 10.0

Switching = StrikeAt | HoldAt | TurnAt


@dataclass(frozen=True, slots=True)
class ActiveOutput:
    """A channel that is on until `until_s` (board time).

    It draws `first_a` until `change_s`, and `amps` from then on; `driver` is
    its group's number, -1 for a motor.
    """

    output: str
    channel: int
    from_s: float
    until_s: float
    amps: float
    first_a: float = 0.0
    change_s: float = -math.inf
    driver: int = -1

    def amps_at(self, at_s: float) -> float:
        """Current at a time while it is on."""
        return self.first_a if at_s < self.change_s else self.amps


@dataclass(frozen=True, slots=True)
class RetainedState:
    """What no restart may forget.

    Of each coil, by channel: rise over the air in K, of it what was only assumed, on-time in the
    last cycle in s, and how long ago the last of it was. Of each motor how long it must rest, in
    s. And whether the battery was flat.
    """

    coils: dict[int, tuple[float, float, float, float]]
    motors: dict[int, float]
    flat: bool = False


def worst_state(palette: Palette) -> RetainedState:
    """The worst that can have been, for a board that knows nothing of what was before."""
    coils = {
        channel: (rise_k, rise_k, coil.duty_max * coil.cycle_s, 0.0)
        for channel, coil in palette.coils().items()
        for rise_k in [CLASS_LIMIT_C[coil.insulation] - palette.ambient_c]
    }
    return RetainedState(coils, {t.channel: max(JAM_S, t.slow_down_s) for t in palette.turner})


class Outputs:
    """Coils, motors and lights, each with its limits.

    It starts at `at_s` with what was `kept` from before; the time off counts as none.
    """

    def __init__(
        self, palette: Palette, kept: RetainedState | None = None, at_s: float = 0.0
    ) -> None:
        self._palette = palette
        self._coils = palette.coils()
        self._turners = {item.channel: item for item in palette.turner}
        self._wiring = LoadModel(palette)
        self._heat = {
            channel: CoilHeat(coil, self._wiring.volts, palette.ambient_c)
            for channel, coil in self._coils.items()
        }
        self.on: list[ActiveOutput] = []
        # The status light tells that there is power, until it is told to be dark.
        self.lights = [255 if number == 0 else 0 for number in range(palette.board.lights)]
        # When the spell of a motor's runs began, and when the last of them ends.
        self._spells = dict.fromkeys(self._turners, (0.0, -math.inf))
        # By motor: when it is looked at next, how often, and until when it rests after a jam.
        self._looks: dict[int, tuple[float, float]] = {}
        self._rests = dict.fromkeys(self._turners, -math.inf)
        self.jammed: set[int] = set()
        self._spans: dict[int, deque[tuple[float, float]]] = {n: deque() for n in self._coils}
        # By coil: on-time before this start and when its last ended (all of it counts until that
        # has left the cycle); and the rise that was only assumed then.
        self._before = dict.fromkeys(self._coils, (0.0, -math.inf))
        self._assumed_k = dict.fromkeys(self._coils, 0.0)
        # By coil: the warmest that its last on-time made it.
        self._peak_k: dict[int, float] = {}
        self._started_s = self.rested_s = at_s
        if kept is not None:
            self._recall(kept, at_s)

    def _recall(self, kept: RetainedState, at_s: float) -> None:
        for channel, (rise_k, assumed_k, used_s, age_s) in kept.coils.items():
            coil, heat = self._coils[channel], self._heat[channel]
            heat.cool_until(at_s)
            heat.rise_k, self._assumed_k[channel] = rise_k, assumed_k
            self._before[channel] = used_s, at_s - age_s
            if coil.duty_max < 1 and used_s >= coil.duty_max * coil.cycle_s - ROUNDING_S:
                self.rested_s = max(self.rested_s, at_s - age_s + coil.cycle_s)
        self._rests |= {channel: at_s + rest_s for channel, rest_s in kept.motors.items()}

    def kept(self, at_s: float, flat: bool) -> RetainedState:
        """What a restart at `at_s` must not forget."""
        coils = {}
        for channel, coil in self._coils.items():
            self._heat[channel].cool_until(at_s)
            used_s = self._used_s(channel, at_s - coil.cycle_s)
            last_s = max(end_s for _, end_s in (self._before[channel], *self._spans[channel]))
            age_s = min(max(at_s - last_s, 0.0), coil.cycle_s)
            rise_k, assumed_k = self._heat[channel].rise_k, self._assumed_left_k(channel, at_s)
            if any(i.output == "coil" and i.channel == channel for i in self.on):
                rise_k = max(rise_k, self._peak_k[channel])
            coils[channel] = rise_k, assumed_k, used_s, age_s
        return RetainedState(coils, {t: self._rest_s(t, at_s) for t in self._turners}, flat)

    def _rest_s(self, channel: int, at_s: float) -> float:
        """One that has not been seen to turn may be jammed; one that turns must come to rest."""
        rest_s = max(self._rests[channel] - at_s, 0.0)
        running = [i for i in self.on if i.output == "motor" and i.channel == channel]
        turner = self._turners[channel]
        if running:
            seen_s = running[0].from_s + turner.spin_up_s + self._looks[channel][1]
            return max(rest_s, turner.slow_down_s, 0.0 if at_s >= seen_s else JAM_S)
        _, off_s = self._spells[channel]
        return max(rest_s, turner.slow_down_s if at_s < off_s + turner.slow_down_s else 0.0)

    def _assumed_left_k(self, channel: int, at_s: float) -> float:
        gone_s = at_s - self._started_s
        left = math.exp(-gone_s / self._coils[channel].thermal_time_s)
        return self._assumed_k[channel] * left

    def hottest_c(self, at_s: float) -> float:
        """Temperature of the warmest coil at a time, of what is known of them."""
        known_k = [0.0]
        for channel, heat in self._heat.items():
            heat.cool_until(at_s)
            known_k.append(heat.rise_k - self._assumed_left_k(channel, at_s))
        return self._palette.ambient_c + max(known_k)

    @property
    def next_end_s(self) -> float:
        """When the next channel goes off."""
        return min((item.until_s for item in self.on), default=math.inf)

    @property
    def next_look_s(self) -> float:
        """When a motor that runs is next looked at."""
        running = {item.channel for item in self.on if item.output == "motor"}
        looks = (at_s for channel, (at_s, _) in self._looks.items() if channel in running)
        return min(looks, default=math.inf)

    def look(self, at_s: float, stuck: set[int]) -> tuple[list[ActiveOutput], bool]:
        """Look at the motors whose time it is at `at_s`; shafts of those `stuck` do not turn.

        Returns those that were switched off, and whether the host should be told.
        """
        before = set(self.jammed)
        off = list[ActiveOutput]()
        for item in [item for item in self.on if item.output == "motor"]:
            due_s, every_s = self._looks[item.channel]
            if due_s > at_s:
                continue
            self._looks[item.channel] = at_s + every_s, every_s
            if item.channel in stuck:
                off.append(item)
                self.jammed.add(item.channel)
                self._rests[item.channel] = at_s + JAM_S
            else:
                self.jammed.discard(item.channel)
        self.on = [item for item in self.on if item not in off]
        return off, bool(off) or self.jammed != before

    def end_due(self, at_s: float) -> list[ActiveOutput]:
        """Switch off what is due by `at_s`."""
        due = [item for item in self.on if item.until_s <= at_s]
        self.on = [item for item in self.on if item.until_s > at_s]
        return due

    def release_all(self) -> list[ActiveOutput]:
        """Switch everything off; lights stay as they are, dark ones dark."""
        was, self.on = self.on, []
        return was

    def light(self, message: LightAt) -> str:
        """Set a light; its outcome."""
        if message.channel >= len(self.lights):
            return "no such channel"
        self.lights[message.channel] = message.level
        return "executed"

    def switch(self, message: Switching, at_s: float) -> tuple[str, ActiveOutput | None]:
        """Switch a channel on, or refuse: its outcome, and what is on now for it."""
        if isinstance(message, TurnAt):
            wanted = self._motor(message, at_s)
        else:
            wanted = self._coil(message, at_s)
        if isinstance(wanted, str):
            return wanted, None
        busy = any(i.output == wanted.output and i.channel == wanted.channel for i in self.on)
        if busy or not self._enough_current(wanted, at_s):
            return "over a limit", None
        if not isinstance(message, TurnAt):
            if not self._within_duty(wanted) or not self._warm(message, wanted):
                return "over a limit", None
            self._spans[wanted.channel].append((wanted.from_s, wanted.until_s))
        else:
            turner = self._turners[wanted.channel]
            self._spells[wanted.channel] = (self._spell_s(turner, at_s), wanted.until_s)
            counts_per_s = message.speed / SPEEDS_PER_RPS * turner.counts_per_rev
            every_s = max(STALL_S, STALL_COUNTS / counts_per_s)
            self._looks[wanted.channel] = at_s + turner.spin_up_s + every_s, every_s
        self.on.append(wanted)
        return "executed", wanted

    def _enough_current(self, wanted: ActiveOutput, at_s: float) -> bool:
        """Whether supply and driver give what is on and this one too, at its most."""
        asked_a = wanted.amps_at(at_s)
        total_a = sum(item.amps_at(at_s) for item in self.on) + asked_a
        if total_a > self._wiring.supply_limit + ROUNDING_A:
            return False
        if wanted.driver < 0:
            return True
        same = [item for item in self.on if item.driver == wanted.driver]
        group_a = sum(item.amps_at(at_s) for item in same) + asked_a
        return group_a <= self._wiring.driver_limits[wanted.driver] + ROUNDING_A

    def _coil(self, message: StrikeAt | HoldAt, at_s: float) -> ActiveOutput | str:
        coil = self._coils.get(message.channel)
        if coil is None:
            return "no such channel"
        if isinstance(message, StrikeAt):
            length_s, pull_s, duty = message.pulse / PULSES_PER_S, 0.0, 1.0
        else:
            length_s, duty = message.length / TICKS_PER_S, message.duty / 255
            pull_s = message.pull / TICKS_PER_S
        if length_s <= 0 or length_s > coil.on_max_ms / 1000 + 1e-9:
            return "over a limit"
        full = self._wiring.coil_load(message.channel, at_s, length_s, 1.0)
        return ActiveOutput(
            output="coil",
            channel=message.channel,
            from_s=at_s,
            until_s=at_s + length_s,
            amps=duty * full.amps,
            first_a=full.amps,
            change_s=at_s + pull_s,
            driver=full.driver,
        )

    def _motor(self, message: TurnAt, at_s: float) -> ActiveOutput | str:
        turner = self._turners.get(message.channel)
        if turner is None:
            return "no such channel"
        length_s = message.length / TICKS_PER_S
        slow, fast = turner.slowest_rps, turner.fastest_rps
        until_s = at_s + length_s
        too_long = (
            at_s < self._rests[turner.channel]
            or length_s <= 0
            or until_s - self._spell_s(turner, at_s) > turner.run_max_s + ROUNDING_S
        )
        # The line knows hundredths: the nearest ones outside still count as inside.
        if too_long or not math.floor(slow * 100) <= message.speed <= math.ceil(fast * 100):
            return "over a limit"
        return ActiveOutput(
            output="motor",
            channel=message.channel,
            from_s=at_s,
            until_s=until_s,
            amps=turner.current_a,
            first_a=max(turner.start_current_a, turner.current_a),
            change_s=at_s + turner.spin_up_s,
        )

    def _spell_s(self, turner: Turner, at_s: float) -> float:
        """When the spell began that a run from `at_s` would belong to: itself, after a rest."""
        began_s, off_s = self._spells[turner.channel]
        return began_s if at_s < off_s + turner.slow_down_s - ROUNDING_S else at_s

    def _within_duty(self, wanted: ActiveOutput) -> bool:
        """Whether the channel's on-time in its cycle leaves room for this one."""
        coil, spans = self._coils[wanted.channel], self._spans[wanted.channel]
        if coil.duty_max >= 1:
            return True
        # No later window reaches back further than a cycle before now.
        while spans and spans[0][1] <= wanted.from_s - coil.cycle_s:
            spans.popleft()
        used_s = self._used_s(wanted.channel, wanted.until_s - coil.cycle_s)
        length_s = min(wanted.until_s - wanted.from_s, coil.cycle_s)
        return used_s + length_s <= coil.duty_max * coil.cycle_s + ROUNDING_S

    def _used_s(self, channel: int, since_s: float) -> float:
        """On-time since a time; that before this start counts whole while its last is later."""
        before_s, end_s = self._before[channel]
        used_s = before_s if since_s < end_s else 0.0
        spans = self._spans[channel]
        return used_s + sum(max(end - max(start, since_s), 0.0) for start, end in spans)

    def _warm(self, message: StrikeAt | HoldAt, wanted: ActiveOutput) -> bool:
        """Count the heat of a pulse before it is given; refuse one that would burn."""
        trial = self._heat[message.channel].copy()
        length_s = wanted.until_s - wanted.from_s
        if isinstance(message, StrikeAt):
            hot_c = trial.heat(wanted.from_s, length_s, 1.0)
        else:
            pull_s = min(message.pull / TICKS_PER_S, length_s)
            hot_c = trial.heat(wanted.from_s, pull_s, 1.0)
            rest_s = length_s - pull_s
            hot_c = max(hot_c, trial.heat(wanted.from_s + pull_s, rest_s, message.duty / 255))
        if hot_c > trial.class_limit_c:
            return False
        self._heat[message.channel] = trial
        self._peak_k[message.channel] = hot_c - trial.ambient_c
        return True


class SupplyMonitor:
    """Judges the supply by readings that a stroke's own sag does not spoil.

    Below `cutoff_v` for `LOW_S` the battery is `flat`, and nothing may be switched on. `volts` is
    as last read while nothing drew it down, `next_s` when the next reading is due.
    """

    def __init__(self, cutoff_v: float, volts: float, at_s: float, flat: bool = False) -> None:
        self.volts = volts
        self.flat = flat
        self.next_s = at_s + SUPPLY_EVERY_S
        self._cutoff_v = cutoff_v
        self._rested_s = at_s
        self._off_s = -math.inf
        self._low_s: float | None = None
        self._good_s: float | None = None

    def restarted(self, volts: float, at_s: float) -> SupplyMonitor:
        """After a sleep: as flat as it was, and no reading from before counts."""
        return SupplyMonitor(self._cutoff_v, volts, at_s, self.flat)

    def load_off(self, at_s: float) -> None:
        """Something that drew current was switched off."""
        self._off_s = at_s

    def read(self, volts: float, loaded: bool) -> bool:
        """Take the reading that is due; returns whether `flat` has changed."""
        at_s, self.next_s = self.next_s, self.next_s + SUPPLY_EVERY_S
        if not loaded and at_s - self._off_s >= SAG_S:
            self._rested_s = at_s
        elif at_s - self._rested_s < BLIND_S:
            return False
        self.volts = volts
        low, good = volts < self._cutoff_v, volts >= self._cutoff_v * GOOD_SHARE
        self._low_s = (at_s if self._low_s is None else self._low_s) if low else None
        good = good and self.flat
        self._good_s = (at_s if self._good_s is None else self._good_s) if good else None
        if not self.flat and self._low_s is not None and at_s - self._low_s >= LOW_S:
            self.flat = True
            return True
        if self._good_s is not None and at_s - self._good_s >= GOOD_S:
            self.flat, self._good_s = False, None
            return True
        return False

    def skip(self, volts: float, until_s: float) -> None:
        """Take all readings up to a time at which nothing is on, where they change nothing."""
        if not self.flat and volts >= self._cutoff_v and until_s >= self.next_s:
            self.volts = volts
            count = math.floor((until_s - self.next_s) / SUPPLY_EVERY_S) + 1
            self._rested_s = self.next_s + (count - 1) * SUPPLY_EVERY_S
            self.next_s += count * SUPPLY_EVERY_S
            self._low_s = None

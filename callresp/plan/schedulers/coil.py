"""What one coil has done so far, and what it may still do.

Keeps the laws of a single channel while a plan grows: longest on-time, relative
on-time in a sliding cycle, heat. `room_s`, `hottest_c` and `longest_s` answer
without changing anything; `do` puts on-times down.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence

from callresp.palette.model import Coil
from callresp.plan.electrical.heat import CoilHeat
from callresp.plan.tolerances import duty_guard_s, off_by_s

# An on-time as (start, length, duty) in seconds; one that goes on is several of them.
Part = tuple[float, float, float]

# Kept free of a cycle's on-time, so that sums of many floats stay within it.
GUARD_S = 1e-7
LOOK_LEAST = 256


class CoilHistory:
    """The on-times of one coil, in order of time."""

    def __init__(self, coil: Coil, volts: float, ambient_c: float) -> None:
        self.coil = coil
        self.heat = CoilHeat(coil, volts, ambient_c)
        self.free_s = -math.inf
        self.last_start_s = -math.inf
        self._starts: list[float] = []
        self._ends: list[float] = []
        self._summed: list[float] = [0.0]
        self._look_at = LOOK_LEAST

    def room_s(self, at_s: float, wanted_s: float) -> float:
        """How long the coil may be on from `at_s`, up to `wanted_s`, by its duty.

        The on-time in the cycle that ends where this one does grows while the
        cycle's far end crosses a pause, and rests while it crosses an on-time;
        so we walk along the earlier on-times until the cycle is full.
        """
        if self.coil.duty_max >= 1.0:
            return wanted_s
        allowed_s = self.coil.duty_max * self.coil.cycle_s - GUARD_S
        allowed_s -= duty_guard_s(self.coil.cycle_s)
        far_s = at_s - self.coil.cycle_s
        first = bisect_right(self._ends, far_s)
        used_s = self._summed[-1] - self._summed[first]
        if first < len(self._starts):
            used_s -= max(far_s - self._starts[first], 0.0)
        passed_s = 0.0
        for place in range(first, len(self._starts)):
            pause_s = max(self._starts[place] - (far_s + passed_s), 0.0)
            if passed_s >= wanted_s or used_s + pause_s > allowed_s:
                break
            used_s += pause_s
            passed_s = self._ends[place] - far_s
        return max(min(wanted_s, passed_s + allowed_s - used_s), 0.0)

    def hottest_c(self, parts: Sequence[Part]) -> float:
        """How warm the coil would get in `parts`."""
        trial = self.heat.copy()
        return max(trial.heat(*part) for part in parts)

    def longest_s(self, parts_of: Callable[[float], Sequence[Part]], wanted_s: float) -> float:
        """The longest on-time up to `wanted_s` that heat allows; `parts_of` gives its parts."""
        if wanted_s <= 0 or self.heat.sure_of(wanted_s):
            return wanted_s
        if self.hottest_c(parts_of(wanted_s)) <= self.heat.limit_c:
            return wanted_s
        cool_s, hot_s = 0.0, wanted_s
        for _ in range(24):
            middle_s = (cool_s + hot_s) / 2
            if self.hottest_c(parts_of(middle_s)) <= self.heat.limit_c:
                cool_s = middle_s
            else:
                hot_s = middle_s
        return cool_s

    def do(self, parts: Sequence[Part]) -> None:
        """Put down parts that follow each other without a pause."""
        for part in parts:
            self.heat.heat(*part)
        self.last_start_s = parts[0][0]
        end_s = parts[-1][0] + parts[-1][1]
        self.free_s = off_by_s(self.last_start_s, end_s - self.last_start_s)
        self._starts.append(self.last_start_s)
        self._ends.append(end_s)
        self._summed.append(self._summed[-1] + end_s - self.last_start_s)
        if len(self._starts) >= self._look_at:
            self._forget()

    def _forget(self) -> None:
        """Drop on-times that no later cycle reaches, so that a long day takes no more memory."""
        gone = bisect_right(self._ends, self.last_start_s - self.coil.cycle_s - 1.0)
        for times in (self._starts, self._ends, self._summed):
            del times[:gone]
        self._look_at = 2 * len(self._starts) + LOOK_LEAST

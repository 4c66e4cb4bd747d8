"""What one coil has done so far, and what it may still do.

Keeps the rules of a single channel while a plan grows: relative on-time in a
sliding cycle, heat, and the end of the last on-time. `room_s`, `hottest_c` and
`longest_s` only ask; `record` adds on-times.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence

from callresp.palette.model import Coil
from callresp.plan.electrical.heat import CoilHeat
from callresp.plan.tolerances import duty_guard_s, off_by_s

# A stretch of on-time at one duty: (start in s, length in s, duty). A hold is two of them.
Part = tuple[float, float, float]

# Between two on-times of a channel; the board's ticks of 0.1 ms must not make them touch.
RELEASE_S = 1e-3
# Left unused in a cycle, so that rounding in sums of many floats can't exceed it.
GUARD_S = 1e-7
FORGET_EVERY = 256


class CoilHistory:
    """The on-times of one coil, in order of time."""

    def __init__(self, coil: Coil, volts: float, ambient_c: float) -> None:
        self.coil = coil
        self.heat = CoilHeat(coil, volts, ambient_c)
        self._allowed_s = coil.duty_max * coil.cycle_s - GUARD_S - duty_guard_s(coil.cycle_s)
        self.free_s = -math.inf
        self.last_start_s = -math.inf
        self._starts: list[float] = []
        self._ends: list[float] = []
        self._summed: list[float] = [0.0]
        self._forget_at = FORGET_EVERY

    @property
    def end_s(self) -> float:
        """When the last on-time ended."""
        return self._ends[-1] if self._ends else -math.inf

    def room_s(self, at_s: float, wanted_s: float) -> float:
        """How long the coil may be on from `at_s`, up to `wanted_s`, by its duty.

        As the end of the new on-time moves later, so does the start of the
        cycle that ends there. The cycle's on-time grows while its start crosses
        a pause and stays constant while it crosses an on-time, so the earlier
        on-times are walked through until the cycle is full.
        """
        if self.coil.duty_max >= 1.0:
            return wanted_s
        allowed_s = self._allowed_s
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

    def record(self, parts: Sequence[Part]) -> None:
        """Add parts that follow each other without a pause."""
        for part in parts:
            self.heat.heat(*part)
        self.last_start_s = parts[0][0]
        end_s = parts[-1][0] + parts[-1][1]
        self.free_s = off_by_s(self.last_start_s, end_s - self.last_start_s)
        self._starts.append(self.last_start_s)
        self._ends.append(end_s)
        self._summed.append(self._summed[-1] + end_s - self.last_start_s)
        if len(self._starts) >= self._forget_at:
            self._forget()

    def _forget(self) -> None:
        """Drop on-times that no later cycle reaches, so that memory stays bounded."""
        gone = bisect_right(self._ends, self.last_start_s - self.coil.cycle_s - 1.0)
        for times in (self._starts, self._ends, self._summed):
            del times[:gone]
        self._forget_at = 2 * len(self._starts) + FORGET_EVERY

"""What one coil has done so far, and what it may still do.

Keeps the laws of a single channel while a plan grows: longest on-time, relative
on-time in a sliding cycle, heat. `may` answers without changing anything;
`do` puts the stretch down.
"""

from __future__ import annotations

import math
from collections import deque

from callresp.palette.model import Coil
from callresp.plan.heat import CoilHeat


class CoilBook:
    """The on-times of one coil, in order of time."""

    def __init__(self, coil: Coil, volts: float, ambient_c: float) -> None:
        self.coil = coil
        self.heat = CoilHeat(coil, volts, ambient_c)
        self.free_s = -math.inf
        self.last_start_s = -math.inf
        self._spans: deque[tuple[float, float]] = deque()

    def room_ms(self, at_s: float) -> float:
        """How long the coil may be on from `at_s`, by its duty, in ms.

        With r the on-time left over in the window that reaches back a whole
        cycle, an on-time as long as r can't break the share of any window:
        a later window only loses earlier on-times.
        """
        cycle_s = self.coil.cycle_s
        while self._spans and self._spans[0][1] <= at_s - cycle_s:
            self._spans.popleft()
        used_s = sum(end - max(start, at_s - cycle_s) for start, end in self._spans)
        return min((self.coil.duty_max * cycle_s - used_s) * 1000 - 1e-4, self.coil.on_max_ms)

    def too_hot(self, parts: list[tuple[float, float, float]]) -> float | None:
        """Temperature that would pass the class limit, or `None`; parts as for `do`."""
        trial = self.heat.copy()
        for at_s, length_s, duty in parts:
            if trial.heat(at_s, length_s, duty) > trial.limit_c:
                return trial.temperature_c
        return None

    def do(self, parts: list[tuple[float, float, float]]) -> None:
        """Put down stretches (start, length, duty) that follow each other."""
        for at_s, length_s, duty in parts:
            self.heat.heat(at_s, length_s, duty)
        start_s, end_s = parts[0][0], parts[-1][0] + parts[-1][1]
        if start_s <= self.free_s + 1e-9 and self._spans:
            # A hold that goes on: one span, so that its on-time is counted once.
            first, _ = self._spans.pop()
            self._spans.append((first, end_s))
        else:
            self._spans.append((start_s, end_s))
            self.last_start_s = start_s
        self.free_s = end_s

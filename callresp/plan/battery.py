"""How long the battery lasts.

Lead-acid cells give less the faster they are emptied: Peukert's law (1897),
``t = H (C / (I H))^k`` for a battery of C ampere-hours at the H-hour rate. For
other cells k is 1 and the law becomes plain counting of charge. Mains never
runs out. The current of each minute is averaged: cells answer to minutes, not
to pulses of some milliseconds.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable

from callresp.palette.model import Palette, Supply
from callresp.plan.loads import Load

MINUTE_S = 60.0


def hours_at(supply: Supply, amps: float) -> float:
    """Hours that a full battery gives a steady current (Peukert 1897).

    Examples
    --------
    A 100 Ah battery, rated at 20 h (5 A), emptied at 10 A with k = 1.2:

    >>> supply = Supply(chemistry="lead-acid", nominal_v=12, current_max_a=50,
    ...                 capacity_ah=100, rated_h=20, peukert=1.2)
    >>> round(hours_at(supply, 10.0), 2)
    8.71
    """
    if supply.chemistry == "mains" or amps <= 0:
        return math.inf
    ratio = supply.capacity_ah / (amps * supply.rated_h)
    # Below the rated current the law would promise more than the cells hold.
    exponent = supply.peukert if ratio < 1 else 1.0
    return float(supply.rated_h * ratio**exponent)


class Charge:
    """Adds up what a plan takes from the battery, minute by minute."""

    def __init__(self, palette: Palette) -> None:
        self._supply = palette.supply
        self._idle_a = palette.board.idle_current_a
        self._ampere_s: dict[int, float] = defaultdict(float)

    def add(self, loads: Iterable[Load]) -> None:
        """Count loads; each is spread over the minutes that it covers."""
        for load in loads:
            start_s = load.from_s
            while start_s < load.until_s:
                minute = math.floor(start_s / MINUTE_S)
                end_s = min(load.until_s, (minute + 1) * MINUTE_S)
                self._ampere_s[minute] += load.amps * (end_s - start_s)
                start_s = end_s

    def ampere_hours(self, duration_s: float) -> float:
        """Charge of all loads and the idle board over `duration_s`."""
        return (sum(self._ampere_s.values()) + self._idle_a * duration_s) / 3600

    def empty_at_s(self, until_s: float) -> float | None:
        """When the battery is empty; `None` if it lasts until `until_s`."""
        used = 0.0
        for minute in range(max(math.ceil(until_s / MINUTE_S), 1)):
            before = self._ampere_s.get(-1, 0.0) if minute == 0 else 0.0
            amps = self._idle_a + (self._ampere_s.get(minute, 0.0) + before) / MINUTE_S
            share = (MINUTE_S / 3600) / hours_at(self._supply, amps)
            if used + share > 1.0:
                empty_s = (minute + (1.0 - used) / share) * MINUTE_S
                return empty_s if empty_s < until_s else None
            used += share
        return None

    def hours_left(self, duration_s: float) -> float:
        """How long a full battery would last if things went on as in the plan."""
        mean_a = self.ampere_hours(duration_s) * 3600 / max(duration_s, 1.0)
        return hours_at(self._supply, mean_a)

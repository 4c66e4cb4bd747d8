"""How long the battery lasts, and when it must stop.

Model
-----
- Lead-acid cells give less the faster they are emptied: Peukert's law (1897),
  ``t = H (C / (I H))^k`` for a battery of C ampere-hours at the H-hour rate. At
  or below that rate they give C. For other cells k is 1, and the law becomes
  plain counting of charge. Mains never runs out.
- Cells have less capacity in the cold: `COLD_SHARE`.
- The voltage under a light load falls with the charge that is left, `LIGHT_V`,
  and under a heavy load by the drop over the internal resistance as well. Where
  the heaviest load of a minute would pull it below the cut-off, the plan ends.

For the charge, current is averaged over each minute, since cells respond to the
mean over minutes and not to single pulses; for the sag, its peak is taken.

Sources
-------
Capacity in the cold: a maker's sheet of a sealed lead-acid battery, 12 V 40 Ah
(103 % at 30 °C, 100 % at 25 °C, 90 % at 10 °C, 74 % at -10 °C); for lithium the
inverse of the sizing factors 1.05 at 10 °C, 1.10 at 0 °C, 1.20 at -10 °C that
calculators quote as common practice. Voltages: lead-acid at rest 12.6, 12.4,
12.2 and 12.0 V at full, three, two and one quarter, and 10.8 V when the 20-hour
capacity is out (the same sheet); lithium cells from 4.2 V over 3.65 V at half to
3.0 V, iron phosphate from 3.4 V over a long plateau to 2.5 V (from memory).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from callresp.palette.model import Palette, Supply
from callresp.plan.electrical.loads import Load

MINUTE_S = 60.0
RATED_C = 25.0

# Temperature in °C and share of the capacity; no more than 1 above 25 °C.
COLD_SHARE: dict[str, tuple[tuple[float, float], ...]] = {
    "lead-acid": ((-10.0, 0.74), (10.0, 0.90), (25.0, 1.0)),
    "lithium-ion": ((-10.0, 1 / 1.2), (0.0, 1 / 1.1), (10.0, 1 / 1.05), (25.0, 1.0)),
    "lithium-iron-phosphate": ((-10.0, 1 / 1.2), (0.0, 1 / 1.1), (10.0, 1 / 1.05), (25.0, 1.0)),
    "mains": ((25.0, 1.0),),
}
# Share of charge left and voltage under a light load, over the nominal voltage.
LIGHT_V: dict[str, tuple[tuple[float, float], ...]] = {
    "lead-acid": (
        (0.0, 10.8 / 12),
        (0.1, 11.7 / 12),
        (0.25, 12.0 / 12),
        (0.5, 12.2 / 12),
        (0.75, 12.4 / 12),
        (1.0, 12.6 / 12),
    ),
    "lithium-ion": ((0.0, 3.0 / 3.6), (0.1, 3.4 / 3.6), (0.5, 3.65 / 3.6), (1.0, 4.2 / 3.6)),
    "lithium-iron-phosphate": (
        (0.0, 2.5 / 3.2),
        (0.1, 3.0 / 3.2),
        (0.2, 3.2 / 3.2),
        (0.9, 3.3 / 3.2),
        (1.0, 3.4 / 3.2),
    ),
    "mains": ((0.0, 1.0), (1.0, 1.0)),
}


def _along(points: Sequence[tuple[float, float]], x: float) -> float:
    """Linear between points, level beyond them."""
    after = bisect_right([at for at, _ in points], x)
    if after == 0:
        return points[0][1]
    if after == len(points):
        return points[-1][1]
    (x0, y0), (x1, y1) = points[after - 1], points[after]
    return y0 + (x - x0) / (x1 - x0) * (y1 - y0)


def capacity_ah(supply: Supply, ambient_c: float = RATED_C) -> float:
    """Capacity at the rated current and a temperature of the air."""
    return supply.capacity_ah * _along(COLD_SHARE[supply.chemistry], ambient_c)


def light_v(supply: Supply, left: float) -> float:
    """Voltage under a light load with a share `left` of the charge."""
    return supply.nominal_v * _along(LIGHT_V[supply.chemistry], left)


def hours_at(supply: Supply, amps: float, ambient_c: float = RATED_C) -> float:
    """Hours that a full battery gives a steady current (Peukert 1897).

    Examples
    --------
    A 120 Ah battery, rated at 20 h, emptied at 120 A with k = 1.4:

    >>> supply = Supply(chemistry="lead-acid", nominal_v=12, current_max_a=100,
    ...                 capacity_ah=120, rated_h=20, peukert=1.4)
    >>> round(hours_at(supply, 120.0), 2)
    0.3
    """
    if supply.chemistry == "mains" or amps <= 0:
        return math.inf
    ratio = capacity_ah(supply, ambient_c) / (amps * supply.rated_h)
    # Below the rated current the law would promise more than the cells hold.
    exponent = supply.peukert if ratio < 1 else 1.0
    return float(supply.rated_h * ratio**exponent)


@dataclass(frozen=True, slots=True)
class BatteryStop:
    """When the battery must stop, the palette key that says so, and the reason."""

    at_s: float
    limit: str
    why: str


class BatteryDay:
    """The charge that a plan takes from the battery, minute by minute from its start."""

    def __init__(self, palette: Palette) -> None:
        self._supply = palette.supply
        self._ambient_c = palette.ambient_c
        self._idle_a = palette.board.idle_current_a
        self._ampere_s: dict[int, float] = defaultdict(float)
        self._peak_a: dict[int, float] = defaultdict(float)
        # Share of the charge used in the first n minutes; cached, since live playing asks at
        # each stroke.
        self._taken: list[float] = [0.0]

    def use(self, loads: Iterable[Load]) -> None:
        """Add the charge of loads, each spread over the minutes that it covers."""
        first = len(self._taken)
        for load in loads:
            for minute, from_s, until_s in _minutes(load.from_s, load.until_s):
                self._ampere_s[minute] += load.amps * (until_s - from_s)
                if minute < first:
                    first = minute
        del self._taken[first + 1 :]

    def peak(self, runs: Iterable[tuple[float, float, float]]) -> None:
        """Note the highest current of stretches (from, until, amps in all) in each minute."""
        for start_s, end_s, amps in runs:
            for minute, _, _ in _minutes(start_s, end_s):
                self._peak_a[minute] = max(self._peak_a[minute], amps)

    @property
    def peak_a(self) -> float:
        """The largest current at one moment, with the idle board's."""
        return self._idle_a + max(self._peak_a.values(), default=0.0)

    def ampere_hours(self, duration_s: float) -> float:
        """Charge of all loads and the idle board over `duration_s`."""
        return (sum(self._ampere_s.values()) + self._idle_a * duration_s) / 3600

    def hours_alike(self, duration_s: float) -> float:
        """How long (h) a full battery would last at this plan's mean current."""
        mean_a = self.ampere_hours(duration_s) * 3600 / max(duration_s, 1.0)
        return hours_at(self._supply, mean_a, self._ambient_c)

    def left(self, until_s: float) -> float:
        """Share of the charge that is left at a time; below 0, by any amount, once it is empty."""
        minutes = until_s / MINUTE_S
        whole = max(math.floor(minutes), 0)
        while len(self._taken) <= whole:
            if self._taken[-1] > self._supply.charge:
                return self._supply.charge - self._taken[-1]
            self._taken.append(self._taken[-1] + self._share(len(self._taken) - 1))
        return self._supply.charge - self._taken[whole] - self._share(whole) * (minutes - whole)

    def sure_of(self, until_s: float, most_a: float) -> bool:
        """Whether the battery certainly lasts until `until_s` at loads of up to `most_a` in all.

        A quick bound that needs no peaks, since charge and voltage only fall.
        """
        if self._supply.chemistry == "mains":
            return True
        left = self.left(math.ceil(until_s / MINUTE_S) * MINUTE_S)
        return left >= 0 and self._under_load_v(left, most_a) >= self._supply.cutoff_v

    def stop(self, until_s: float) -> BatteryStop | None:
        """When the battery must stop, if before `until_s`, rounded down to a whole minute."""
        if self._supply.chemistry == "mains":
            return None
        left = self._supply.charge
        for minute in range(max(math.ceil(until_s / MINUTE_S), 1)):
            left -= self._share(minute)
            volts = self._under_load_v(left, self._peak_a.get(minute, 0.0))
            if left >= 0 and volts >= self._supply.cutoff_v:
                continue
            at_s = minute * MINUTE_S
            if left < 0:
                return BatteryStop(at_s, "supply.capacity_ah", "the battery is empty")
            why = f"the battery would sag to {volts:.1f} V under load"
            return BatteryStop(at_s, "supply.cutoff_v", why)
        return None

    def _share(self, minute: int) -> float:
        amps = self._idle_a + self._ampere_s.get(minute, 0.0) / MINUTE_S
        return (MINUTE_S / 3600) / hours_at(self._supply, amps, self._ambient_c)

    def _under_load_v(self, left: float, peak_a: float) -> float:
        sag_v = (self._idle_a + peak_a) * self._supply.internal_ohm
        return light_v(self._supply, left) - sag_v


def _minutes(from_s: float, until_s: float) -> tuple[tuple[int, float, float], ...]:
    """The pieces of a stretch by minute; what lies before 0 counts to the first."""
    minute = int(from_s / MINUTE_S) if from_s > 0 else 0
    if from_s < until_s <= (minute + 1) * MINUTE_S:
        return ((minute, from_s, until_s),)
    return tuple(_pieces(from_s, until_s))


def _pieces(from_s: float, until_s: float) -> Iterator[tuple[int, float, float]]:
    while from_s < until_s:
        minute = max(math.floor(from_s / MINUTE_S), 0)
        end_s = min(until_s, (minute + 1) * MINUTE_S)
        yield minute, from_s, end_s
        from_s = end_s

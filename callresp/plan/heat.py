"""How warm a coil gets.

A coil is one heat store: its rise above the air follows

    d(rise)/dt = (power * K_per_W - rise) / time_constant

with the copper loss ``power = U² / R`` while it is on, and copper's resistance
rising by 0.393 % per kelvin from its value at 20 °C (IEC 60028:1925). Limits are
the temperatures of the insulation classes (IEC 60085:2007).

Between switchings the power is held at that of the coil's temperature then;
long stretches are cut in steps of a fiftieth of the time constant. A warmer
coil draws less, so each step errs to the warm side.
"""

from __future__ import annotations

import math

from callresp.palette.model import Coil

COPPER_PER_K = 0.00393
CLASS_LIMIT_C = {"A": 105.0, "E": 120.0, "B": 130.0, "F": 155.0, "H": 180.0}


def resistance_ohm(coil: Coil, temperature_c: float) -> float:
    """Resistance of a copper coil at a temperature (IEC 60028).

    Examples
    --------
    >>> coil = Coil(channel=0, resistance_ohm=10.0, on_max_ms=50)
    >>> round(resistance_ohm(coil, 120.0), 2)
    13.93
    """
    return coil.resistance_ohm * (1 + COPPER_PER_K * (temperature_c - 20.0))


def force_loss_db(coil: Coil, temperature_c: float) -> float:
    """How much weaker a coil pulls than at 20 °C, in dB of its current.

    At a given voltage current falls as resistance rises.
    """
    return 20 * math.log10(resistance_ohm(coil, temperature_c) / coil.resistance_ohm)


class CoilHeat:
    """Follows one coil's temperature through its on and off times.

    Parameters
    ----------
    coil
    volts
        Supply voltage.
    ambient_c
        Temperature of the air, and of the coil at the start.
    """

    def __init__(self, coil: Coil, volts: float, ambient_c: float) -> None:
        self.coil = coil
        self.ambient_c = ambient_c
        self.rise_k = 0.0
        self.hottest_c = ambient_c
        self._volts = volts
        self._at_s = -math.inf

    @property
    def limit_c(self) -> float:
        """Temperature that the coil's insulation class allows."""
        return CLASS_LIMIT_C[self.coil.insulation]

    @property
    def temperature_c(self) -> float:
        """Temperature now."""
        return self.ambient_c + self.rise_k

    def cool_until(self, at_s: float) -> None:
        """Let time pass with the coil off."""
        if at_s > self._at_s:
            passed_s = at_s - self._at_s
            self.rise_k *= math.exp(-passed_s / self.coil.thermal_time_s)
            self._at_s = at_s

    def heat(self, from_s: float, length_s: float, duty: float) -> float:
        """Let the coil be on at `duty` for a while; return its temperature after."""
        self.cool_until(from_s)
        left_s = length_s
        step_s = self.coil.thermal_time_s / 50
        while left_s > 0:
            part_s = min(left_s, step_s)
            self._step(part_s, duty)
            left_s -= part_s
        self._at_s = max(self._at_s, from_s + length_s)
        self.hottest_c = max(self.hottest_c, self.temperature_c)
        return self.temperature_c

    def _step(self, length_s: float, duty: float) -> None:
        power = duty * self._volts**2 / resistance_ohm(self.coil, self.temperature_c)
        goal_k = power * self.coil.thermal_k_per_w
        keep = math.exp(-length_s / self.coil.thermal_time_s)
        self.rise_k = goal_k + (self.rise_k - goal_k) * keep

    def copy(self) -> CoilHeat:
        """Another that goes on from the same state."""
        twin = CoilHeat(self.coil, self._volts, self.ambient_c)
        twin.rise_k, twin.hottest_c, twin._at_s = self.rise_k, self.hottest_c, self._at_s
        return twin

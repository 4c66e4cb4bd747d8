"""How warm a coil gets.

A coil is one heat capacity: its rise above the air follows

    d(rise)/dt = (power * K_per_W - rise) / time_constant

with the copper loss ``power = U² / R`` while it is on, and copper's resistance
rising by 0.393 % per kelvin from its value at 20 °C (IEC 60028:1925). Limits are
the temperatures of the insulation classes (IEC 60085:2007).

Long stretches are cut into steps of a fiftieth of the time constant, and each
step takes the copper at its coolest: a cooler coil draws more, so each step errs
on the warm side. The pull of a coil goes with the square of its current, the
speed of a stroke with the current, and so does its level in dB.

A coil may be hot to the touch long before its insulation is at its limit: see
`TOUCH_C`.
"""

from __future__ import annotations

import math

from callresp.palette.model import COPPER_PER_K, Coil
from callresp.plan.tolerances import HEAT_K

# Bare metal this warm burns skin that stays on it for some seconds (ISO 13732-1:2006 has the
# thresholds, from memory; a table on the EMC-PSTC list, 1999, says under 5 s).
TOUCH_C = 60.0
# Steps in one time constant.
STEPS = 50
CLASS_LIMIT_C = {"A": 105.0, "E": 120.0, "B": 130.0, "F": 155.0, "H": 180.0}


def force_loss_db(coil: Coil, temperature_c: float) -> float:
    """How much softer a warm coil strikes than at 20 °C, in dB of its current.

    At a given voltage current falls as resistance rises.
    """
    return 20 * math.log10(coil.ohm_at(temperature_c) / coil.resistance_ohm)


def steady_rise_k(coil: Coil, volts: float, ambient_c: float, share: float) -> float:
    """The rise (K) at which a coil settles that is on for a `share` of the time.

    The rise x balances the loss: ``x (1 + a (T - 20)) = G P20 share``, with
    ``T = ambient + x``; its positive root is given in closed form.

    Examples
    --------
    >>> coil = Coil(channel=0, resistance_ohm=20.0, on_max_ms=50, thermal_k_per_w=10.0)
    >>> round(steady_rise_k(coil, 12.0, 20.0, 1.0), 2)
    58.53
    """
    at_20_k = coil.thermal_k_per_w * share * volts**2 / coil.resistance_ohm
    linear = 1 + COPPER_PER_K * (ambient_c - 20.0)
    root = math.sqrt(linear**2 + 4 * COPPER_PER_K * at_20_k)
    return (root - linear) / (2 * COPPER_PER_K)


def share_to_limit(coil: Coil, volts: float, ambient_c: float) -> float:
    """The share of time that a coil may be on and settle at its class limit; may exceed 1."""
    limit_c = CLASS_LIMIT_C[coil.insulation]
    rise_k = max(limit_c - ambient_c, 0.0)
    full_w = volts**2 / coil.ohm_at(limit_c)
    return rise_k / (coil.thermal_k_per_w * full_w)


class CoilHeat:
    """Follows one coil's temperature through its on and off times, from that of the air on."""

    def __init__(self, coil: Coil, volts: float, ambient_c: float) -> None:
        self.coil = coil
        self.ambient_c = ambient_c
        self.rise_k = 0.0
        self.hottest_c = ambient_c
        # Temperature that the coil's insulation class allows; the board holds to it.
        self.class_limit_c = CLASS_LIMIT_C[coil.insulation]
        # Temperature that a plan keeps to.
        self.limit_c = self.class_limit_c - HEAT_K
        self._volts_squared = volts**2
        self._time_s, self._step_s = coil.thermal_time_s, coil.thermal_time_s / STEPS
        self._at_s = -math.inf
        # A coil draws most at ambient: upper bounds of its rise and of its rate of rise.
        self._most_k = coil.thermal_k_per_w * volts**2 / coil.ohm_at(ambient_c)
        self._most_k_per_s = self._most_k / coil.thermal_time_s

    @property
    def temperature_c(self) -> float:
        """Temperature now."""
        return self.ambient_c + self.rise_k

    def sure_of(self, length_s: float) -> bool:
        """Whether the coil may certainly be on so long: a quick bound that never errs to yes."""
        most_k = min(self.rise_k + self._most_k_per_s * length_s, max(self.rise_k, self._most_k))
        return self.ambient_c + most_k <= self.limit_c

    def cool_until(self, at_s: float) -> None:
        """Let time pass with the coil off."""
        if at_s > self._at_s:
            passed_s = at_s - self._at_s
            self.rise_k *= math.exp(-passed_s / self._time_s)
            self._at_s = at_s

    def heat(self, from_s: float, length_s: float, duty: float) -> float:
        """Let the coil be on at `duty` for a while; return its temperature after."""
        if length_s <= 0:
            return self.temperature_c
        self.cool_until(from_s)
        volts_squared = duty * self._volts_squared
        ohm_at, k_per_w = self.coil.ohm_at, self.coil.thermal_k_per_w
        rise_k, left_s = self.rise_k, length_s
        while left_s > 0:
            part_s = left_s if left_s < self._step_s else self._step_s
            keep = math.exp(-part_s / self._time_s)
            goal_k = volts_squared / ohm_at(self.ambient_c + rise_k) * k_per_w
            after_k = goal_k + (rise_k - goal_k) * keep
            if after_k < rise_k:
                # It cools although it is on, so the copper is coolest at the end of the step.
                goal_k = volts_squared / ohm_at(self.ambient_c + after_k) * k_per_w
                after_k = goal_k + (rise_k - goal_k) * keep
            rise_k = after_k
            left_s -= part_s
        self.rise_k = rise_k
        self._at_s = max(self._at_s, from_s + length_s)
        now_c = self.ambient_c + rise_k
        if now_c > self.hottest_c:
            self.hottest_c = now_c
        return now_c

    def copy(self) -> CoilHeat:
        """A copy that continues from the same state."""
        other = object.__new__(CoilHeat)
        other.__dict__.update(self.__dict__)
        return other

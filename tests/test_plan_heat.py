"""Heat and battery against closed forms and published values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from callresp.palette.model import Coil, Supply
from callresp.plan.battery import hours_at
from callresp.plan.heat import CLASS_LIMIT_C, CoilHeat, force_loss_db, resistance_ohm

VOLTS = 12.0


def coil(thermal_k_per_w: float = 10.0, thermal_time_s: float = 100.0) -> Coil:
    return Coil(
        channel=0,
        resistance_ohm=20.0,
        on_max_ms=1000,
        thermal_k_per_w=thermal_k_per_w,
        thermal_time_s=thermal_time_s,
    )


def test_insulation_classes() -> None:
    """IEC 60085:2007, table 1 (from memory)."""
    assert CLASS_LIMIT_C == {"A": 105, "E": 120, "B": 130, "F": 155, "H": 180}


def test_copper_by_its_standard() -> None:
    """IEC 60028:1925: 0.00393 per K at 20 °C; so 234.5 °C is where it would vanish.

    (R(T) / R(20) = (234.5 + T) / 254.5 is the same law as handbooks of electric machines
    print it, from memory.)
    """
    for temperature_c in (-20.0, 20.0, 75.0, 130.0):
        expected = 20.0 * (234.5 + temperature_c) / 254.5
        assert resistance_ohm(coil(), temperature_c) == pytest.approx(expected, rel=1e-3)
    assert force_loss_db(coil(), 20.0) == 0.0
    assert force_loss_db(coil(), 120.0) == pytest.approx(20 * math.log10(1.393), abs=1e-6)


def test_a_step_follows_the_closed_form() -> None:
    """First-order step: rise = P R (1 - exp(-t / tau)); small, so that copper hardly warms."""
    heat = CoilHeat(coil(thermal_k_per_w=0.1), VOLTS, 20.0)
    power = VOLTS**2 / 20.0
    for seconds in (10.0, 50.0, 300.0):
        heat = CoilHeat(coil(thermal_k_per_w=0.1), VOLTS, 20.0)
        heat.heat(0.0, seconds, 1.0)
        expected = power * 0.1 * (1 - math.exp(-seconds / 100.0))
        assert heat.rise_k == pytest.approx(expected, rel=5e-3)


def test_the_steady_rise_solves_its_quadratic() -> None:
    """With R rising, x = rise solves x (1 + a x) = P20 R_th at 20 °C."""
    heat = CoilHeat(coil(), VOLTS, 20.0)
    heat.heat(0.0, 3000.0, 1.0)
    full = VOLTS**2 / 20.0 * 10.0
    expected = (-1 + math.sqrt(1 + 4 * 0.00393 * full)) / (2 * 0.00393)
    assert heat.rise_k == pytest.approx(expected, rel=1e-3)


def test_periodic_pulses_reach_the_closed_form() -> None:
    """Steady peak of pulses of length a in a period p: G (1 - e^-a/t) / (1 - e^-p/t)."""
    gentle = coil(thermal_k_per_w=0.1)
    heat = CoilHeat(gentle, VOLTS, 20.0)
    on_s, period_s, tau = 5.0, 20.0, 100.0
    for number in range(100):
        heat.heat(number * period_s, on_s, 1.0)
    goal = VOLTS**2 / 20.0 * 0.1
    peak = goal * (1 - math.exp(-on_s / tau)) / (1 - math.exp(-period_s / tau))
    assert heat.rise_k == pytest.approx(peak, rel=5e-3)
    heat.cool_until(100 * period_s)
    assert heat.rise_k == pytest.approx(peak * math.exp(-(period_s - on_s) / tau), rel=5e-3)


@given(st.floats(0.01, 1.0), st.floats(1.0, 2000.0))
def test_a_coil_never_passes_its_steady_rise(duty: float, seconds: float) -> None:
    heat = CoilHeat(coil(), VOLTS, 20.0)
    heat.heat(0.0, seconds, duty)
    # The first, cold step is the hottest goal there is.
    assert 0.0 <= heat.rise_k <= duty * VOLTS**2 / 20.0 * 10.0 + 1e-9


def test_peukert() -> None:
    """Peukert's law on the common worked example: 100 Ah at 20 h, k 1.2, drawn at 10 A.

    t = 20 (100 / (10 * 20))^1.2 = 8.7 h (common practice, no source).
    """
    lead = Supply(
        chemistry="lead-acid",
        nominal_v=12,
        current_max_a=50,
        capacity_ah=100,
        rated_h=20,
        peukert=1.2,
    )
    assert hours_at(lead, 10.0) == pytest.approx(8.706, abs=0.001)
    assert hours_at(lead, 5.0) == pytest.approx(20.0)
    cells = Supply(chemistry="lithium-ion", nominal_v=7.2, current_max_a=5, capacity_ah=2.6)
    assert hours_at(cells, 1.3) == pytest.approx(2.0)
    assert math.isinf(hours_at(Supply(chemistry="mains", nominal_v=24, current_max_a=5), 1.0))

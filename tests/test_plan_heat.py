"""Heat of coils against closed forms and published values."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_oracle import rise_after
from scipy.integrate import solve_ivp

from callresp.palette.files import load_palette
from callresp.palette.model import Coil, Palette
from callresp.plan.checked_plan import PlanBreaksLimitError, check
from callresp.plan.electrical.heat import (
    CLASS_LIMIT_C,
    CoilHeat,
    force_loss_db,
    share_to_limit,
    steady_rise_k,
)
from callresp.plan.model import Hold, Plan, PlanHeader

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
    """IEC 60085, as tabulated by croylek.com, "Temperature classes of electrical insulation"."""
    assert CLASS_LIMIT_C == {"A": 105, "E": 120, "B": 130, "F": 155, "H": 180}


def test_copper_by_its_standard() -> None:
    """IEC 60028:1925: 0.00393 per K at 20 °C; so 234.5 °C is where it would vanish.

    R(T) / R(20) = (234.5 + T) / 254.5 is the same law as the "Temperature rise" page of
    electrical-engineering-portal.com prints it. Worked example (cabledatasheet.com, "Conductor
    temperature coefficient of resistance", which cites IEC 60028): 0.1 ohm at 20 is 0.11179 at 50.
    """
    assert coil().ohm_at(50.0) == pytest.approx(20.0 * 0.11179 / 0.1, rel=1e-9)
    for temperature_c in (-20.0, 20.0, 75.0, 130.0):
        expected = 20.0 * (234.5 + temperature_c) / 254.5
        assert coil().ohm_at(temperature_c) == pytest.approx(expected, rel=1e-3)
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


def settled_k(one: Coil, ambient_c: float, share: float) -> float:
    """Where the heat equation settles, by scipy's solve_ivp (Runge-Kutta 5(4)) from cold."""

    def slope(_: float, x: np.ndarray) -> np.ndarray:
        watts = share * VOLTS**2 / (one.resistance_ohm * (1 + 0.00393 * (ambient_c + x - 20)))
        return np.asarray((one.thermal_k_per_w * watts - x) / one.thermal_time_s)

    solved = solve_ivp(slope, (0.0, 40 * one.thermal_time_s), [0.0], rtol=1e-9, atol=1e-9)
    return float(solved.y[0, -1])


@pytest.mark.parametrize("share", [0.1, 0.5, 1.0])
@pytest.mark.parametrize("ambient_c", [-15.0, 20.0, 40.0])
def test_the_steady_rise_is_where_the_heat_equation_settles(share: float, ambient_c: float) -> None:
    expected = settled_k(coil(), ambient_c, share)
    assert steady_rise_k(coil(), VOLTS, ambient_c, share) == pytest.approx(expected, rel=1e-6)
    heat = CoilHeat(coil(), VOLTS, ambient_c)
    for second in range(2000):
        heat.heat(float(second), share, 1.0)
    assert heat.rise_k == pytest.approx(expected, rel=0.01)


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


@given(
    st.floats(0.05, 1.0),
    st.floats(0.0, 150.0),
    st.floats(0.01, 600.0),
    st.floats(-20.0, 45.0),
)
def test_any_stretch_follows_the_exact_solution_from_the_warm_side(
    duty: float, rise_k: float, seconds: float, ambient_c: float
) -> None:
    """The separable equation with copper's rising resistance, solved in `plan_oracle`."""
    heat = CoilHeat(coil(thermal_k_per_w=12.0), VOLTS, ambient_c)
    heat.cool_until(0.0)
    heat.rise_k = rise_k
    heat.heat(0.0, seconds, duty)
    exact_k = rise_after(heat.coil, VOLTS, ambient_c, rise_k, seconds, duty)
    assert exact_k - 1e-6 <= heat.rise_k <= exact_k + 0.5


def test_the_exact_solution_agrees_with_an_integrator() -> None:
    """scipy's solve_ivp (Runge-Kutta 5(4)) on the same equation."""
    one = coil(thermal_k_per_w=12.0)

    def slope(_: float, x: np.ndarray) -> np.ndarray:
        watts = 0.7 * VOLTS**2 / (20.0 * (1 + 0.00393 * (15.0 + x - 20.0)))
        return np.asarray((12.0 * watts - x) / 100.0)

    for start_k in (0.0, 40.0, 90.0):
        solved = solve_ivp(slope, (0.0, 130.0), [start_k], rtol=1e-9, atol=1e-9)
        exact_k = rise_after(one, VOLTS, 15.0, start_k, 130.0, 0.7)
        assert solved.y[0, -1] == pytest.approx(exact_k, abs=1e-5)


@given(st.floats(-20.0, 50.0), st.floats(1.0, 100.0))
def test_the_share_to_the_limit_ends_at_the_limit(ambient_c: float, k_per_w: float) -> None:
    """The heat equation, integrated at that share of the power, settles at the class limit."""
    one = coil(thermal_k_per_w=k_per_w)
    share = share_to_limit(one, VOLTS, ambient_c)
    assert ambient_c + settled_k(one, ambient_c, share) == pytest.approx(
        CLASS_LIMIT_C["B"], abs=1e-4
    )


@pytest.mark.parametrize(
    ("on_s", "pause_s", "percent"),
    [
        # ED = on / (on + pause): 15 s on and 45 s off are 25 % (thesolenoidcompany.com, glossary).
        (15, 45, 25),
        # 40 s on and 360 s off are 10 % (kuebler.com, "On time ED").
        (40, 360, 10),
    ],
)
def test_relative_on_time_as_data_sheets_state_it(on_s: int, pause_s: int, percent: int) -> None:
    """A coil of that many per cent may work at that rhythm, and not with a shorter pause."""
    cycle_s = float(on_s + pause_s)
    given: dict[str, float] = {"on_max_ms": 60_000, "duty_max": percent / 100, "cycle_s": cycle_s}
    machine = with_damper_coil(thermal_k_per_w=0.1, **given)
    channel = machine.striker[0].damper.coil.channel if machine.striker[0].damper else -1

    def rhythm(pause_s: float) -> Plan:
        holds = [
            # The plan keeps off a limit by some ms, for rounding and drift.
            Hold(
                at_s=n * (on_s + pause_s),
                channel=channel,
                hold_ms=1000 * on_s - 150,
                pull_ms=0,
                hold_duty=1.0,
            )
            for n in range(6)
        ]
        return Plan(header=PlanHeader(), commands=tuple(holds))

    assert check(rhythm(pause_s), machine)
    with pytest.raises(PlanBreaksLimitError, match="duty_max"):
        check(rhythm(0.95 * pause_s), machine)


def with_damper_coil(**keys: float) -> Palette:
    """The mains-fed palette with other figures for the first damper's coil."""
    ladder = load_palette("ladder")
    first = next(s for s in ladder.striker if s.damper is not None)
    assert first.damper is not None
    own = msgspec.structs.replace(first.damper.coil, **keys)
    damper = msgspec.structs.replace(first.damper, coil=own)
    return msgspec.structs.replace(
        ladder, striker=(msgspec.structs.replace(first, damper=damper, restrike_ms=200),)
    )


def test_a_quick_yes_is_never_wrong() -> None:
    one = coil(thermal_k_per_w=60.0, thermal_time_s=20.0)
    for seconds in (0.1, 1.0, 5.0, 10.0, 40.0):
        heat = CoilHeat(one, VOLTS, 20.0)
        if heat.sure_of(seconds):
            assert heat.heat(0.0, seconds, 1.0) <= heat.limit_c
    assert CoilHeat(one, VOLTS, 20.0).sure_of(1.0)
    assert not CoilHeat(one, VOLTS, 20.0).sure_of(40.0)

"""The battery: Peukert's law, cold, sag, and the time when a day must stop."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_helpers import reply_note

from callresp.io.score import ReplyHeader, ReplyScore
from callresp.palette.files import load_palette
from callresp.palette.model import Supply
from callresp.plan.electrical.battery import BatteryDay, capacity_ah, hours_at, light_v
from callresp.plan.electrical.loads import Load
from callresp.plan.planner import make_plan
from callresp.plan.summary import summarise

FETTLE = load_palette("fettle")


def lead(capacity: float, peukert: float, rated_h: float = 20) -> Supply:
    return Supply(
        chemistry="lead-acid",
        nominal_v=12,
        current_max_a=200,
        capacity_ah=capacity,
        rated_h=rated_h,
        peukert=peukert,
    )


@pytest.mark.parametrize(
    ("capacity", "peukert", "amps", "hours", "within"),
    [
        # 120 Ah at 20 h and k = 1.4, drawn at 120 A: 0.30 h (a tutor's worked example,
        # "Battery output vs discharge rate: Peukert's law", oracletutoring.ca).
        (120, 1.4, 120, 0.30, 0.01),
        # A maker's sheet of a sealed 12 V 40 Ah battery, with k from its 20 h and 1 h rows:
        # 37.2 Ah at the 10 h rate, 34 Ah at the 5 h rate, 24 Ah at the 1 h rate.
        (40, math.log(20) / math.log(24 / 2), 3.72, 10, 0.06),
        (40, math.log(20) / math.log(24 / 2), 6.8, 5, 0.09),
        (40, math.log(20) / math.log(24 / 2), 24.0, 1, 0.001),
    ],
)
def test_peukert_against_print(
    capacity: float, peukert: float, amps: float, hours: float, within: float
) -> None:
    assert hours_at(lead(capacity, peukert), amps) == pytest.approx(hours, rel=within)


def test_peukert_holds_for_a_makers_table_within_its_own_scatter() -> None:
    """The same sheet: 40 Ah at 20 h, 37.2 at 10 h, 34 at 5 h, 24 at 1 h.

    Its exponent is the slope of its discharge times over its currents, both as logarithms; its
    scatter is what they deviate from that line.
    """
    hours = np.array([20.0, 10.0, 5.0, 1.0])
    amps = np.array([40.0, 37.2, 34.0, 24.0]) / hours
    slope, height = np.polyfit(np.log(amps), np.log(hours), 1)
    scatter = float(np.std(np.log(hours) - slope * np.log(amps) - height, ddof=2))
    supply = lead(40, -float(slope))
    found = np.array([hours_at(supply, float(a)) for a in amps])
    assert 1.1 < supply.peukert < 1.3
    assert np.abs(np.log(found / hours)).max() < 2 * scatter


def test_at_or_below_the_rated_current_the_rated_capacity_is_all_there_is() -> None:
    """As makers of battery meters advise: at the 20-hour rate or slower, count the rating."""
    assert hours_at(lead(100, 1.25), 5.0) == pytest.approx(20.0)
    assert hours_at(lead(100, 1.25), 0.5) == pytest.approx(200.0)


def test_lithium_counts_charge_and_mains_never_ends() -> None:
    cells = Supply(chemistry="lithium-ion", nominal_v=7.2, current_max_a=5, capacity_ah=2.6)
    assert hours_at(cells, 1.3) == pytest.approx(2.0)
    assert math.isinf(hours_at(Supply(chemistry="mains", nominal_v=24, current_max_a=5), 1.0))


@pytest.mark.parametrize(("ambient_c", "share"), [(25, 1.0), (10, 0.90), (-10, 0.74), (40, 1.0)])
def test_lead_gives_less_in_the_cold(ambient_c: float, share: float) -> None:
    """The same maker's sheet: 100 % at 25 °C, 90 % at 10 °C, 74 % at -10 °C."""
    assert capacity_ah(lead(40, 1.2), ambient_c) == pytest.approx(40 * share)


@pytest.mark.parametrize(("left", "volts"), [(1, 12.6), (0.75, 12.4), (0.5, 12.2), (0.25, 12.0)])
def test_voltage_at_rest_by_the_common_table(left: float, volts: float) -> None:
    """12.6, 12.4, 12.2, 12.0 V: the rule of thumb of a battery note on a radio list (2011)."""
    assert light_v(lead(7, 1.2), left) == pytest.approx(volts)


@given(st.sampled_from(["lead-acid", "lithium-ion", "lithium-iron-phosphate"]), st.data())
def test_voltage_and_charge_only_fall(chemistry: str, data: st.DataObject) -> None:
    supply = msgspec.structs.replace(lead(7, 1.2), chemistry=chemistry)
    more = data.draw(st.floats(0, 1))
    less = data.draw(st.floats(0, more))
    assert light_v(supply, less) <= light_v(supply, more)
    palette = msgspec.structs.replace(FETTLE, supply=supply)
    day = BatteryDay(palette)
    day.use([Load(0.0, data.draw(st.floats(1, 5000)), data.draw(st.floats(0.1, 5)), -1)])
    early = data.draw(st.floats(0, 4000))
    assert day.left(early + data.draw(st.floats(0, 4000))) <= day.left(early) + 1e-9


def steady(amps: float, hours: float) -> BatteryDay:
    day = BatteryDay(msgspec.structs.replace(FETTLE, ambient_c=25.0))
    day.use([Load(0.0, hours * 3600, amps, -1)])
    day.peak([(0.0, hours * 3600, amps)])
    return day


@pytest.mark.parametrize(("amps", "hours"), [(3.72, 10), (6.8, 5), (24.0, 1)])
def test_a_steady_day_empties_a_battery_when_its_maker_says(amps: float, hours: float) -> None:
    """The rows of the same maker's sheet, minute by minute, within the sheet's own scatter."""
    supply = lead(40, math.log(20) / math.log(24 / 2))
    board = msgspec.structs.replace(FETTLE.board, idle_current_a=0.0)
    day = BatteryDay(msgspec.structs.replace(FETTLE, supply=supply, board=board, ambient_c=25.0))
    day.use([Load(0.0, hours * 3600.0, amps, -1)])
    assert day.left(hours * 3600.0) == pytest.approx(0.0, abs=0.1)
    assert day.ampere_hours(hours * 3600.0) == pytest.approx(amps * hours)


def test_the_day_stops_where_the_cutoff_is_reached_under_load() -> None:
    """The 12 V battery with 0.04 Ω and 11.0 V cut-off: 11.08 V light is 11.0 V under 2 A."""
    day = steady(2.0 - FETTLE.board.idle_current_a, 8.0)
    stop = day.stop(8 * 3600)
    assert stop is not None
    assert stop.limit == "supply.cutoff_v"
    left_at_stop = 0.1 * (11.08 - 10.8) / (11.7 - 10.8)
    # Peukert 1897: t = H (C / (I H))^k, here 7 Ah at 20 h.
    expected_s = 3600 * 20 * (7 / (2.0 * 20)) ** FETTLE.supply.peukert * (1 - left_at_stop)
    assert expected_s - 60 <= stop.at_s <= expected_s
    assert day.stop(stop.at_s) is None


def test_years_after_the_end_cost_no_more_than_the_day(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[float] = []

    def counting(supply: Supply, amps: float, ambient_c: float) -> float:
        asked.append(amps)
        return hours_at(supply, amps, ambient_c)

    monkeypatch.setattr("callresp.plan.electrical.battery.hours_at", counting)
    day = BatteryDay(FETTLE)
    assert day.left(1e8) < 0
    assert not day.sure_of(1e8, 1.0)
    # 7 Ah at 80 mA are 87.5 h.
    assert len(asked) < 2 * 87.5 * 60


def test_one_heavy_moment_late_in_the_day_stops_it() -> None:
    calm, heavy = steady(0.5, 10.0), steady(0.5, 10.0)
    late_s = 9.6 * 3600
    assert calm.stop(10 * 3600) is None
    heavy.peak([(late_s, late_s + 0.01, 40.0)])
    stop = heavy.stop(10 * 3600)
    assert stop is not None
    assert stop.at_s == late_s


def day_of_notes(hours: int, ring_s: float) -> ReplyScore:
    notes = tuple(reply_note(n, 60.0 * n, 60.0 * n + ring_s, "tube 1") for n in range(hours * 60))
    return ReplyScore(header=ReplyHeader(duration_s=hours * 3600.0), notes=notes)


def test_a_flat_battery_stops_the_day_and_says_when() -> None:
    checked = make_plan(day_of_notes(120, 5), FETTLE)
    stop_s = checked.plan.header.stop_s
    assert stop_s is not None
    # 7 Ah, 92 % of it at 12 °C, at 0.08 A idle and little more: 80 hours at the very most.
    assert 50 < stop_s / 3600 < 80
    assert checked.plan.commands[-1].at_s < stop_s
    dropped = [c for c in checked.plan.changes if c.limit == "supply.cutoff_v"]
    assert {c.change for c in dropped} == {"dropped"}
    assert len(dropped) == sum(60.0 * n > stop_s - 6 for n in range(120 * 60))
    assert f"it must stop at {stop_s / 3600:.2f} h" in dropped[0].why
    assert summarise(checked).stop_s == stop_s


def test_a_day_that_fits_says_what_is_left() -> None:
    figures = summarise(make_plan(day_of_notes(8, 5), FETTLE))
    assert figures.stop_s is None
    assert figures.battery_hours is not None
    assert figures.hours_left is not None
    assert figures.hours_left == pytest.approx(figures.battery_hours - 8, abs=0.05)
    # One full stroke: (12 V)² / 6 Ω for 14 ms.
    assert figures.strike_j == pytest.approx(144 / 6 * 0.014, abs=1e-4)
    assert figures.energy_wh == pytest.approx(figures.charge_ah * 12, rel=1e-4)


def test_nothing_struck_costs_nothing_a_stroke() -> None:
    figures = summarise(
        make_plan(ReplyScore(header=ReplyHeader(duration_s=60.0), notes=()), FETTLE)
    )
    assert figures.strike_j == 0.0
    assert figures.hottest is None


def sparse_day(hours: int) -> ReplyScore:
    notes = tuple(reply_note(n, 600.0 * n, None, "tube 1") for n in range(hours * 6))
    return ReplyScore(header=ReplyHeader(duration_s=hours * 3600.0), notes=notes)


def test_half_a_charge_stops_it_sooner() -> None:
    half = msgspec.structs.replace(
        FETTLE, supply=msgspec.structs.replace(FETTLE.supply, charge=0.5)
    )
    day = sparse_day(120)
    full_s = make_plan(day, FETTLE).plan.header.stop_s
    half_s = make_plan(day, half).plan.header.stop_s
    assert full_s is not None
    assert half_s is not None
    assert half_s / full_s == pytest.approx(0.48, abs=0.03)

"""What the machine can do, against sums by hand and against plans that try it."""

from __future__ import annotations

import math

import msgspec
import pytest
from plan_helpers import reply_note

from callresp.io.score import ReplyHeader, ReplyScore
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plan.advice.capability import capability_of
from callresp.plan.checked_plan import PlanBreaksLimitError, check
from callresp.plan.electrical.heat import CLASS_LIMIT_C, CoilHeat
from callresp.plan.model import Hold, Plan, PlanHeader, Strike
from callresp.plan.planner import make_plan

FETTLE = load_palette("fettle")


def with_tube_coil(**keys: float | str) -> Palette:
    tube = FETTLE.striker[0]
    tube = msgspec.structs.replace(tube, coil=msgspec.structs.replace(tube.coil, **keys))
    return msgspec.structs.replace(FETTLE, striker=(tube, *FETTLE.striker[1:]))


def test_figures_by_hand() -> None:
    able = capability_of(FETTLE)
    tube = able.strikers[0]
    assert tube.stroke_j == pytest.approx(12**2 / 6 * 0.014, abs=1e-3)
    # At -5 °C copper has (234.5 - 5) / 254.5 of its resistance at 20 °C.
    assert tube.stroke_a == pytest.approx(12.8 / 6 * 254.5 / 229.5, abs=0.01)
    assert tube.lasting_per_s == pytest.approx(0.12 / 0.014, abs=0.01)
    assert tube.held_back_by == "coil.duty_max"
    assert able.supply.at_once_a == pytest.approx(7 - 0.08)
    # 7 Ah, of which 91.3 % at 12 °C (between 90 % at 10 and 100 % at 25), at 0.08 A.
    assert able.supply.idle_hours == pytest.approx(7 * (0.9 + 0.1 * 2 / 15) / 0.08, abs=0.1)
    assert capability_of(load_palette("ladder")).supply.idle_hours is None
    spring = capability_of(load_palette("pocket")).turners[0]
    # 90 turns at 1.2 a second, with ramps of 0.2 s up and down.
    assert spring.stored_fast_s == pytest.approx(90 / 1.2, abs=0.1)


def test_a_whole_machine_by_hand() -> None:
    """Copper: 0.393 % a kelvin (IEC 60028), at -5 °C for currents, at 12 °C for hours."""
    able = capability_of(FETTLE)
    cold, cool = 1 + 0.00393 * (-5 - 20), 1 + 0.00393 * (12 - 20)
    oak, tin = able.strikers[-2:]
    assert (oak.name, oak.held_back_by, tin.held_back_by) == (
        "oak block",
        "coil.duty_max",
        "restrike_ms",
    )
    # A stroke each 45 ms; 7 ms each of 15 % of the time; and a stroke each 85 ms.
    assert (oak.fastest_per_s, oak.lasting_per_s) == (22.22, 21.43)
    assert tin.fastest_per_s == tin.lasting_per_s == 11.76
    assert (oak.stroke_j, oak.stroke_a) == (0.126, round(12.8 / 8 / cold, 2))
    assert (oak.softest_db, oak.loudest_db) == (54.0, 72.0)
    first, last = able.dampers[0], able.dampers[-1]
    assert (first.striker, first.rest, first.longest_s, first.held_back_by) == (
        "tube 1",
        "on",
        20.0,
        "damper.coil.on_max_ms",
    )
    assert (last.striker, last.rest, last.longest_s, last.lasting_share) == (
        "tin box",
        "off",
        8,
        0.6,
    )
    assert first.lasting_share == 1.0
    assert first.hold_a == last.hold_a == round(0.3 * 12.8 / 30 / cold, 3)
    (shaker,) = able.turners
    assert (shaker.name, shaker.longest_s) == ("bead shaker", 120.0)
    assert (shaker.stored_slow_s, shaker.stored_fast_s) == (None, None)
    # Each struck once in 10 s, felts held for half of the time; Peukert at 1.2, rated for 20 h.
    busy_a = 0.08 + (5 * 12 / 6 * 0.014 + 12 / 8 * 0.007 + 12 / 7 * 0.009) / 10 / cool
    busy_a += 6 * 0.3 * 12 / 30 / 2 / cool
    hours = 20 * (7 * (0.9 + 0.1 * 2 / 15) / (busy_a * 20)) ** 1.2
    assert able.supply.busy_hours == pytest.approx(hours, abs=0.05)
    assert able.supply.set_by == "supply.current_max_a"
    # Half full it lasts half as long; and a lead of 0.2 Ω sags to the cut-off at 5 A.
    supply = msgspec.structs.replace(FETTLE.supply, charge=0.5, internal_ohm=0.2)
    told = capability_of(msgspec.structs.replace(FETTLE, supply=supply)).supply
    assert (told.set_by, told.at_once_a) == ("supply.cutoff_v", 4.92)
    assert told.busy_hours == pytest.approx(hours / 2, abs=0.05)
    pocket = capability_of(load_palette("pocket"))
    (ratchet,) = pocket.turners
    assert (ratchet.name, ratchet.longest_s, ratchet.stored_slow_s) == ("ratchet", 40.0, 300.0)
    assert (pocket.palette, pocket.dampers) == ("Pocket", ())


def test_a_damper_that_gets_too_hot_is_held_until_then() -> None:
    tube = FETTLE.striker[0]
    assert tube.damper is not None
    hot = {"thermal_k_per_w": 150.0, "thermal_time_s": 40.0, "duty_max": 1.0, "on_max_ms": 60_000}
    damper = msgspec.structs.replace(
        tube.damper, coil=msgspec.structs.replace(tube.damper.coil, **hot)
    )
    tube = msgspec.structs.replace(tube, damper=damper)
    machine = msgspec.structs.replace(FETTLE, striker=(tube, *FETTLE.striker[1:]))
    able = capability_of(machine).dampers[0]
    assert able.held_back_by == "damper.coil.insulation"
    # A step of 0.4 s may be missing.
    for held_s, fits in ((able.longest_s - 0.4, True), (able.longest_s + 0.4, False)):
        heat = CoilHeat(damper.coil, machine.supply.highest_v, machine.ambient_c)
        heat.heat(0.0, 0.03, 1.0)
        assert (heat.heat(0.03, held_s - 0.03, 0.3) <= heat.limit_c) == fits
    # Where it settles at its class is its lasting share: of the watts at 130 °C.
    full_w = 12.8**2 / (30 * (1 + 0.00393 * 110))
    assert able.lasting_share == round((130 - 12) / (150 * full_w) / 0.3, 3)


def test_the_lasting_rate_lasts_and_more_does_not() -> None:
    """Hours at the lasting rate stay within the class; a tenth more does not."""
    machine = with_tube_coil(duty_max=1.0, thermal_k_per_w=60, thermal_time_s=120)
    tube = capability_of(machine).strikers[0]
    assert tube.held_back_by == "coil.insulation"
    coil = machine.striker[0].coil
    for rate, fits in ((tube.lasting_per_s, True), (1.1 * tube.lasting_per_s, False)):
        heat = CoilHeat(coil, machine.supply.highest_v, machine.ambient_c)
        for number in range(math.ceil(1500 * rate)):
            heat.heat(number / rate, 0.014, 1.0)
        assert (heat.hottest_c <= CLASS_LIMIT_C["B"]) == fits


def test_the_longest_hold_is_admitted_and_a_longer_one_is_not() -> None:
    longest_s = capability_of(FETTLE).dampers[0].longest_s
    for seconds, fits in ((longest_s, True), (longest_s + 0.1, False)):
        hold = Hold(at_s=0, channel=5, hold_ms=1000 * seconds, pull_ms=30, hold_duty=0.3)
        plan = Plan(header=PlanHeader(), commands=(hold,))
        if fits:
            check(plan, FETTLE)
        else:
            with pytest.raises(PlanBreaksLimitError):
                check(plan, FETTLE)


def test_what_is_said_of_a_rate_is_what_the_planner_does() -> None:
    """Struck hard 9 times a second for a minute, tube 1 keeps to its duty in every 10 s."""
    notes = tuple(reply_note(n, n / 9, None, "tube 1") for n in range(540))
    plan = make_plan(ReplyScore(header=ReplyHeader(), notes=notes), FETTLE).plan
    strikes = [c for c in plan.commands if isinstance(c, Strike)]
    on_s = sum(c.pulse_ms for c in strikes if 20 <= c.at_s < 30) / 1000
    assert on_s == pytest.approx(0.12 * 10, abs=0.02)
    assert {c.limit for c in plan.changes} >= {"coil.duty_max"}


def test_a_damper_holds_no_longer_than_its_duty_allows() -> None:
    tube = FETTLE.striker[0]
    assert tube.damper is not None
    coil = msgspec.structs.replace(
        tube.damper.coil, on_max_ms=60_000, duty_max=0.4, cycle_s=10.0, thermal_k_per_w=0.1
    )
    damper = msgspec.structs.replace(tube.damper, coil=coil, hold_duty=0.8)
    machine = msgspec.structs.replace(
        FETTLE,
        striker=(msgspec.structs.replace(tube, damper=damper), *FETTLE.striker[1:]),
    )
    able = capability_of(machine).dampers[0]
    assert (able.held_back_by, able.longest_s) == ("damper.coil.duty_max", 0.4 * 10)
    assert able.lasting_share == 0.4

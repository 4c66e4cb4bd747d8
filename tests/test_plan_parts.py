"""What a plan says of itself: figures by hand, advice, sweeps, and no values without meaning."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_helpers import reply_note, with_coils
from reply_helpers import call, note, score_of

from callresp.errors import UserError
from callresp.io.score import ReplyHeader, ReplyScore
from callresp.palette.files import fingerprint, load_palette
from callresp.palette.model import Coil, Palette
from callresp.plan.advice import what_if
from callresp.plan.advice.capability import capability_of
from callresp.plan.advice.pitch_coverage import pitch_coverage
from callresp.plan.advice.what_if import candidates, with_striker
from callresp.plan.auditions import Audition, audition, swept, with_setting
from callresp.plan.checked_plan import Checker, check
from callresp.plan.electrical.battery import BatteryDay
from callresp.plan.electrical.loads import (
    CurrentTimeline,
    Load,
    LoadModel,
    stretches,
    supply_limit_a,
)
from callresp.plan.electrical.wiring import wiring_of
from callresp.plan.files import read_plan, write_plan
from callresp.plan.model import Change, Hold, Light, Plan, PlanHeader, Strike, Turn
from callresp.plan.planner import all_off, darkened, make_plan
from callresp.plan.rules import on_times
from callresp.plan.schedulers.coil import CoilHistory
from callresp.plan.summary import grouped, summarise, workload
from callresp.reply.metrics import ReplyMetrics
from callresp.reply.rules import load_rules

FETTLE = load_palette("fettle")
TUBE = FETTLE.striker[0]
HOLD = Hold(
    at_s=1.0, channel=5, hold_ms=1000, pull_ms=30, hold_duty=0.3, instrument="tube 1", reply=0
)
COMMANDS = (
    HOLD,
    Strike(at_s=1.1, channel=0, pulse_ms=14, instrument="tube 1", reply=0),
    Strike(at_s=2.0, channel=0, pulse_ms=7, instrument="tube 1", reply=1),
    Strike(at_s=3.0, channel=1, pulse_ms=14, instrument="tube 2", reply=2),
    Turn(at_s=4.0, channel=0, speed_rps=2.0, run_ms=2000, instrument="bead shaker", reply=3),
)
CHANGES = (
    Change(change="moved", reply=1, at_s=2.0, limit="restrike_ms", why="a", asked=2, given=2.01,
           unit="s"),
    Change(change="dropped", reply=4, at_s=5.0, limit="restrike_ms", why="b"),
    Change(change="moved", reply=5, at_s=6.0, limit="restrike_ms", why="a", asked=6, given=5.98,
           unit="s"),
)  # fmt: skip


def plan_of(**header: Any) -> Plan:
    return Plan(header=PlanHeader(**header), commands=COMMANDS, changes=CHANGES)


def test_the_summary_of_a_plan_by_hand() -> None:
    checked = check(plan_of(duration_s=3600.0), FETTLE)
    told = summarise(checked)
    assert (told.palette, told.duration_s, told.stop_s) == ("Fettle", 3600.0, None)
    assert (told.strikes, told.holds, told.turns, told.dropped) == (3, 1, 1, 1)
    assert list(told.strikes_by_instrument.items()) == [("tube 1", 2), ("tube 2", 1)]
    assert list(told.changes.items()) == [("moved: restrike_ms", 2), ("dropped: restrike_ms", 1)]
    # (12 V)² / 6 Ω for 14, 7 and 14 ms, in the mean.
    assert told.strike_j == pytest.approx(24 * 0.035 / 3, abs=1e-4)
    # An hour of 80 mA; coils at 12 °C (0.393 % a kelvin), the motor 0.8 A for 0.35 s, then less.
    share = 1 / (1 + 0.00393 * (12 - 20))
    felt_a = 12 / 30 * share
    turner = FETTLE.turner[0]
    coulombs = 12 / 6 * share * 0.035 + felt_a * (0.03 + 0.3 * 0.97)
    coulombs += turner.start_current_a * turner.spin_up_s
    coulombs += turner.current_a * (2 - turner.spin_up_s)
    assert told.charge_ah == pytest.approx(0.08 + coulombs / 3600, abs=1e-5)
    assert told.energy_wh == pytest.approx(12 * told.charge_ah, abs=1e-3)
    # 12.8 V, copper at -5 °C: a stroke while the felt is held; and the board itself.
    cold = 12.8 / (1 - 0.00393 * 25)
    assert told.peak_current_a == pytest.approx(0.08 + cold / 6 + 0.3 * cold / 30, abs=1e-3)
    assert told.battery_hours is not None
    # 91.3 % of 7 Ah at 12 °C, at 80 mA: 79.9 h.
    assert told.battery_hours == pytest.approx(79.9, abs=0.3)
    assert told.hours_left == pytest.approx(told.battery_hours - 1.0, abs=0.02)
    assert told.end_v == pytest.approx(12.6, abs=0.05)
    assert told.hottest is not None
    assert told.hottest.limit_c == 130.0
    assert 12.0 < told.hottest.temperature_c < 60.0
    assert not told.hottest.hot_to_touch
    # Lights and motors before the coils are no reason to leave those out.
    assert summarise(darkened(check(plan_of(), FETTLE))).hottest == told.hottest
    places = {"duration_s": 3, "peak_current_a": 3, "charge_ah": 5, "energy_wh": 4, "strike_j": 4}
    places |= {"battery_hours": 2, "hours_left": 2, "end_v": 2}
    for name, digits in places.items():
        assert getattr(told, name) == round(getattr(told, name), digits), name
    # A duration that is no longer than the plan: it lasts until its last channel is off.
    assert summarise(check(plan_of(), FETTLE)).duration_s == 6.0


def hot(channel: int, **changes: Any) -> Palette:
    """The demo with one coil, of a tube or of its damper, that heats at once."""
    more = {"thermal_k_per_w": 10.0, "thermal_time_s": 1.0, "insulation": "H", **changes}

    def heated(coil: Coil) -> Coil:
        return msgspec.structs.replace(coil, **more) if coil.channel == channel else coil

    return with_coils(FETTLE, heated)


def test_the_hottest_coil_is_named_and_told_when_it_burns_a_hand() -> None:
    """Skin burns on bare metal of 60 °C within seconds (ISO 13732-1:2006, from memory)."""
    felt = summarise(check(plan_of(), hot(5, thermal_k_per_w=80.0))).hottest
    assert felt is not None
    assert felt.instrument == "damper of tube 1"
    assert felt.limit_c == 180.0
    # Copper: 0.393 % of resistance a kelvin; a stroke's level goes with the current.
    ratio = 1 + 0.00393 * (felt.temperature_c - 20)
    assert felt.force_loss_db == pytest.approx(20 * math.log10(ratio), abs=0.02)
    assert felt.hot_to_touch == (felt.temperature_c >= 60.0)
    tube = summarise(check(plan_of(), hot(0, thermal_k_per_w=200.0))).hottest
    assert tube is not None
    assert tube.instrument == "tube 1"
    assert tube.hot_to_touch
    for one in (felt, tube):
        assert one.temperature_c == round(one.temperature_c, 1)
        assert one.force_loss_db == round(one.force_loss_db, 2)


def test_changes_are_grouped_by_kind_key_and_reason() -> None:
    moved, dropped = grouped(CHANGES)
    assert (moved.change, moved.limit, moved.why, moved.count) == ("moved", "restrike_ms", "a", 2)
    assert (moved.first_s, moved.largest, moved.unit) == (2.0, 0.02, "s")
    assert (dropped.count, dropped.first_s, dropped.largest, dropped.unit) == (1, 5.0, None, "")


def test_the_work_of_strikers_by_hand() -> None:
    names = ["tube 1", "tube 1", "tube 2", "bead shaker", "tube 1", "tube 1"]
    notes = tuple(reply_note(n, 2.0 * n, None, name) for n, name in enumerate(names))
    reply = ReplyScore(header=ReplyHeader(), notes=notes)
    work = workload(reply, check(plan_of(), FETTLE))
    assert [w.striker for w in work][:2] == ["tube 1", "tube 2"]
    one, other = work[:2]
    assert (one.asked, one.strokes, one.lost, one.changed) == (4, 2, 1, 2)
    assert one.by_limit == {"restrike_ms": 3}
    # Three strokes on seven strikers: an even share is 3/7.
    assert (one.even, other.even) == (round(2 / (3 / 7), 2), round(1 / (3 / 7), 2))
    assert (one.overworked, other.overworked) == (True, False)
    minutes = [*range(5), *range(70, 78)]
    strokes = tuple(
        Strike(at_s=float(s), channel=0, pulse_ms=7, instrument="tube 1") for s in minutes
    )
    checked = check(Plan(header=PlanHeader(), commands=strokes), FETTLE)
    assert workload(reply, checked)[0].busiest_per_min == 8


def test_when_a_coil_is_on_and_how_much() -> None:
    assert on_times(COMMANDS[1]) == ((1.1, 0.014, 1.0),)
    pull, rest = on_times(HOLD)
    assert pull == (1.0, 0.03, 1.0)
    assert rest == pytest.approx((1.03, 0.97, 0.3))


@pytest.mark.parametrize(
    ("make", "what"),
    [
        (lambda: Strike(at_s=math.nan, channel=0, pulse_ms=1), "finite"),
        (lambda: Strike(at_s=-2.001, channel=0, pulse_ms=1), "before the start"),
        (lambda: Strike(at_s=0, channel=0, pulse_ms=0), "more than 0 ms"),
        (lambda: Strike(at_s=0, channel=0, pulse_ms=math.inf), "more than 0 ms"),
        (lambda: msgspec.structs.replace(HOLD, hold_duty=1.01), "duty"),
        (lambda: msgspec.structs.replace(HOLD, pull_ms=1001.0), "pull_ms"),
        (lambda: msgspec.structs.replace(HOLD, pull_ms=-1.0), "pull_ms"),
        (lambda: msgspec.structs.replace(COMMANDS[4], speed_rps=0.0), "above 0"),
        (lambda: msgspec.structs.replace(COMMANDS[4], speed_rps=math.inf), "above 0"),
        (lambda: Light(at_s=0, level=1.01), "0 to 1"),
        (lambda: Light(at_s=0, level=-0.01), "0 to 1"),
        (lambda: Plan(header=PlanHeader(), commands=COMMANDS[::-1]), "out of order"),
    ],
)
def test_no_command_has_a_value_that_means_nothing(make: Any, what: str) -> None:
    with pytest.raises(ValueError, match=what):
        make()


def test_the_edges_of_what_a_command_may_be() -> None:
    assert Strike(at_s=-2.0, channel=0, pulse_ms=1e-3).length_ms == 1e-3
    full = msgspec.structs.replace(HOLD, pull_ms=1000.0, hold_duty=1.0)
    assert (full.length_ms, full.end_s) == (1000.0, 2.0)
    assert msgspec.structs.replace(HOLD, pull_ms=0.0, hold_duty=0.0).end_s == 2.0
    assert [Light(at_s=0, level=level).length_ms for level in (0.0, 1.0)] == [0.0, 0.0]
    plan = plan_of()
    assert [s.at_s for s in plan.strikes] == [1.1, 2.0, 3.0]
    assert plan.holds == (HOLD,)
    assert plan.end_s == 6.0
    assert Plan(header=PlanHeader(), commands=()).end_s == 0.0


def test_lights_are_dark_from_a_moment_before_the_first_command() -> None:
    dark = darkened(check(plan_of(), FETTLE)).plan.commands
    assert dark == (Light(at_s=0.8, channel=0, level=0.0), *COMMANDS)
    board = msgspec.structs.replace(FETTLE.board, lights=3)
    lights = all_off(msgspec.structs.replace(FETTLE, board=board), 2.0)
    assert [(light.channel, light.at_s, light.level) for light in lights] == [
        (0, 2.0, 0.0), (1, 2.0, 0.0), (2, 2.0, 0.0),
    ]  # fmt: skip


def test_the_sum_of_currents_is_that_on_a_grid() -> None:
    rng = np.random.default_rng(0)
    loads = [
        Load(a, a + d, amps, 0)
        for a, d, amps in rng.uniform((0, 0, 0.1), (9, 2, 2), (30, 3)).tolist()
    ]
    spans = list(stretches(loads))
    for at_s in rng.uniform(0, 12, 300):
        wanted = sum(load.amps for load in loads if load.from_s <= at_s < load.until_s)
        found = sum(amps for start_s, end_s, amps in spans if start_s <= at_s < end_s)
        assert found == pytest.approx(wanted, abs=1e-8)
    assert list(stretches([])) == []


def test_mean_currents_are_at_the_nominal_voltage_and_the_airs_temperature() -> None:
    mean, most = LoadModel(FETTLE, 12.0), LoadModel(FETTLE)
    strike = COMMANDS[1]
    (load,), (worst,) = mean.loads_of(strike), most.loads_of(strike)
    assert load.amps == pytest.approx(12 / (6 * (1 - 0.00393 * 8)))
    assert (load.from_s, load.until_s) == pytest.approx((1.1, 1.114))
    # For limits: full battery, coldest copper, and until it is off by any clock.
    assert worst.amps == pytest.approx(12.8 / (6 * (1 - 0.00393 * 25)))
    assert worst.until_s == pytest.approx(1.114 + 2e-4 + 0.014 * 2e-4)
    pull, hold = mean.loads_of(HOLD)
    assert (pull.until_s, hold.from_s, hold.until_s) == pytest.approx((1.03, 1.03, 2.0))
    assert hold.amps == pytest.approx(0.3 * pull.amps)
    start, run = mean.loads_of(COMMANDS[4])
    turner = FETTLE.turner[0]
    assert (start.amps, run.amps) == (turner.start_current_a, turner.current_a)
    assert (start.until_s, run.until_s) == pytest.approx((4.0 + turner.spin_up_s, 6.0))
    assert mean.loads_of(Light(at_s=0)) == []


def test_a_supply_gives_no_more_than_it_sags_to_its_cutoff_by() -> None:
    def limit(**changes: float) -> float:
        supply = msgspec.structs.replace(FETTLE.supply, **changes)
        return supply_limit_a(msgspec.structs.replace(FETTLE, supply=supply))

    # 12 V less 11 V over 0.5 Ω are 2 A.
    assert limit(internal_ohm=0.5, cutoff_v=11.0, current_max_a=7.0) == pytest.approx(2.0)
    assert limit(internal_ohm=0.01, cutoff_v=11.0, current_max_a=7.0) == 7.0
    assert limit(internal_ohm=0.0, cutoff_v=11.0, current_max_a=7.0) == 7.0
    assert limit(internal_ohm=0.5, cutoff_v=0.0, current_max_a=7.0) == 7.0


def test_what_a_busy_machine_draws_from_its_battery() -> None:
    """Each striker hard once in ten seconds, each damper held for five of them."""
    able = capability_of(FETTLE).supply
    assert able.set_by == "supply.current_max_a"
    share = 1 / (1 - 0.00393 * 8)
    amps = 0.08
    for striker in FETTLE.striker:
        amps += 12 / striker.coil.resistance_ohm * share * striker.force[-1].pulse_ms / 1e4
        if striker.damper is not None:
            amps += 12 / striker.damper.coil.resistance_ohm * share * striker.damper.hold_duty / 2
    # 7 Ah at 20 h, Peukert 1897; 91.3 % of it at 12 °C.
    capacity = 7 * (0.9 + 0.1 * 2 / 15)
    hours = 20 * (capacity / (amps * 20)) ** FETTLE.supply.peukert
    assert able.busy_hours == pytest.approx(hours * FETTLE.supply.charge, rel=0.01)
    tube = capability_of(FETTLE).strikers[0]
    assert tube.fastest_per_s == pytest.approx(1000 / 110, abs=0.01)
    assert (tube.softest_db, tube.loudest_db) == (58, 79)
    damper = capability_of(FETTLE).dampers[0]
    assert (damper.striker, damper.rest) == ("tube 1", "on")
    assert damper.hold_a == pytest.approx(0.3 * 12.8 / (30 * (1 - 0.00393 * 25)), abs=1e-3)
    weak = msgspec.structs.replace(FETTLE.supply, internal_ohm=0.5)
    sagging = capability_of(msgspec.structs.replace(FETTLE, supply=weak)).supply
    assert sagging.set_by == "supply.cutoff_v"


def test_a_coil_that_burns_while_it_pulls_may_not_be_held() -> None:
    for k_per_w, held in ((200.0, 0.0), (0.1, 20.0)):
        machine = hot(5, thermal_k_per_w=k_per_w, thermal_time_s=0.01, insulation="A")
        able = capability_of(machine).dampers[0]
        assert able.longest_s == held
        assert able.held_back_by == (
            "damper.coil.insulation" if held == 0.0 else "damper.coil.on_max_ms"
        )


def test_a_spring_lasts_as_long_as_its_turns_do_slow_or_fast() -> None:
    """A run turns speed · (run - ramps' half): 91 turns at 1.2 and at the slowest speed."""
    pocket = load_palette("pocket")
    turner = msgspec.structs.replace(pocket.turner[0], store_turns=91.0)
    able = capability_of(msgspec.structs.replace(pocket, turner=(turner,))).turners[0]
    half_s = (turner.spin_up_s - turner.slow_down_s) / 2
    for found, speed in ((able.stored_slow_s, turner.slowest_rps), (able.stored_fast_s, 1.2)):
        assert found == pytest.approx(91 / speed + half_s, abs=0.051)
        assert found == round(91 / speed + half_s, 1) != round(91 / speed + half_s)
    assert (able.name, able.longest_s) == (turner.name, turner.run_max_s)
    endless = msgspec.structs.replace(turner, store_turns=None)
    able = capability_of(msgspec.structs.replace(pocket, turner=(endless,))).turners[0]
    assert able.stored_slow_s is able.stored_fast_s is None


def test_mains_never_runs_out_and_a_coil_for_all_of_its_cycle_may_be_on_for_longer() -> None:
    mains = msgspec.structs.replace(FETTLE.supply, chemistry="mains")
    assert BatteryDay(msgspec.structs.replace(FETTLE, supply=mains)).sure_of(1e9, 99.0)
    lasting = hot(5, thermal_k_per_w=0.1, duty_max=1.0, cycle_s=2.0)
    hold = msgspec.structs.replace(HOLD, hold_ms=15_000.0)
    check(Plan(header=PlanHeader(), commands=(hold,)), lasting)


def test_gaps_name_who_sings_there_and_which_striker_is_nearest() -> None:
    notes = [
        note(n, float(n), pitch_hz=hz, voice=voice)
        for n, (hz, voice) in enumerate(
            [(2500.0, "B"), (2500.0, "A"), (2550.0, "B"), (440.0, "C"), (None, "D")]
        )
    ]
    machine = [
        msgspec.structs.replace(TUBE, name=name, pitch_hz=hz)
        for name, hz in (("low", 440.0), ("high", 880.0))
    ]
    blocks = [striker for striker in FETTLE.striker if striker.pitch_hz is None]
    found = pitch_coverage(notes, [*machine, *blocks])
    assert (found.notes, found.unpitched, found.unpitched_strikers) == (5, 1, len(blocks))
    (gap,) = found.gaps
    assert gap.voices == ("B", "A")
    assert (gap.low_hz, gap.high_hz, gap.notes, gap.share) == (2500.0, 2550.0, 3, 0.75)
    # Of two as near by octaves the first; 1200 log2(440 / 2516.6) is 182 cents above -3600.
    assert gap.nearest == "low"
    middle = (2500.0 * 2500.0 * 2550.0) ** (1 / 3)
    off = (1200 * math.log2(440 / middle) + 600) % 1200 - 600
    assert gap.off_cents == pytest.approx(off, abs=0.06)
    many = [(440.0, 3), (1760.0, 2), (2500.0, 1)]
    notes = [note(0, float(n), pitch_hz=hz) for hz, count in many for n in range(count)]
    found = pitch_coverage(notes, machine)
    assert (found.direct, found.by_octave, found.none) == (0.5, round(2 / 6, 4), round(1 / 6, 4))


def test_candidates_lie_where_calls_are_missed_and_within_an_octave_of_the_machine() -> None:
    machine = msgspec.structs.replace(
        FETTLE, striker=tuple(s for s in FETTLE.striker if s.pitch_hz is not None)
    )
    pitches = [s.pitch_hz or 0.0 for s in machine.striker]
    heard = score_of(*call([3700.0, 3700.0, 2600.0]))
    found = candidates(heard, machine, 4)
    assert len(found) == 4
    assert min(pitches) / 2 <= min(found)
    assert max(found) <= max(pitches) * 2
    for at, hz in enumerate(found):
        assert min(abs((1200 * math.log2(hz / c) + 600) % 1200 - 600) for c in (3700, 2600)) < 60
        assert all(abs(1200 * math.log2(hz / other)) > 50 for other in found[:at])
    grown, like, _ = with_striker(machine, found[0])
    new = grown.striker[-1]
    assert new.pitch_hz == found[0]
    own = next(driver for driver in grown.driver if new.coil.channel in driver.channels)
    assert own.current_max_a == max(driver.current_max_a for driver in FETTLE.driver)
    copied = next(s for s in machine.striker if s.name == like)
    assert new.force == copied.force


def test_a_candidate_in_a_calls_own_octave_counts_a_little_more_and_no_more_than_that() -> None:
    """Two calls at 1500 Hz and three at 2600 Hz, of which only the octave below can be built."""
    machine = msgspec.structs.replace(
        FETTLE, striker=(msgspec.structs.replace(TUBE, pitch_hz=1000.0),)
    )
    more = candidates(score_of(*call([1500.0, 2600.0, 2600.0, 1500.0, 2600.0])), machine, 3)
    assert more == pytest.approx([650.0, 1300.0, 1500.0], rel=0.015)
    as_many = candidates(score_of(*call([1500.0, 2600.0, 2600.0, 1500.0])), machine, 1)
    assert as_many == pytest.approx([1500.0], rel=0.015)


@pytest.mark.parametrize(("long_notes", "seeds"), [(24, 1), (25, what_if.SEEDS)])
def test_a_long_recording_is_answered_by_one_seed(
    long_notes: int, seeds: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(what_if, "LONG_NOTES", long_notes)
    calls = [one for k in range(8) for one in call([1250, 1500, 1900], 1 + 10.0 * k, phrase=k)]
    heard = score_of(*(msgspec.structs.replace(one, id=n) for n, one in enumerate(calls)))
    shares: list[float] = []
    now, (tried,) = what_if.try_adding(heard, FETTLE, load_rules("shadow"), 1, shares.append)
    assert now.asked == tried.outcome.asked == 24 * seeds
    assert shares == [0.0]
    assert tried.needs == "2 coil channels more than the board has"
    assert tried.fit_gain == pytest.approx(tried.outcome.fit - now.fit, abs=1e-4)
    # Told to four decimals, and put together as the mapping's own figures are.
    for one in (now, tried.outcome):
        for value in (one.fit, one.contour, one.distinct, one.near, one.on_pitch):
            assert value == round(value, 4)
        share = one.played / one.asked
        wanted = share * (0.6 * one.contour + 0.25 * one.distinct + 0.15 * one.near)
        assert one.fit == pytest.approx(wanted, abs=2e-4)
    full = msgspec.structs.replace(FETTLE, striker=FETTLE.striker[:1])
    monkeypatch.setattr(what_if, "CHANNELS", 3)
    assert what_if.try_adding(heard, full, load_rules("shadow"), 1, shares.append)[1] == ()


METRICS = ReplyMetrics(
    rules="x", phrases=4, answered_share=0.5, overlap_share=0.25, delay_s=0.4,
    strokes_per_minute=12.3, pitch_error_cents=20.0, contour=0.876, picked=0.7,
    picked_chance=0.31, work={},
)  # fmt: skip


def test_an_audition_says_its_measures_in_a_line() -> None:
    reply = ReplyScore(header=ReplyHeader(), notes=())
    one = Audition("mine", reply, check(plan_of(), FETTLE), METRICS, 7.5)
    row = one.row()
    assert (row["label"], row["changes"], row["dropped"], row["battery_hours"]) == (
        "mine", 3, 1, 7.5,
    )  # fmt: skip
    assert row["answered_share"] == 0.5
    assert one.caption() == (
        "mine:  answers 50%, overlap 25%, 12 strokes a minute, contour 0.88,"
        " call picked 70% (31% by chance), 1 dropped"
    )
    bare = msgspec.structs.replace(METRICS, contour=None, picked=None)
    plain = Audition("mine", reply, make_plan(reply, FETTLE), bare, None)
    assert plain.caption() == "mine:  answers 50%, overlap 25%, 12 strokes a minute"


def test_an_audition_is_by_the_seed_that_is_asked() -> None:
    heard, rules = score_of(*call([1200, 1500, 900])), load_rules("shadow")
    own, other = (audition("x", heard, FETTLE, rules, seed) for seed in (None, 5))
    assert (own.reply.header.seed, other.reply.header.seed) == (rules.seed, 5)
    assert own.checked.plan.strikes
    assert own.measures.phrases == 1
    assert own.battery_hours is not None


def test_a_setting_is_swept_from_end_to_end_each_value_once() -> None:
    rules = load_rules("shadow")
    found = swept(rules, "rule.1.stretch=0.5..2.5", 5)
    assert [label for label, _ in found] == [
        f"rule.1.stretch={value:g}" for value in (0.5, 1.0, 1.5, 2.0, 2.5)
    ]
    assert [one.rule[0].stretch for _, one in found] == [0.5, 1.0, 1.5, 2.0, 2.5]
    assert [one.rule[0].at_most for _, one in swept(rules, "rule.1.at_most=1..3", 9)] == [1, 2, 3]
    assert with_setting(rules, "manners.rest_s", 3.5)[1].manners.rest_s == 3.5
    for sweep, what in (
        ("rule.1.stretch", "is no sweep"),
        ("rule.1.stretch=1..2..3", "is no sweep"),
        ("rule.9.stretch=1..2", "no setting"),
        ("rule.1.nonesuch=1..2", "no setting"),
        ("rule.1.name=1..2", "is not a number"),
        ("rule.1.varies=0..1", "is not a number"),
        ("rule.0.stretch=1..2", "no setting"),
        ("rule.1.stretch=1..1e999", "is no sweep"),
        ("rule.1.at_most=nan..1", "is no sweep"),
        ("rule.1.stretch=0.01..2", r"rule.1.stretch: 0.01 is not allowed \(0.1 to 10.0\); narrow"),
    ):
        with pytest.raises(UserError, match=what):
            swept(rules, sweep, 3)


def test_the_parts_of_a_channel_stand_what_it_asks() -> None:
    """Twice the voltage, three times the current; a diode for the current, a plug over the fuse."""
    for one in wiring_of(FETTLE).channels:
        volts, amps = (float(part.split()[0]) for part in one.transistor.split(", ")[1:3])
        assert volts >= 2 * 12.8
        assert amps >= 3 * one.cold_a
        milliohm = float(one.transistor.split("at most ")[1].split()[0])
        # Within half a watt, and no more than half an ohm.
        assert milliohm <= min(0.5 / max(one.cold_a, 0.05) ** 2 * 1000, 500)
        volts, amps = (float(part.split()[0]) for part in one.diode.split(", ")[1:3])
        assert volts >= 2 * 12.8
        assert amps >= one.cold_a
        assert float(one.plug.split(", ")[2].split()[0]) >= max(one.cold_a, 1.25 * one.fuse_a)


@st.composite
def worked_coils(draw: st.DrawFn) -> tuple[CoilHistory, list[tuple[float, float]]]:
    """A coil that has been on now and then, and when."""
    coil = msgspec.structs.replace(
        TUBE.coil, duty_max=draw(st.floats(0.05, 0.9)), cycle_s=draw(st.floats(0.5, 5.0))
    )
    history, spans, now_s = CoilHistory(coil, 12.8, 12.0), [], 0.0
    for pause_s, wanted_s in draw(
        st.lists(st.tuples(st.floats(0.01, 1.0), st.floats(0.01, 0.5)), max_size=12)
    ):
        now_s += pause_s
        on_s = history.room_s(now_s, wanted_s)
        if on_s > 0:
            history.record([(now_s, on_s, 1.0)])
            spans.append((now_s, now_s + on_s))
            now_s += on_s
    return history, spans


@given(worked_coils(), st.floats(0.001, 0.5), st.floats(0.01, 2.0))
@settings(max_examples=80)
def test_a_coil_is_given_all_of_its_cycle_and_no_more(
    worked: tuple[CoilHistory, list[tuple[float, float]]], pause_s: float, wanted_s: float
) -> None:
    """Relative on-time by its definition: on-time within any window of a cycle's length."""
    history, spans = worked
    coil = history.coil
    at_s = (spans[-1][1] if spans else 0.0) + pause_s
    room_s = history.room_s(at_s, wanted_s)
    assert 0.0 <= room_s <= wanted_s

    def most_s(length_s: float) -> float:
        ends = [at_s + length_s * k / 50 for k in range(1, 51)]
        return max(
            sum(
                max(min(b, end) - max(a, end - coil.cycle_s), 0.0)
                for a, b in [*spans, (at_s, at_s + length_s)]
            )
            for end in ends
        )

    allowed_s = coil.duty_max * coil.cycle_s
    # So much is kept free for rounding and for clocks: three ticks and 200 ppm of a cycle.
    guard_s = 3e-4 + 2e-4 * coil.cycle_s
    assert room_s == 0.0 or most_s(room_s) <= allowed_s - guard_s + 1e-6
    if room_s < wanted_s:
        assert most_s(wanted_s) > allowed_s - guard_s - 1e-6


@given(st.floats(20.0, 200.0), st.floats(0.5, 20.0), st.floats(0.0, 80.0))
@settings(max_examples=40)
def test_a_coil_is_on_as_long_as_its_heat_allows_and_no_longer(
    k_per_w: float, time_s: float, warm_k: float
) -> None:
    coil = msgspec.structs.replace(TUBE.coil, thermal_k_per_w=k_per_w, thermal_time_s=time_s)
    history = CoilHistory(coil, 12.8, 12.0)
    history.heat.cool_until(0.0)
    history.heat.rise_k = warm_k
    longest_s = history.longest_s(lambda s: [(1.0, s, 1.0)], 30.0)
    # Half a kelvin below its class, B: 130 °C.
    assert 0.0 < longest_s < 30.0 or history.hottest_c([(1.0, 30.0, 1.0)]) <= 129.5
    if longest_s < 30.0:
        assert history.hottest_c([(1.0, longest_s, 1.0)]) <= 129.5 + 1e-6
        assert history.hottest_c([(1.0, longest_s * 1.001 + 1e-4, 1.0)]) > 129.5
    # Asking heats nothing.
    assert history.heat.rise_k == warm_k
    assert history.longest_s(lambda s: [(1.0, s, 1.0)], 0.0) == 0.0


def test_a_coils_history_is_forgotten_where_no_cycle_reaches_it() -> None:
    coil = msgspec.structs.replace(TUBE.coil, duty_max=0.1, cycle_s=2.0)
    history = CoilHistory(coil, 12.8, 12.0)
    assert (history.end_s, history.free_s, history.last_start_s) == (-math.inf,) * 3
    for n in range(2000):
        history.record([(0.5 * n, 0.01, 1.0)])
    assert len(history._starts) < 600
    assert history.last_start_s == 999.5
    assert history.end_s == pytest.approx(999.51)
    # By any clock: two ticks and 200 ppm later.
    assert history.free_s == pytest.approx(999.51 + 2e-4 + 0.01 * 2e-4)
    # When it is over, those at 999 and 999.5 s have had 10 ms each of the cycle's 0.2 s.
    guard_s = 3e-4 + 2e-4 * 2.0
    assert history.room_s(1000.4, 1.0) == pytest.approx(0.2 - 0.02 - guard_s, abs=1e-6)


def test_a_plan_says_what_it_plays_and_on_what() -> None:
    header = ReplyHeader(
        recording="dawn.wav", start="2026-05-12T04:30:00", duration_s=60.0, heard_file="dawn.heard"
    )
    plan = make_plan(
        ReplyScore(header=header, notes=(reply_note(0, 1.0, None, "tube 1"),)), FETTLE
    ).plan
    assert plan.header == PlanHeader(
        palette="Fettle",
        palette_sha256=fingerprint(FETTLE),
        recording="dawn.wav",
        start="2026-05-12T04:30:00",
        duration_s=60.0,
        heard_file="dawn.heard",
    )
    named = msgspec.structs.replace(header, palette="another name")
    assert (
        make_plan(ReplyScore(header=named, notes=()), FETTLE).plan.header.palette == named.palette
    )
    pieces = Checker(FETTLE).admit(plan.commands[::-1]).plan
    assert pieces.commands == plan.commands
    assert pieces.header == PlanHeader(palette="Fettle", palette_sha256=fingerprint(FETTLE))
    old = msgspec.structs.replace(
        plan, header=msgspec.structs.replace(plan.header, palette_sha256="x")
    )
    with pytest.raises(UserError) as refused:
        check(old, FETTLE)
    assert str(refused.value) == (
        "palette Fettle: the plan was made for another palette or an older state of 'Fettle';"
        " give the one that it was made for, or make the plan anew with callresp check"
    )
    assert refused.value.argument == "palette"
    # A plan of nothing is dark from a moment before its beginning.
    (dark,) = darkened(make_plan(ReplyScore(header=header, notes=()), FETTLE)).plan.commands
    assert dark == Light(at_s=-0.2, channel=0, level=0.0)


def test_a_file_without_a_header_is_no_plan(tmp_path: Path) -> None:
    path = tmp_path / "a.plan.jsonl"
    write_plan(path, plan_of())
    assert read_plan(path).commands == COMMANDS
    path.write_text("".join(path.read_text().splitlines(keepends=True)[1:]))
    with pytest.raises(UserError) as refused:
        read_plan(path)
    assert str(refused.value) == f"{path}: no header, so not a plan; give a *.plan.jsonl"


def test_where_one_load_ends_as_another_begins_it_is_the_other_that_must_end() -> None:
    """1 A gives way to 4 A at 1 s: 3 A more are too much from then on, until those end."""
    machine = msgspec.structs.replace(
        FETTLE, supply=msgspec.structs.replace(FETTLE.supply, current_max_a=6.08)
    )
    timeline = CurrentTimeline(LoadModel(machine))
    timeline.place([Load(0.0, 1.0, 1.0, -1), Load(1.0, 3.0, 4.0, -1)])
    excess = timeline.too_much([Load(0.5, 2.0, 3.0, -1)])
    assert excess is not None
    assert (excess.limit, excess.at_s, excess.free_s) == ("supply.current_max_a", 1.0, 3.0)
    assert excess.asked_a == 7.0
    assert excess.allowed_a == pytest.approx(6.0)
    assert timeline.too_much([Load(0.5, 1.0, 3.0, -1)]) is None
    assert timeline.too_much([Load(3.0, 4.0, 6.0, -1)]) is None


def test_all_drivers_together_may_pull_a_weak_battery_below_its_cut_off() -> None:
    """At a twentieth of its charge it has 11.25 V: 6.6 A over 40 mΩ are too much, 4.8 are not."""
    weak = msgspec.structs.replace(
        FETTLE, supply=msgspec.structs.replace(FETTLE.supply, charge=0.05)
    )
    tubes = tuple(Strike(at_s=0.0, channel=channel, pulse_ms=10) for channel in (0, 1))
    assert check(Plan(header=PlanHeader(), commands=tubes), weak)
    oak = Strike(at_s=0.0, channel=10, pulse_ms=10)
    with pytest.raises(UserError, match=r"would sag to 11\.0 V under load at 0\.00 h"):
        check(Plan(header=PlanHeader(), commands=(*tubes, oak)), weak)


def test_a_note_that_is_dropped_is_not_played_and_those_after_it_are() -> None:
    notes = tuple(
        msgspec.structs.replace(reply_note(n, at_s, at_s, "tube 1"), asked_hz=1000.0)
        for n, at_s in enumerate((1.0, 1.05, 2.0))
    )
    tally = what_if._Tally()
    tally.count(ReplyScore(header=ReplyHeader(), notes=notes), FETTLE)
    assert (tally.asked, tally.played, dict(tally.strokes)) == (3, 2, {"tube 1": 2})

"""Each limit is told by its key, and nothing gets past the check."""

from __future__ import annotations

import dataclasses
import pickle
from collections import defaultdict
from pathlib import Path

import msgspec
import pytest

from callresp.errors import UserError
from callresp.io.score import ReplyHeader, ReplyScore
from callresp.palette.files import load_palette
from callresp.plan.checked_plan import CheckedPlan, Checker, PlanBreaksLimitError, check
from callresp.plan.files import read_plan
from callresp.plan.model import Hold, Light, Plan, PlanHeader, Strike, Turn
from callresp.plan.planner import make_plan

FETTLE = load_palette("fettle")
MAINS = msgspec.structs.replace(FETTLE.supply, chemistry="mains")


def plan_of(*commands: Strike | Hold | Turn | Light) -> Plan:
    ordered = tuple(sorted(commands, key=lambda command: command.at_s))
    return Plan(header=PlanHeader(palette="Fettle"), commands=ordered)


def strikes(count: int, gap_s: float, pulse_ms: float, channel: int = 0) -> list[Strike]:
    return [Strike(at_s=n * gap_s, channel=channel, pulse_ms=pulse_ms) for n in range(count)]


@pytest.mark.parametrize(
    ("plan", "limit"),
    [
        (plan_of(*strikes(1, 1, 41)), "coil.on_max_ms"),
        (plan_of(*strikes(2, 0.109, 5)), "restrike_ms"),
        (plan_of(*strikes(100, 0.12, 20)), "coil.duty_max"),
        (plan_of(*strikes(1, 1, 5, channel=13)), "striker.coil.channel"),
        (plan_of(*strikes(1, 1, 5, channel=7)), "coil.channel"),
        (plan_of(*(strikes(1, 1, 5, channel=c)[0] for c in (0, 1, 2))), "driver[1]"),
        (plan_of(Hold(at_s=0, channel=5, hold_ms=20001, pull_ms=30, hold_duty=0.3)), "on_max_ms"),
        (plan_of(Turn(at_s=0, channel=0, speed_rps=5, run_ms=1000)), "fastest_rps"),
        (plan_of(Turn(at_s=0, channel=0, speed_rps=0.5, run_ms=1000)), "slowest_rps"),
        (
            plan_of(
                Turn(at_s=0, channel=0, speed_rps=2, run_ms=100000),
                Turn(at_s=100.4, channel=0, speed_rps=2, run_ms=20000),
            ),
            "run_max_s",
        ),
        (plan_of(Turn(at_s=0, channel=0, speed_rps=2, run_ms=121000)), "run_max_s"),
        (plan_of(Turn(at_s=0, channel=1, speed_rps=2, run_ms=1000)), "turner.channel"),
        (
            plan_of(
                Turn(at_s=0, channel=0, speed_rps=2, run_ms=1000),
                Turn(at_s=0.5, channel=0, speed_rps=2, run_ms=1000),
            ),
            "turner.channel",
        ),
        (plan_of(Strike(at_s=150 * 3600, channel=0, pulse_ms=5)), "supply.cutoff_v"),
        (plan_of(Light(at_s=0, channel=1)), "board.lights"),
    ],
)
def test_each_limit_is_told_by_its_key(plan: Plan, limit: str) -> None:
    with pytest.raises(PlanBreaksLimitError) as told:
        check(plan, FETTLE)
    assert limit in str(told.value)
    assert "\n" not in str(told.value)


def test_a_heated_coil_is_refused() -> None:
    """24 W and 200 K/W with a time constant of 1 s: 100 ms heat by far more than class A allows."""
    coil = msgspec.structs.replace(
        FETTLE.striker[0].coil,
        on_max_ms=500,
        duty_max=1.0,
        thermal_k_per_w=200,
        thermal_time_s=1,
        insulation="A",
    )
    tube = msgspec.structs.replace(FETTLE.striker[0], coil=coil)
    machine = msgspec.structs.replace(FETTLE, striker=(tube, *FETTLE.striker[1:]))
    with pytest.raises(PlanBreaksLimitError, match=r"reach \d+ °C \(coil\.insulation\)"):
        check(plan_of(*strikes(1, 1, 200)), machine)
    assert check(plan_of(*strikes(1, 1, 10)), machine)


def test_the_empty_battery_is_told_by_its_capacity() -> None:
    supply = msgspec.structs.replace(FETTLE.supply, cutoff_v=0.0)
    machine = msgspec.structs.replace(FETTLE, supply=supply)
    with pytest.raises(PlanBreaksLimitError, match=r"supply\.capacity_ah"):
        check(plan_of(Strike(at_s=150 * 3600, channel=0, pulse_ms=5)), machine)


def test_only_times_with_loads_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    class Watched(defaultdict[int, list[object]]):
        def get(self, key: int, other: object = None) -> object:  # type: ignore[override]
            asked.append(key)
            return super().get(key, other)

    monkeypatch.setattr("callresp.plan.rules.defaultdict", Watched)
    machine = msgspec.structs.replace(FETTLE, supply=MAINS)
    checker = Checker(machine)
    checker.admit(strikes(2, 10.0, 5))
    checker.admit(
        [Strike(at_s=11.0, channel=0, pulse_ms=5), Strike(at_s=1e8, channel=0, pulse_ms=5)]
    )
    assert 1 <= len(asked) < 10


def test_what_is_admitted_in_bits_is_judged_beside_what_went_before() -> None:
    checker = Checker(FETTLE)
    first = checker.admit(strikes(1, 1, 10))
    assert len(first.plan.commands) == 1
    with pytest.raises(PlanBreaksLimitError, match="restrike_ms"):
        checker.admit([Strike(at_s=0.05, channel=0, pulse_ms=5)])
    # Two tubes at once are 4.3 A; three would be too much for their driver, bit by bit too.
    checker.admit([Strike(at_s=1, channel=1, pulse_ms=10)])
    checker.admit([Strike(at_s=1.002, channel=2, pulse_ms=10)])
    with pytest.raises(PlanBreaksLimitError, match=r"driver\[1\]\.current_max_a"):
        checker.admit([Strike(at_s=1.004, channel=3, pulse_ms=10)])
    checker.admit([Strike(at_s=500, channel=4, pulse_ms=10)])
    with pytest.raises(PlanBreaksLimitError, match="long after its time"):
        checker.admit([Strike(at_s=0, channel=10, pulse_ms=5)])


def test_nothing_but_the_check_makes_a_checked_plan() -> None:
    bad = plan_of(*strikes(1, 1, 41))
    good = check(plan_of(*strikes(1, 1, 10)), FETTLE)
    with pytest.raises(TypeError, match=r"callresp\.plan\.checked_plan\.check only"):
        CheckedPlan(bad, FETTLE)
    with pytest.raises((TypeError, ValueError)):
        dataclasses.replace(good, plan=bad)
    with pytest.raises(TypeError):
        pickle.dumps(good)
    with pytest.raises(AttributeError):
        good.plan = bad  # type: ignore[misc]


def test_a_plan_for_another_palette_is_refused() -> None:
    reply = ReplyScore(header=ReplyHeader(), notes=())
    plan = make_plan(reply, FETTLE).plan
    with pytest.raises(UserError, match="made for another palette"):
        check(plan, msgspec.structs.replace(FETTLE, ambient_c=30.0))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no header"),
        ('{"score":"heard"}', "this is a heard score"),
        ('{"score":"plan"}\n{"do":"strike","at_s":0,"channel":0,"pulse_ms":-1}', "line 2"),
        ('{"score":"plan"}\n{"do":"burn","at_s":0}', "line 2"),
    ],
)
def test_a_wrong_line_of_a_plan_is_named(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "bad.plan.jsonl"
    path.write_text(text)
    with pytest.raises(UserError, match=told):
        read_plan(path)

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
    ("commands", "told"),
    [
        (strikes(1, 1, 41), "channel 0 at 0.000 s: on for 41.0 ms (coil.on_max_ms)"),
        (
            strikes(2, 0.109, 5),
            "channel 0 at 0.109 s: 109.0 ms after the last stroke (restrike_ms)",
        ),
        (strikes(100, 0.12, 20), "channel 0 at 7.080 s: on for 12.0% of 10 s (coil.duty_max)"),
        (
            strikes(1, 1, 5, channel=13),
            "channel 13 at 0.000 s: no coil on channel 13 (striker.coil.channel)",
        ),
        (
            strikes(1, 1, 5, channel=7),
            "channel 7 at 0.000 s: a strike on a channel of another kind (coil.channel)",
        ),
        (
            [Hold(at_s=0, channel=0, hold_ms=20, pull_ms=10, hold_duty=0.3, instrument="tube 1")],
            "tube 1 at 0.000 s: a hold on a channel of another kind (coil.channel)",
        ),
        (
            [strikes(1, 1, 5, channel=c)[0] for c in (0, 1, 2)],
            "channel 2 at 0.000 s: 7.10 A at once (driver[1].current_max_a)",
        ),
        (
            [Hold(at_s=0, channel=5, hold_ms=20001, pull_ms=30, hold_duty=0.3)],
            "channel 5 at 0.000 s: on for 20001.0 ms (coil.on_max_ms)",
        ),
        (
            [
                Hold(at_s=at_s, channel=5, hold_ms=1000, pull_ms=30, hold_duty=0.3)
                for at_s in (0.0, 1.0003)
            ],
            "channel 5 at 1.000 s: on while still on (coil.on_max_ms)",
        ),
        (
            [Turn(at_s=0, channel=0, speed_rps=5, run_ms=1000)],
            "channel 0 at 0.000 s: 5.00 turns/s (turner.fastest_rps)",
        ),
        (
            [Turn(at_s=0, channel=0, speed_rps=0.5, run_ms=1000)],
            "channel 0 at 0.000 s: 0.50 turns/s (turner.slowest_rps)",
        ),
        (
            [
                Turn(at_s=0, channel=0, speed_rps=2, run_ms=100000),
                Turn(at_s=100.4, channel=0, speed_rps=2, run_ms=20000),
            ],
            "channel 0 at 100.400 s: runs 120.4 s without coming to rest (turner.run_max_s)",
        ),
        (
            [Turn(at_s=0, channel=0, speed_rps=2, run_ms=121000)],
            "channel 0 at 0.000 s: runs 121.0 s without coming to rest (turner.run_max_s)",
        ),
        (
            [Turn(at_s=0, channel=1, speed_rps=2, run_ms=1000)],
            "channel 1 at 0.000 s: no turner on motor 1 (turner.channel)",
        ),
        (
            [Turn(at_s=at_s, channel=0, speed_rps=2, run_ms=1000) for at_s in (0, 0.5)],
            "channel 0 at 0.500 s: runs while it still runs (turner.channel)",
        ),
        (
            [Strike(at_s=150 * 3600, channel=0, pulse_ms=5)],
            "channel 0 at 540000.000 s: the battery would sag to 11.0 V under load at 78.10 h"
            " (supply.cutoff_v)",
        ),
        ([Light(at_s=0, channel=1)], "light at 0.000 s: no light 1 (board.lights)"),
    ],
)
def test_each_limit_is_told_by_its_key(
    commands: list[Strike | Hold | Turn | Light], told: str
) -> None:
    with pytest.raises(PlanBreaksLimitError) as broken:
        check(plan_of(*commands), FETTLE)
    assert str(broken.value) == f"plan, {told}; make the plan anew with callresp check"
    assert told.endswith(f"({broken.value.limit})")


def test_each_limit_may_be_used_to_the_last() -> None:
    """The board counts in ticks of 0.1 ms, and crystals may be 200 ppm apart."""
    off_s = 1.0 + 1.0 * 1.0002 + 0.0002
    longest = Turn(at_s=0, channel=0, speed_rps=4.0, run_ms=120_000)
    for commands in (
        strikes(1, 1, 40),
        strikes(2, 0.11, 5),
        # A cycle of 10 s has 1.2 s, of which 2.3 ms are left for clocks that differ.
        strikes(30, 0.12, 1197.7 / 30),
        [Hold(at_s=0, channel=5, hold_ms=20000, pull_ms=30, hold_duty=0.3)],
        [
            Hold(at_s=at_s, channel=5, hold_ms=1000, pull_ms=30, hold_duty=0.3)
            for at_s in (1.0, off_s)
        ],
        [longest],
        [Turn(at_s=0, channel=0, speed_rps=0.8, run_ms=1000)],
        [longest, msgspec.structs.replace(longest, at_s=120.5 * 1.0002 + 0.0002)],
        # Runs that follow each other: 120 s less 24.3 ms for clocks that differ.
        [
            Turn(at_s=0, channel=0, speed_rps=2, run_ms=100_000),
            Turn(at_s=100.4, channel=0, speed_rps=2, run_ms=19_575.7),
        ],
    ):
        assert check(plan_of(*commands), FETTLE)
    for more in (
        strikes(30, 0.12, 1197.72 / 30),
        [
            Turn(at_s=0, channel=0, speed_rps=2, run_ms=100_000),
            Turn(at_s=100.4, channel=0, speed_rps=2, run_ms=19_575.8),
        ],
    ):
        with pytest.raises(PlanBreaksLimitError):
            check(plan_of(*more), FETTLE)


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

"""The limits are laws: no plan breaks one, and none can be got past the check."""

from __future__ import annotations

import dataclasses
import pickle
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_helpers import broken_limits, palettes, replies

from callresp.errors import UserError
from callresp.palette import load_palette
from callresp.plan import (
    CheckedPlan,
    PlanBreaksLimitError,
    check,
    make_plan,
    read_plan,
    write_plan,
)
from callresp.plan.model import Hold, Plan, PlanHeader, Strike, Turn
from callresp.score import ReplyHeader, ReplyNote, ReplyScore

FETTLE = load_palette("fettle")


@settings(max_examples=250)
@given(st.data())
def test_no_plan_ever_breaks_a_limit(data: st.DataObject) -> None:
    palette = data.draw(palettes())
    names = [item.name for item in palette.striker] + ["t0"]
    reply = data.draw(replies(names))
    checked = make_plan(reply, palette)
    assert broken_limits(checked.plan, palette) == []


@settings(max_examples=150)
@given(st.data())
def test_every_note_is_played_or_its_fate_is_listed(data: st.DataObject) -> None:
    palette = data.draw(palettes())
    reply = data.draw(replies([item.name for item in palette.striker]))
    plan = make_plan(reply, palette).plan
    played = {c.reply for c in plan.commands if isinstance(c, Strike | Turn)}
    dropped = {change.reply for change in plan.changes if change.change == "dropped"}
    assert played | dropped == {note.id for note in reply.notes}
    assert not played & dropped


@settings(max_examples=80)
@given(st.data())
def test_a_plan_round_trips(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    palette = data.draw(palettes())
    plan = make_plan(data.draw(replies(["s0", "t0"])), palette).plan
    path = tmp_path_factory.mktemp("plan") / "a.plan.jsonl"
    write_plan(path, plan)
    assert read_plan(path) == plan


def plan_of(*commands: Strike | Hold | Turn) -> Plan:
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
        (plan_of(Turn(at_s=0, channel=0, speed_rps=2, run_ms=121000)), "run_max_s"),
        (plan_of(Turn(at_s=0, channel=1, speed_rps=2, run_ms=1000)), "turner.channel"),
        (
            plan_of(
                Turn(at_s=0, channel=0, speed_rps=2, run_ms=1000),
                Turn(at_s=0.5, channel=0, speed_rps=2, run_ms=1000),
            ),
            "turner.channel",
        ),
        (plan_of(Strike(at_s=150 * 3600, channel=0, pulse_ms=5)), "supply.capacity_ah"),
    ],
)
def test_each_limit_is_told_by_its_key(plan: Plan, limit: str) -> None:
    with pytest.raises(PlanBreaksLimitError) as told:
        check(plan, FETTLE)
    assert limit in str(told.value)
    assert "\n" not in str(told.value)


def test_nothing_but_the_check_makes_a_checked_plan() -> None:
    bad = plan_of(*strikes(1, 1, 41))
    good = check(plan_of(*strikes(1, 1, 10)), FETTLE)
    with pytest.raises(TypeError, match=r"callresp\.plan\.check only"):
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


def note(onset_s: float, offset_s: float | None, force: float = 1.0) -> ReplyNote:
    return ReplyNote(
        id=0,
        onset_s=onset_s,
        offset_s=offset_s,
        instrument="tube 1",
        force=force,
        phrase=0,
        heard=None,
        heard_phrase=0,
        rule="any",
    )


def test_the_damper_lifts_before_the_stroke_and_is_down_at_the_end() -> None:
    tube = FETTLE.striker[0]
    assert tube.damper is not None
    plan = make_plan(ReplyScore(header=ReplyHeader(), notes=(note(10, 11),)), FETTLE).plan
    hold, strike = plan.commands
    assert isinstance(hold, Hold)
    assert isinstance(strike, Strike)
    assert strike.at_s + tube.latency_ms / 1000 == pytest.approx(10.0)
    assert strike.pulse_ms == tube.force[-1].pulse_ms
    assert hold.at_s + tube.damper.lift_ms / 1000 < 10.0
    down_s = hold.at_s + hold.hold_ms / 1000 + tube.damper.fall_ms / 1000
    assert down_s == pytest.approx(11.0)


def test_a_muted_note_leaves_the_damper_on() -> None:
    plan = make_plan(ReplyScore(header=ReplyHeader(), notes=(note(10, 10),)), FETTLE).plan
    assert [type(command) for command in plan.commands] == [Strike]


def test_a_flat_battery_stops_the_day() -> None:
    every_minute = tuple(
        msgspec.structs.replace(note(60.0 * n, 60.0 * n + 5), id=n) for n in range(120 * 60)
    )
    plan = make_plan(ReplyScore(header=ReplyHeader(), notes=every_minute), FETTLE).plan
    dropped = [change for change in plan.changes if change.limit == "supply.capacity_ah"]
    assert dropped
    assert "battery must stop at" in dropped[0].why
    # 7 Ah at 0.08 A idle and little more: 87 hours at the very most.
    assert 40 < plan.commands[-1].at_s / 3600 < 87.5

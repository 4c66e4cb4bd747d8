"""Dampers and turners in time: what comes before what, and by how much."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import pytest
from plan_helpers import reply_note, with_coils

from callresp.io.score import ReplyHeader, ReplyNote, ReplyScore
from callresp.palette.files import load_palette
from callresp.palette.model import Coil, Palette, Turner
from callresp.plan.checked_plan import check
from callresp.plan.model import Change, Hold, Plan, PlanHeader, Strike, Turn
from callresp.plan.planner import Planner, make_plan
from callresp.plan.schedulers.motor import run_for, turns_of

FETTLE = load_palette("fettle")
POCKET = load_palette("pocket")
TUBE, BOX = FETTLE.striker[0], FETTLE.striker[-1]


def planned(*notes: ReplyNote, palette: Palette = FETTLE) -> Plan:
    numbered = tuple(msgspec.structs.replace(note, id=n) for n, note in enumerate(notes))
    return make_plan(ReplyScore(header=ReplyHeader(), notes=numbered), palette).plan


def tube(onset_s: float, offset_s: float | None, force: float = 1.0) -> ReplyNote:
    return reply_note(0, onset_s, offset_s, "tube 1", force)


def box(onset_s: float, offset_s: float | None) -> ReplyNote:
    return reply_note(0, onset_s, offset_s, "tin box")


def shaker(onset_s: float, offset_s: float | None, force: float = 0.5) -> ReplyNote:
    return reply_note(0, onset_s, offset_s, "bead shaker", force)


def holds(plan: Plan) -> list[tuple[float, float]]:
    found = [c for c in plan.commands if isinstance(c, Hold)]
    return [(c.at_s, c.at_s + c.hold_ms / 1000) for c in found]


def only(changes: tuple[Change, ...]) -> Change:
    assert len(changes) == 1
    return changes[0]


def test_the_damper_lifts_before_the_stroke_and_is_down_at_the_end() -> None:
    assert TUBE.damper is not None
    plan = planned(tube(10, 11))
    hold, strike = plan.commands
    assert isinstance(strike, Strike)
    assert strike.at_s + TUBE.latency_ms / 1000 == pytest.approx(10.0)
    assert strike.pulse_ms == TUBE.force[-1].pulse_ms
    assert hold.at_s + TUBE.damper.lift_ms / 1000 < 10.0
    down_s = holds(plan)[0][1] + TUBE.damper.fall_ms / 1000
    assert down_s == pytest.approx(11.0)


def test_a_muted_note_leaves_the_damper_on() -> None:
    plan = planned(tube(10, 10))
    assert [type(command) for command in plan.commands] == [Strike]


def test_a_free_note_rings_its_time_and_then_the_felt_falls() -> None:
    start_s, end_s = holds(planned(tube(10, None)))[0]
    assert end_s == pytest.approx(10 + TUBE.t60_s - 0.022)
    assert start_s == pytest.approx(10 - 0.028 - 0.005)


def test_a_long_note_is_damped_when_its_coil_may_hold_no_longer() -> None:
    plan = planned(tube(10, 60))
    start_s, end_s = holds(plan)[0]
    assert end_s - start_s == pytest.approx(20.0, abs=1e-3)
    change = only(plan.changes)
    assert (change.change, change.limit, change.unit) == ("damped", "damper.coil.on_max_ms", "s")
    assert change.asked == pytest.approx(50 - 0.022, abs=1e-3)
    assert change.given == pytest.approx(20 - 0.033, abs=2e-3)


def test_strokes_in_a_row_keep_the_felt_up() -> None:
    plan = planned(tube(10, 10.2), tube(10.22, 10.4), tube(10.45, 10.6))
    assert len(holds(plan)) == 1
    assert holds(plan)[0][1] == pytest.approx(10.6 - 0.022)


def test_a_later_shorter_note_decides_when_the_felt_falls() -> None:
    plan = planned(tube(10, None), tube(11, 11.3))
    assert len(holds(plan)) == 1
    assert holds(plan)[0][1] == pytest.approx(11.3 - 0.022)
    assert plan.changes == ()


def test_a_muted_stroke_brings_the_felt_down_first() -> None:
    plan = planned(tube(10, None), tube(11, 11))
    assert holds(plan)[0][1] == pytest.approx(11 - 0.022)
    assert plan.changes == ()


def test_a_row_longer_than_the_coil_may_hold_lets_the_felt_touch_between_strokes() -> None:
    plan = planned(*(tube(10 + 0.5 * n, 10.5 + 0.5 * n) for n in range(60)))
    spans = holds(plan)
    assert len(spans) == 2
    assert len([c for c in plan.commands if isinstance(c, Strike)]) == 60
    assert spans[0][1] - spans[0][0] <= 20.0
    # It is let go just so early that it is down when it is lifted again, and a ms of rest.
    assert spans[1][0] - spans[0][1] == pytest.approx(0.022 + 0.001, abs=1e-6)
    change = only(plan.changes)
    assert (change.change, change.limit) == ("damped", "damper.coil.on_max_ms")
    assert change.asked == pytest.approx(0.478)
    assert change.given == pytest.approx(0.467, abs=1e-3)


def test_a_damper_that_rests_off_is_pressed_at_the_end() -> None:
    assert BOX.damper is not None
    plan = planned(box(10, 10.3))
    start_s, end_s = holds(plan)[0]
    assert start_s + BOX.damper.lift_ms / 1000 == pytest.approx(10.3)
    assert end_s - start_s == pytest.approx(BOX.damper.damped_t60_s)
    assert holds(planned(box(10, None))) == []


def test_a_pressed_damper_is_off_before_the_next_stroke() -> None:
    plan = planned(box(10, 10.2), box(10.25, None))
    start_s, end_s = holds(plan)[0]
    assert start_s == pytest.approx(10.18)
    assert end_s + 0.025 == pytest.approx(10.25)
    assert holds(planned(box(10, 10.2), box(10.21, None))) == []


def test_five_felts_at_once_move_within_their_drivers() -> None:
    """12.8 V over 27 Ω (30 Ω at -5 °C) is 0.47 A each: five pull 2.4 A, and 1.8 A parts them."""
    drivers = list(FETTLE.driver)
    drivers[1] = msgspec.structs.replace(drivers[1], current_max_a=1.8)
    machine = msgspec.structs.replace(FETTLE, driver=tuple(drivers))
    chord = [reply_note(0, 10, 11, f"tube {n}", 0.0) for n in range(1, 6)]
    plan = planned(*chord, palette=machine)
    starts = sorted(a for a, _ in holds(plan))
    assert len(starts) == 5
    assert starts[0] <= 10 - 0.028 - 0.015
    assert not [c for c in plan.changes if c.change in ("damped", "dropped")]
    # Three tubes at once are too much for their driver: the strokes part as well.
    assert {c.change for c in plan.changes} <= {"moved"}


def test_a_felt_that_is_on_its_way_for_good_leaves_no_current_for_another_pull() -> None:
    """0.47 A each while they pull, 0.14 A held: 0.8 A are enough for one pull beside a hold."""
    drivers = list(FETTLE.driver)
    drivers[1] = msgspec.structs.replace(drivers[1], current_max_a=0.8)
    machine = msgspec.structs.replace(FETTLE, driver=tuple(drivers))
    planner = Planner(machine)
    first, _ = planner.add(tube(10, 11))
    first += planner.settle(11.0)
    second, changes = planner.add(reply_note(1, 10.0, 11.0, "tube 2"), 9.0)
    second += planner.settle(12.0)
    both = sorted([*first, *second], key=lambda command: command.at_s)
    check(Plan(header=PlanHeader(), commands=tuple(both)), machine)
    one, other = (c for c in both if isinstance(c, Hold))
    assert abs(other.at_s - one.at_s) >= 0.03
    assert not [change for change in changes if change.change == "dropped"]


def test_a_chord_of_strokes_parts_within_30_ms() -> None:
    plan = planned(*(reply_note(0, 10, 11, f"tube {n}", 0.0) for n in range(1, 6)))
    sounds = [c.at_s for c in plan.commands if isinstance(c, Strike)]
    assert len(sounds) == 5
    assert all(change.change == "moved" for change in plan.changes)
    assert all("current_max_a" in change.limit for change in plan.changes)
    assert max(change.given - change.asked for change in plan.changes) <= 0.03  # type: ignore[operator]


def test_a_stroke_too_soon_after_the_last_is_moved_or_dropped() -> None:
    moved = planned(tube(10, 11), tube(10.1, 11))
    change = only(moved.changes)
    assert (change.change, change.limit) == ("moved", "restrike_ms")
    assert change.given == pytest.approx(10.11, abs=1e-6)
    dropped = planned(tube(10, 11), tube(10.05, 11))
    change = only(dropped.changes)
    assert (change.change, change.limit, change.unit) == ("dropped", "restrike_ms", "ms")
    assert change.asked == pytest.approx(50)
    assert change.given == pytest.approx(110)


@pytest.mark.parametrize(
    ("force", "pulse_ms"), [(0.0, 5.0), (8 / 21, 7.0), (12 / 21, 8.5), (16 / 21, 10.0), (1.0, 14.0)]
)
def test_force_runs_along_the_curve(force: float, pulse_ms: float) -> None:
    """58, 66, 74, 79 dB at 5, 7, 10, 14 ms: force is a share of those 21 dB."""
    strike = planned(tube(10, 11, force)).commands[1]
    assert isinstance(strike, Strike)
    assert strike.pulse_ms == pytest.approx(pulse_ms)


def test_a_turner_starts_early_and_stops_early() -> None:
    turn = planned(shaker(10, 14)).commands[0]
    assert isinstance(turn, Turn)
    assert turn.at_s == pytest.approx(10 - 0.35 / 2)
    assert turn.at_s + turn.run_ms / 1000 == pytest.approx(14 - 0.5 / 2)
    assert turn.speed_rps == pytest.approx(0.8 + 0.5 * 3.2)


def test_a_turner_runs_no_longer_than_it_may_and_rests_before_it_goes_on() -> None:
    plan = planned(shaker(10, 200), shaker(131, 140))
    first, second = (c for c in plan.commands if isinstance(c, Turn))
    assert first.run_ms == pytest.approx(120_000, abs=1)
    assert second.at_s >= first.at_s + 120 + 0.5
    assert (plan.changes[0].change, plan.changes[0].limit) == ("shortened", "turner.run_max_s")


def test_a_spring_runs_down_and_the_rest_is_dropped() -> None:
    """90 turns at up to 1.2 turns a second last little more than a minute."""
    spells = [reply_note(0, 30.0 * n, 30.0 * n + 20, "ratchet", 1.0) for n in range(8)]
    plan = planned(*spells, palette=POCKET)
    turned = sum(
        turns_of(POCKET.turner[0], c.speed_rps, c.run_ms / 1000)
        for c in plan.commands
        if isinstance(c, Turn)
    )
    assert turned == pytest.approx(90, abs=1e-3)
    kinds = [c.change for c in plan.changes if c.limit == "turner.store_turns"]
    assert kinds == ["shortened", *["dropped"] * (len(kinds) - 1)]
    assert len(kinds) > 2


@pytest.mark.parametrize(
    ("asked_rps", "given_rps", "limit", "why"),
    [
        (9.0, 4.0, "turner.fastest_rps", "bead shaker turns no faster"),
        (0.1, 0.8, "turner.slowest_rps", "bead shaker turns no slower"),
    ],
)
def test_by_hand_a_turner_turns_as_fast_as_it_can_and_says_so(
    asked_rps: float, given_rps: float, limit: str, why: str
) -> None:
    (turn,), changes = Planner(FETTLE).turn(shaker(10, 12), FETTLE.turner[0], 10.0, 2.0, asked_rps)
    assert isinstance(turn, Turn)
    assert (turn.instrument, turn.channel, turn.speed_rps) == ("bead shaker", 0, given_rps)
    (told,) = changes
    assert (told.change, told.limit, told.why) == ("slowed", limit, why)
    assert (told.asked, told.given, told.unit) == (asked_rps, given_rps, "turns/s")


def test_a_run_goes_on_where_that_gives_more_than_a_run_from_rest() -> None:
    """The second run begins while the first slows down: joined, it loses nothing."""
    first, second = (
        c for c in planned(shaker(10, 12), shaker(12.05, 14)).commands if isinstance(c, Turn)
    )
    assert second.at_s < first.at_s + first.run_ms / 1000 + FETTLE.turner[0].slow_down_s
    # A second is left of the longest run: from rest it turns for longer.
    first, second = (
        c for c in planned(shaker(10, 129), shaker(129.3, 135)).commands if isinstance(c, Turn)
    )
    assert second.run_ms > 4000
    assert second.at_s >= first.at_s + first.run_ms / 1000 + FETTLE.turner[0].slow_down_s


@pytest.mark.parametrize("run_s", [0.01, 0.1, 0.2, 0.5, 7.0])
def test_turns_are_the_integral_of_the_speed(run_s: float) -> None:
    movement = Turner(
        name="m",
        kind="wound",
        channel=0,
        slowest_rps=1,
        fastest_rps=3,
        spin_up_s=0.2,
        slow_down_s=0.5,
        current_a=0.1,
        start_current_a=0.2,
    )
    step_s, speed, turns = 1e-5, 0.0, 0.0
    for number in range(round((run_s + 0.6) / step_s)):
        on = number * step_s < run_s
        speed = min(speed + 3 / 0.2 * step_s, 3.0) if on else max(speed - 3 / 0.5 * step_s, 0.0)
        turns += speed * step_s
    assert turns_of(movement, 3.0, run_s) == pytest.approx(turns, rel=2e-3)
    assert run_for(movement, 3.0, turns_of(movement, 3.0, run_s)) == pytest.approx(run_s)


def coiled(channel: int, **more: object) -> Palette:
    """The demo with one coil otherwise."""

    def changed(coil: Coil) -> Coil:
        return msgspec.structs.replace(coil, **more) if coil.channel == channel else coil

    return with_coils(FETTLE, changed)


def powered(**amps: float) -> Palette:
    """The demo with other limits of its supply, or of a driver by its name."""
    supply = msgspec.structs.replace(
        FETTLE.supply, current_max_a=amps.pop("supply", FETTLE.supply.current_max_a)
    )
    drivers = tuple(
        msgspec.structs.replace(one, current_max_a=amps.get(one.name, one.current_max_a))
        for one in FETTLE.driver
    )
    return msgspec.structs.replace(FETTLE, supply=supply, driver=drivers)


def tubes(count: int) -> list[ReplyNote]:
    """A muted chord: strokes alone."""
    return [reply_note(0, 10, 10, f"tube {n}", 1.0) for n in range(1, 1 + count)]


MUCH = "would be too much current at once"
TURNS = "bead shaker is still turning, or it is too late"
HOT = {"thermal_k_per_w": 300.0, "thermal_time_s": 2.0, "insulation": "A"}


@pytest.mark.parametrize(
    ("palette", "notes", "changes"),
    [
        (
            FETTLE,
            [tube(10, 11), tube(10.1, 11)],
            ["moved 1 10.1 restrike_ms tube 1 was struck just before 10.1 10.11 s"],
        ),
        (
            FETTLE,
            [tube(10, 11), tube(10.05, 11)],
            ["dropped 1 10.05 restrike_ms tube 1 was struck just before 50.0 110.0 ms"],
        ),
        (
            FETTLE,
            tubes(3),
            [f"moved 0 10 supply.current_max_a tube 1 {MUCH} 10 10.013413 s"],
        ),
        (
            powered(tubes=2.5),
            tubes(5),
            [
                f"dropped 0 10 driver[1].current_max_a tube 1 {MUCH} 4.731541 2.5 A",
                f"dropped 1 10 driver[1].current_max_a tube 2 {MUCH} 4.731541 2.5 A",
                f"moved 2 10 driver[1].current_max_a tube 3 {MUCH} 10 10.027626 s",
                f"moved 3 10 driver[1].current_max_a tube 4 {MUCH} 10 10.013813 s",
            ],
        ),
        # 1 % of 10 s are 100 ms, of which 2.3 are left for clocks that differ: 13.7 of the
        # seventh's 14 ms, and then nothing before the first has left the cycle.
        (
            coiled(0, duty_max=0.01),
            [tube(10 + n, 10 + n) for n in range(8)],
            [
                "softened 6 16 coil.duty_max the coil of tube 1 has worked much 14.0 13.6999 ms",
                "dropped 7 17 coil.duty_max the coil of tube 1 has worked too much 14.0 0.0 ms",
            ],
        ),
        (
            FETTLE,
            [reply_note(0, 10, 11, "no such")],
            ["dropped 0 10 striker.name the palette has no 'no such' None None "],
        ),
        (
            FETTLE,
            [tube(10, 60)],
            [
                "damped 0 10 damper.coil.on_max_ms the damper of tube 1 goes back early 49.978"
                " 19.966999 s"
            ],
        ),
        (
            powered(dampers=0.3),
            [tube(10, 11)],
            ["damped 0 10 driver[2].current_max_a the damper of tube 1 is not lifted 0.978 0.0 s"],
        ),
        (
            powered(dampers=0.3),
            [box(10, 10.3)],
            ["damped 0 10 driver[2].current_max_a the damper of tin box is not pressed 0.4 0.0 s"],
        ),
        (
            coiled(5, duty_max=0.01, cycle_s=20.0),
            [tube(10, 10.2), tube(10.4, 11)],
            [
                "damped 0 10 damper.coil.duty_max the damper of tube 1 goes back early 0.178"
                " 0.1627 s",
                "damped 1 10.4 damper.coil.duty_max the damper of tube 1 is not lifted 0.578 0.0 s",
            ],
        ),
        (
            coiled(5, **HOT),
            [tube(10, 11)],
            [
                "damped 0 10 damper.coil.insulation the damper of tube 1 goes back early 0.978"
                " 0.380308 s"
            ],
        ),
        (
            coiled(5, on_max_ms=300.0),
            [tube(10, 10.2), tube(10.4, 11)],
            [
                "damped 1 10.4 damper.coil.on_max_ms the damper of tube 1 goes back early 0.578"
                " 0.266999 s"
            ],
        ),
        (
            FETTLE,
            [shaker(10, 200)],
            ["shortened 0 10 turner.run_max_s bead shaker has run its longest 189.925 120.0 s"],
        ),
        (
            FETTLE,
            [shaker(10, 20), shaker(12, 13)],
            [f"dropped 1 12 turner.channel {TURNS} 0.925 0.0 s"],
        ),
        (
            FETTLE,
            [shaker(10, 20), shaker(15, 22)],
            [f"shortened 1 15 turner.channel {TURNS} 6.925 1.996815 s"],
        ),
        (
            powered(supply=0.5),
            [shaker(10, 20)],
            [f"dropped 0 10 supply.current_max_a bead shaker {MUCH} 0.8 0.42 A"],
        ),
        (
            POCKET,
            [reply_note(0, 40.0 * n, 40.0 * n + 30, "ratchet", 1.0) for n in range(4)],
            [
                "shortened 2 80.0 turner.store_turns ratchet has unwound 30.0 15.0 s",
                "dropped 3 120.0 turner.store_turns ratchet has unwound 30.0 1.4e-05 s",
            ],
        ),
    ],
)
def test_each_change_tells_by_which_key_what_was_asked_and_what_is_given(
    palette: Palette, notes: list[ReplyNote], changes: list[str]
) -> None:
    assert told(planned(*notes, palette=palette).changes) == changes


def told(changes: Sequence[Change]) -> list[str]:
    return [
        f"{one.change} {one.reply} {one.at_s} {one.limit} {one.why} {one.asked} {one.given}"
        f" {one.unit}"
        for one in changes
    ]


@pytest.mark.parametrize(
    ("note", "now_s", "changes"),
    [
        # The tube takes 11.5 ms to sound, and may be 30 ms late.
        (
            tube(10, 11),
            10.02,
            ["dropped 0 10 latency_ms it came too late for tube 1 31.5 30.0 ms"],
        ),
        (
            tube(10, 11),
            9.99,
            [
                "moved 0 10 latency_ms it came late for tube 1 10 10.0015 s",
                "damped 0 10 damper.lift_ms the damper of tube 1 moves late 9.9685 9.99 s",
            ],
        ),
        (
            tube(10, 11),
            9.978,
            ["damped 0 10 damper.lift_ms the damper of tube 1 moves late 9.967 9.978 s"],
        ),
        (shaker(10, 11), 10.2, [f"shortened 0 10 turner.channel {TURNS} 0.925 0.55 s"]),
        (shaker(10, 11), 11.2, [f"dropped 0 10 turner.channel {TURNS} 0.925 0.0 s"]),
    ],
)
def test_what_comes_late_is_told_by_how_much(
    note: ReplyNote, now_s: float, changes: list[str]
) -> None:
    assert told(Planner(FETTLE).add(note, now_s)[1]) == changes


def test_by_hand_a_damper_that_is_not_held_says_so() -> None:
    commands, changes = Planner(FETTLE).hold(tube(10, 11), TUBE, 10.0, 10.0005)
    assert commands == []
    assert told(changes) == ["damped 0 10  the damper of tube 1 is not held 0.0005 0.0 s"]

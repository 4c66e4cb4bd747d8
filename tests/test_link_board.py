"""The simulated board told one thing at a time, and the edges of a session's life."""

from __future__ import annotations

import msgspec
import pytest
from link_helpers import FETTLE, Line, plan_of

from callresp.io.score import ReplyHeader, ReplyScore
from callresp.link.board import FIRMWARE, SimulatedBoard, SwitchRow
from callresp.link.board_clock import OUTLIER_TRIPS, TRIPS_BEYOND, BoardClock, RoundTrip
from callresp.link.framing import Deframer, frame
from callresp.link.messages import (
    DRY_RUN,
    FAULTS,
    OUTCOMES,
    VERSION,
    Acknowledge,
    Done,
    Hello,
    HelloAck,
    HoldAt,
    LightAt,
    Message,
    Status,
    StrikeAt,
    TurnAt,
    parse,
)
from callresp.link.outputs import JAM_S, PULSES_PER_S, Outputs
from callresp.link.port import Clock
from callresp.link.session import WINDOW, Session
from callresp.palette.model import Palette
from callresp.plan.planner import make_plan

SHAKER = FETTLE.turner[0]
SPEED = round(100 * (SHAKER.slowest_rps + SHAKER.fastest_rps) / 2)
TICKS = 10_000


def told(data: bytes) -> list[Message]:
    """What bytes of the board's say; all of them must be whole frames."""
    deframer = Deframer()
    messages = [parse(payload) for payload in deframer.feed(data)]
    assert deframer.damaged == 0
    assert None not in messages
    return [message for message in messages if message is not None]


def greeted(palette: Palette = FETTLE, **more: bool) -> SimulatedBoard:
    board = SimulatedBoard(palette, **more)
    board.receive(frame(Hello(VERSION, 7).pack()), 0.0)
    return board


def awake(board: SimulatedBoard, from_s: float, until_s: float) -> list[Message]:
    """Let a board run with a host that says its hello again and again, as one that is there."""
    said: list[Message] = []
    now_s = from_s
    while now_s < until_s:
        now_s = min(now_s + 0.1, until_s)
        said += told(board.receive(frame(Hello(VERSION, 7).pack()), now_s))
    return said


def statuses(messages: list[Message]) -> list[Status]:
    return [message for message in messages if isinstance(message, Status)]


def faults(status: Status) -> set[str]:
    return {name for bit, name in enumerate(FAULTS) if status.faults >> bit & 1}


def test_it_says_what_its_palette_says() -> None:
    own = msgspec.structs.replace(FETTLE.board, buffer=300, silence_ms=170, lights=3)
    board = SimulatedBoard(msgspec.structs.replace(FETTLE, board=own), dry_run=True)
    board.reset(1.0)
    said = told(board.receive(frame(Hello(VERSION, 5).pack()), 2.0))
    (answer,) = (one for one in said if isinstance(one, HelloAck))
    assert answer == HelloAck(
        VERSION, 5, FIRMWARE, own.coil_channels, own.motor_channels, 255, 170, 1, 3, DRY_RUN
    )


def test_one_too_late_is_refused_once_and_all_that_it_says_is_frames() -> None:
    board = greeted()
    said = told(board.receive(frame(StrikeAt(0, 0, 9 * TICKS, 300).pack()), 10.0))
    assert [one.outcome for one in said if isinstance(one, Done)] == [OUTCOMES.index("late")]
    said = awake(board, 10.0, 11.5)
    assert [one.refused for one in statuses(said)][-1] == 1


def test_a_command_that_waits_is_owed_a_receipt_and_nothing_else() -> None:
    board = greeted()
    said = told(board.receive(frame(StrikeAt(0, 0, round(0.1 * TICKS), 300).pack()), 0.05))
    assert said == [Acknowledge(1, 0, FETTLE.board.buffer - 1)]


@pytest.mark.parametrize(("level", "did"), [(0, "off"), (200, "on")])
def test_a_light_is_logged_as_what_it_was_told(level: int, did: str) -> None:
    board = greeted()
    board.receive(frame(LightAt(0, 0, round(0.05 * TICKS), level).pack()), 0.01)
    said = told(board.advance(0.06))
    assert board.log == [
        SwitchRow(board_s=0.05, channel=0, output="light", did=did, planned_s=0.05, sequence=0)
    ]
    assert [one.outcome for one in said if isinstance(one, Done)] == [0]


def test_what_came_beyond_a_gap_is_told_across_the_turn_of_its_numbers() -> None:
    board = greeted()
    for sequence in range(254):
        board.receive(frame(LightAt(sequence, 0, 0, 9).pack()), 0.001)
    now = round(0.05 * TICKS)
    said = told(
        b"".join(board.receive(frame(LightAt(n, 0, now, 9).pack()), 0.01) for n in (255, 0))
    )
    said += told(board.advance(0.03))
    receipts = [one for one in said if isinstance(one, Acknowledge)]
    assert (receipts[-1].expected, receipts[-1].beyond) == (254, 0b11)


def test_a_stroke_is_logged_when_it_was_on_and_off_beside_when_it_was_planned() -> None:
    board = greeted()
    board.receive(frame(StrikeAt(0, 0, round(0.05 * TICKS), 300).pack()), 0.01)
    board.advance(0.1)
    on, off = board.log
    assert on == SwitchRow(
        board_s=0.05, channel=0, output="coil", did="on", planned_s=0.05, sequence=0
    )
    assert off == SwitchRow(board_s=0.053, channel=0, output="coil", did="off")


def test_a_reset_lets_a_motor_that_ran_rest_as_if_it_had_jammed_until_it_was_seen_to_turn() -> None:
    assert SHAKER.slow_down_s < JAM_S
    for ran_s, rest_s in ((SHAKER.spin_up_s / 2, JAM_S), (5.0, SHAKER.slow_down_s)):
        outputs = Outputs(FETTLE)
        asked = TurnAt(0, SHAKER.channel, 0, 9 * TICKS, SPEED)
        assert outputs.switch(asked, 1.0)[0] == "executed"
        kept = outputs.kept(1.0 + ran_s, flat=False)
        assert kept.motors[SHAKER.channel] == pytest.approx(rest_s)
        others = {turner.channel for turner in FETTLE.turner} - {SHAKER.channel}
        assert all(kept.motors[channel] == 0 for channel in others)


def test_a_reset_in_the_middle_of_a_hold_takes_its_coil_for_as_hot_as_its_pull_made_it() -> None:
    # A damper's, which stands long holds.
    channel, coil = max(FETTLE.coils().items(), key=lambda item: item[1].on_max_ms)
    pull_s, later_s = 0.03, coil.on_max_ms / 1000 - 0.1
    pulled, held = Outputs(FETTLE), Outputs(FETTLE)
    pull = StrikeAt(0, channel, 0, round(pull_s * PULSES_PER_S))
    assert pulled.switch(pull, 1.0)[0] == "executed"
    length = round(coil.on_max_ms / 1000 * TICKS)
    hold = HoldAt(0, channel, 0, length, round(pull_s * TICKS), 0)
    assert held.switch(hold, 1.0)[0] == "executed"
    hottest_k = pulled.kept(1.0 + pull_s, flat=False).coils[channel][0]
    assert held.kept(1.0 + later_s, flat=False).coils[channel][0] >= hottest_k > 0
    held.end_due(1.0 + length / TICKS)
    assert held.kept(1.0 + length / TICKS, flat=False).coils[channel][0] < hottest_k


def turned(board: SimulatedBoard, sequence: int, at_s: float, length_s: float) -> list[Message]:
    length = round(length_s * TICKS)
    asked = TurnAt(sequence, SHAKER.channel, round(at_s * TICKS), length, SPEED)
    said = told(board.receive(frame(asked.pack()), at_s - 0.01))
    return said + awake(board, at_s - 0.01, at_s + length_s + 0.2)


def outcomes(messages: list[Message]) -> list[str]:
    return [OUTCOMES[one.outcome] for one in messages if isinstance(one, Done)]


def test_a_jammed_motor_is_switched_off_told_and_turns_again_once_free() -> None:
    board = greeted()
    board.stuck = {SHAKER.channel}
    said = turned(board, 0, 1.0, 8.0)
    assert [row.did for row in board.log] == ["on", "off: jammed"]
    assert board.log[1].board_s < 4.0
    assert not board.on_channels
    assert "motor jammed" in faults(statuses(said)[-1])
    board.stuck = set()
    rested_s = board.log[1].board_s + JAM_S
    assert outcomes(turned(board, 1, rested_s - 0.5, 0.2)) == ["over a limit"]
    said = turned(board, 2, rested_s + 0.5, 8.0)
    assert outcomes(said) == ["executed"]
    assert [row.did for row in board.log[2:]] == ["on", "off"]
    assert "motor jammed" not in faults(statuses(said)[-1])


def test_a_motor_runs_briefly_too_and_rests_between_spells() -> None:
    board = greeted()
    assert outcomes(turned(board, 0, 1.0, 0.5)) == ["executed"]
    assert outcomes(turned(board, 1, 30.0, 0.0)) == ["over a limit"]
    # A spell that goes on before the shaft stood still counts from its beginning.
    most_s = SHAKER.run_max_s
    assert outcomes(turned(board, 2, 100.0, most_s - 10)) == ["executed"]
    again_s = 100.0 + most_s - 10 + SHAKER.slow_down_s / 2
    assert outcomes(turned(board, 3, again_s, 20.0)) == ["over a limit"]
    assert outcomes(turned(board, 4, again_s + SHAKER.slow_down_s, 20.0)) == ["executed"]


def test_a_flat_battery_refuses_until_it_has_been_good_for_a_while() -> None:
    board = greeted()
    board.volts = FETTLE.supply.cutoff_v - 0.5
    said = awake(board, 0.0, 30.0)
    assert "low voltage" in faults(statuses(said)[-1])
    board.receive(frame(StrikeAt(0, 0, round(30.05 * TICKS), 300).pack()), 30.0)
    assert outcomes(awake(board, 30.0, 30.1)) == ["over a limit"]
    board.volts = FETTLE.supply.nominal_v
    said = awake(board, 30.1, 120.0)
    assert "low voltage" not in faults(statuses(said)[-1])
    board.receive(frame(StrikeAt(1, 0, round(120.05 * TICKS), 300).pack()), 120.0)
    assert outcomes(awake(board, 120.0, 120.1)) == ["executed"]


def test_nothing_of_a_good_line_is_damaged_on_its_way() -> None:
    line = Line(Session(plan_of(12)), SimulatedBoard(FETTLE))
    line.run()
    assert line.session.report.damaged == 0


def test_a_session_of_nothing_ends() -> None:
    nothing = make_plan(ReplyScore(header=ReplyHeader(), notes=()), FETTLE)
    line = Line(Session(nothing), SimulatedBoard(FETTLE))
    line.run(until_s=30.0)
    assert line.session.finished


def test_an_open_session_begins_when_it_was_told() -> None:
    session = Session(plan_of(3), zero_s=40.0)
    assert session.start_s == 40.0
    session.add(plan_of(2))
    assert session.start_s == 40.0
    session.add(plan_of(2), zero_s=50.0)
    assert session.start_s == 50.0


def test_one_too_late_to_send_does_not_hold_up_the_next() -> None:
    checked = plan_of(6, 0.5)
    line = Line(Session(checked, least_ahead_s=1.0, ahead_s=1.2), SimulatedBoard(FETTLE))
    line.run(until_s=60.0)
    told_of = line.session.report.outcomes
    assert sum(told_of.values()) == len(checked.plan.commands)
    assert set(told_of) == {"executed", "not sent: too late"}


def test_what_is_left_off_says_so() -> None:
    checked = plan_of(30, 0.3)
    line = Line(Session(checked, zero_s=3.0), SimulatedBoard(FETTLE))
    while line.now_s < 5.0:
        line.step()
    late = sum(3.0 + command.at_s >= 6.0 for command in checked.plan.commands)
    assert line.session.revoke_after(6.0) == late
    line.session.close()
    line.run(until_s=60.0)
    assert line.session.report.outcomes["left off"] == late
    assert line.session.report.outcomes["executed"] == len(checked.plan.commands) - late


def test_a_clock_is_too_far_off_when_enough_trips_say_so() -> None:
    clock = BoardClock()
    said: list[bool] = []
    for number in range(600):
        host_s = number * 0.02
        clock.learn(RoundTrip(host_s, host_s * 1.03, 0.002))
        said.append(clock.too_far_off is not None)
    assert not any(said[:TRIPS_BEYOND])
    assert said[-1]
    assert clock.too_far_off == pytest.approx(0.03, rel=0.05)


def test_as_many_strange_trips_on_end_as_are_asked_begin_a_clock_anew() -> None:
    clock = BoardClock()
    for number in range(20):
        clock.learn(RoundTrip(number * 0.1, number * 0.1 + 5.0, 0.002))
    for number in range(20, 19 + OUTLIER_TRIPS):
        clock.learn(RoundTrip(number * 0.1, number * 0.1 + 8.0, 0.002))
    assert clock.steps == 0
    clock.learn(RoundTrip(3.0, 11.0, 0.002))
    assert clock.steps == 1
    assert clock.board_s(3.0) == pytest.approx(11.0, abs=0.001)


def numbers(data: bytes) -> list[int]:
    """Of the commands in bytes of the host's."""
    commands = (StrikeAt, HoldAt, TurnAt, LightAt)
    return [one.sequence for one in told(data) if isinstance(one, commands)]


def test_as_many_commands_are_under_way_without_a_receipt_as_the_window_holds() -> None:
    nothing = make_plan(ReplyScore(header=ReplyHeader(), notes=()), FETTLE)
    line = Line(Session(nothing, zero_s=6.0), SimulatedBoard(FETTLE))
    while line.now_s < 6.0:
        line.step()
    line.session.add(plan_of(300, 0.03), zero_s=6.02)
    assert line.session.credit > WINDOW
    assert numbers(line.session.poll(line.now_s)) == list(range(WINDOW))


def test_faults_are_told_by_name_each_by_its_own_bit() -> None:
    session = Session(plan_of(1))
    session.receive(frame(Status(12000, 20, 20, 0, 0, 0b100100).pack()), 1.0)
    assert session.report.faults == (FAULTS[2], FAULTS[5])


def test_what_was_revoked_before_a_reset_is_left_off_and_not_sent_again() -> None:
    line = Line(Session(plan_of(30, 0.3), zero_s=3.0), SimulatedBoard(FETTLE))
    while line.now_s < 4.0:
        line.step()
    count = line.session.revoke_after(4.5)
    # The reset comes before the board could take anything back.
    line.board.reset(line.now_s)
    line.session.close()
    line.run(until_s=60.0)
    assert line.session.report.resets == 1
    assert line.session.report.outcomes["left off"] == count
    assert all(sent.host_s >= 4.5 for sent in line.session.ended if sent.outcome == "left off")


def test_a_clock_keeps_to_its_speed(monkeypatch: pytest.MonkeyPatch) -> None:
    moments = iter([10.0, 12.0, 20.0, 21.0])
    monkeypatch.setattr("callresp.link.port.time.monotonic", lambda: next(moments))
    assert Clock().now_s() == 2.0
    assert Clock(5.0).now_s() == 5.0

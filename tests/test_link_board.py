"""The simulated board told one thing at a time, and the edges of a session's life."""

from __future__ import annotations

import msgspec
import pytest
from link_helpers import FETTLE, Line, plan_of

from callresp.io.score import ReplyHeader, ReplyScore
from callresp.link.board import FIRMWARE, SimulatedBoard, SwitchRow
from callresp.link.board_clock import TRIPS_BEYOND, BoardClock, RoundTrip
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
    LightAt,
    Message,
    Status,
    StrikeAt,
    TurnAt,
    parse,
)
from callresp.link.outputs import JAM_S
from callresp.link.port import Clock
from callresp.link.session import Session
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
    assert told_of["executed"] > 0


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


def test_a_clock_keeps_to_its_speed(monkeypatch: pytest.MonkeyPatch) -> None:
    moments = iter([10.0, 12.0, 20.0, 21.0])
    monkeypatch.setattr("callresp.link.port.time.monotonic", lambda: next(moments))
    assert Clock().now_s() == 2.0
    assert Clock(5.0).now_s() == 5.0

"""The simulated board told one thing at a time, and the edges of a session's life."""

from __future__ import annotations

import math

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from link_helpers import FETTLE, Line, plan_of

from callresp.io.score import ReplyHeader, ReplyScore
from callresp.link.board import FIRMWARE, SimulatedBoard, SwitchRow
from callresp.link.board_clock import FEWEST, OUTLIER_TRIPS, TRIPS_BEYOND, BoardClock, RoundTrip
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
    SleepFor,
    Sleeping,
    Status,
    Stop,
    StrikeAt,
    TimeReply,
    TimeRequest,
    TurnAt,
    parse,
)
from callresp.link.outputs import JAM_S, PULSES_PER_S, Outputs, RetainedState, worst_state
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
    # A zero ends what may stand behind the last of them.
    messages = [parse(payload) for payload in deframer.feed(data + b"\0")]
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


def test_a_jam_is_told_at_once() -> None:
    board = greeted()
    board.stuck = {SHAKER.channel}
    board.receive(frame(TurnAt(0, SHAKER.channel, 10_000, 90_000, SPEED).pack()), 0.1)
    seen_s = 1.0 + SHAKER.spin_up_s + 0.5
    assert not any(
        "motor jammed" in faults(one) for one in statuses(awake(board, 0.1, seen_s - 0.01))
    )
    assert ["motor jammed" in faults(one) for one in statuses(told(board.advance(seen_s)))] == [
        True
    ]


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
    for number in range(FEWEST + TRIPS_BEYOND - 1):
        host_s = 0.05 + number * 0.1
        clock.learn(RoundTrip(host_s, host_s * 1.03, 0.002))
        said.append(clock.too_far_off is not None)
    # From the sixth span on it judges, and the tenth that agrees says so.
    assert said == [False] * (FEWEST + TRIPS_BEYOND - 2) + [True]
    assert clock.too_far_off == pytest.approx(0.03, rel=0.05)


@given(
    drift=st.floats(-0.0099, 0.0099),
    trips=st.lists(
        # How long each takes, and which share of that on its way to the board.
        st.tuples(st.floats(0.0002, 0.2), st.floats(0.0, 1.0), st.floats(0.01, 0.3)),
        min_size=FEWEST + TRIPS_BEYOND,
        max_size=60,
    ),
)
@example(drift=0.0, trips=[(0.1, n / 29, 0.0) for n in range(30)])
def test_a_busy_host_takes_no_good_clock_for_a_bad_one(
    drift: float, trips: list[tuple[float, float, float]]
) -> None:
    clock, asked_s = BoardClock(), 0.0
    for took_s, out, pause_s in trips:
        board_s = (asked_s + took_s * out) * (1 + drift)
        clock.learn(RoundTrip(asked_s + took_s / 2, board_s, took_s))
        assert clock.too_far_off is None
        asked_s += took_s + pause_s


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
    # They are counted anew after a step, and from the first trip on.
    for known in (clock, BoardClock()):
        known.learn(RoundTrip(3.1, 11.1, 0.002))
        before = known.steps
        for number in range(1, 2 * OUTLIER_TRIPS):
            at_s = 3.1 + 0.1 * number
            step_s = 20.0 if number < OUTLIER_TRIPS + 1 else 30.0
            known.learn(RoundTrip(at_s, at_s + step_s, 0.002))
            assert known.steps == before + (number >= OUTLIER_TRIPS)


@pytest.mark.parametrize(("off_s", "steps"), [(0.0208, 0), (0.0213, 1), (-0.0208, 0), (-0.0213, 1)])
def test_a_trip_is_strange_beyond_half_of_what_it_took_and_what_a_host_delays(
    off_s: float, steps: int
) -> None:
    clock = BoardClock()
    clock.learn(RoundTrip(0.0, 5.0, 0.002))
    for number in range(1, 1 + OUTLIER_TRIPS):
        clock.learn(RoundTrip(0.001 * number, 5.0 + 0.001 * number + off_s, 0.002))
    assert clock.steps == steps


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


def done(messages: list[Message]) -> list[tuple[int, int, str]]:
    """Of each command its number, when, in ticks, and what became of it."""
    return [
        (one.sequence, one.at, OUTCOMES[one.outcome]) for one in messages if isinstance(one, Done)
    ]


def test_a_command_may_come_two_ms_late_and_no_later() -> None:
    board = greeted()
    for number, late_s in enumerate((0.002, 0.0021)):
        at = round((0.1 - late_s) * TICKS)
        board.receive(frame(LightAt(number, 0, at, 9).pack()), 0.1)
    said = awake(board, 0.1, 1.2)
    # What is played late is played at once.
    assert [row.board_s for row in board.log] == [0.1]
    (last,) = [one for one in statuses(said) if one.executed]
    assert (last.executed, last.refused) == (1, 1)


def test_a_window_of_32_numbers_is_taken_and_each_once() -> None:
    board = greeted()
    for sequence in (31, 32, 31):
        board.receive(frame(LightAt(sequence, 0, 1000, 9).pack()), 0.01)
    said = told(board.advance(0.02))
    (receipt,) = [one for one in said if isinstance(one, Acknowledge)]
    assert receipt == Acknowledge(0, 1 << 30, FETTLE.board.buffer - 1)
    assert [number for number, _, _ in done(awake(board, 0.02, 0.2))] == [31]


def test_a_full_buffer_has_no_room_and_a_vast_one_says_255() -> None:
    for buffer, taken, credit in ((2, 2, 0), (300, 3, 255)):
        own = msgspec.structs.replace(FETTLE.board, buffer=buffer)
        board = greeted(msgspec.structs.replace(FETTLE, board=own))
        said = b"".join(
            board.receive(frame(LightAt(n, 0, 1000, 9).pack()), 0.01 * (n + 1)) for n in range(3)
        )
        last = [one for one in told(said) if isinstance(one, Acknowledge)][-1]
        assert (last.expected, last.credit) == (taken, credit)
        # What found no room may be sent again.
        assert len(done(awake(board, 0.03, 0.2))) == taken


def test_all_that_comes_in_one_piece_is_heard_but_what_no_one_knows() -> None:
    board = greeted()
    unknown = frame(b"\x7f" + b"abc")
    asked = [frame(TimeRequest(n).pack()) for n in (3, 4)]
    said = told(board.receive(asked[0] + unknown + asked[1], 0.5))
    assert [one for one in said if isinstance(one, TimeReply)] == [
        TimeReply(3, 5000, 7),
        TimeReply(4, 5000, 7),
    ]


def test_a_stop_says_what_it_cancelled_and_when() -> None:
    board = greeted()
    board.receive(frame(StrikeAt(0, 0, 1000, 3000).pack()), 0.05)
    for number in (1, 2):
        board.receive(frame(StrikeAt(number, 1, 9000 + number, 100).pack()), 0.05)
    said = told(board.receive(frame(Stop(0).pack()), 0.11))
    assert done(said)[-2:] == [(1, 1100, "cancelled"), (2, 1100, "cancelled")]
    assert isinstance(said[-1], Status)
    assert isinstance(said[-2], Acknowledge)
    assert [(row.board_s, row.did) for row in board.log] == [(0.1, "on"), (0.11, "off: stop")]


def test_silence_begins_when_the_palette_says_after_the_last_word() -> None:
    board = greeted()
    board.receive(frame(StrikeAt(0, 5, 1000, 60000).pack()), 0.05)
    board.receive(frame(TimeRequest(0).pack()), 0.123)
    said = told(board.advance(9.0))
    assert [(row.board_s, row.did) for row in board.log] == [(0.1, "on"), (0.323, "off: silence")]
    assert "silence from the host" in faults(statuses(said)[-1])


def test_faults_stand_beside_each_other_until_each_is_over() -> None:
    board = greeted()
    board.sense_rain(True)
    board.receive(b"\x05abc\0", 0.01)
    said = told(board.advance(1.5)) + told(board.press_stop(2.0))
    all_of_them = {"rain", "line damaged", "silence from the host"}
    assert faults(statuses(said)[-2]) == all_of_them
    assert faults(statuses(said)[-1]) == all_of_them | {"stop pressed"}
    board.sense_rain(False)
    said = told(board.advance(3.5))
    assert faults(statuses(said)[-1]) == {"line damaged", "silence from the host", "stop pressed"}


def test_counts_and_logs_are_exact() -> None:
    board = greeted()
    # Neither a fourth light nor a ninety-ninth coil is there.
    for number, (kind, channel) in enumerate(
        [(LightAt, 0), (LightAt, 3), (StrikeAt, 0), (StrikeAt, 99), (LightAt, 0), (LightAt, 4)]
    ):
        at = 1000 + 100 * number
        board.receive(frame(kind(number, channel, at, 100).pack()), 0.0123456789)
    said = awake(board, 0.0123456789, 1.2)
    (last,) = [one for one in statuses(said) if one.executed]
    assert (last.executed, last.refused) == (3, 3)
    assert [outcome for _, _, outcome in done(said)] == ["executed", "no such channel"] * 3
    for row in board.log:
        assert row.board_s == round(row.board_s, 6)
        assert row.planned_s is None or row.planned_s == round(row.planned_s, 6)
    assert [one.board_s for one in board.log] == pytest.approx([0.1, 0.12, 0.121, 0.14], abs=1e-4)


def test_another_version_or_session_ends_what_was_under_way() -> None:
    for hello, session in ((Hello(VERSION + 1, 7), 0), (Hello(VERSION, 8), 8)):
        board = greeted()
        board.receive(frame(StrikeAt(0, 5, 1000, 60000).pack()), 0.05)
        board.receive(frame(StrikeAt(1, 0, 1500, 100).pack()), 0.06)
        said = told(board.receive(frame(hello.pack()), 0.11))
        assert any(isinstance(one, HelloAck) for one in said)
        assert not board.on_channels
        said = told(board.receive(frame(TimeRequest(1).pack()), 0.2))
        assert [one.session for one in said if isinstance(one, TimeReply)] == [session]
        # Nothing waits, and numbers count from 0 again, for a session there is.
        said = told(board.receive(frame(LightAt(0, 0, 2500, 9).pack()), 0.21))
        said += told(board.advance(0.3))
        assert done(said) == ([(0, 2500, "executed")] if session else [])


def test_told_to_sleep_it_sleeps_from_when_to_when_it_was_told() -> None:
    asked = frame(SleepFor(100, 20).pack())
    # Nobody has said hello.
    assert told(SimulatedBoard(FETTLE).receive(asked, 0.5)) == []
    board = SimulatedBoard(FETTLE)
    board.receive(frame(Hello(VERSION, 7).pack()), 1.0)
    board.receive(frame(StrikeAt(0, 5, 11_000, 60000).pack()), 1.05)
    said = told(board.receive(asked, 1.2))
    assert Sleeping(100, 20) in said
    assert [row.did for row in board.log] == ["on", "off: told to sleep"]
    # It is said again, and means from now on; a command is taken no more.
    assert Sleeping(100, 20) in told(board.receive(asked, 2.0))
    board.receive(frame(LightAt(1, 0, 30_000, 9).pack()), 2.5)
    for at_s, asleep in ((21.9, False), (22.0, True), (121.9, True), (122.0, False)):
        said = told(board.advance(at_s))
        assert board._asleep == asleep, at_s
        assert bool(statuses(said)) is not asleep
    assert all(row.output == "coil" for row in board.log)
    # No silence was told: it was sent away.
    assert "silence from the host" not in faults(statuses(said)[-1])
    board.receive(frame(Hello(VERSION, 8).pack()), 130.0)
    for seconds, after_s in ((10**6, 10_000), (0, 5)):
        said = told(board.receive(frame(SleepFor(seconds, after_s).pack()), 131.0))
        assert Sleeping(min(seconds, 172_800), min(after_s, 600)) in said


def test_without_a_host_it_sleeps_and_a_byte_rouses_it_for_two_seconds() -> None:
    board = greeted()
    board.advance(599.0)
    assert not board._asleep
    board.advance(600.0)
    assert board._asleep
    # What wakes it is lost.
    assert told(board.receive(frame(TimeRequest(0).pack()), 700.0)) == []
    assert statuses(told(board.advance(701.9)))
    assert not board._asleep
    board.advance(702.0)
    assert board._asleep
    board.receive(b"\0", 800.0)
    assert TimeReply in [
        type(one) for one in told(board.receive(frame(TimeRequest(0).pack()), 801.0))
    ]
    board.advance(1400.9)
    assert not board._asleep
    board.advance(1401.0)
    assert board._asleep


def test_a_restart_counts_on_and_keeps_what_the_coils_had() -> None:
    coil = FETTLE.coils()[0]
    board = greeted()
    board.receive(frame(StrikeAt(0, 0, 10_000, 2000).pack()), 0.9)
    board.advance(1.1)
    board.reset(2.0)
    board.reset(3.0)
    said = told(board.receive(frame(Hello(VERSION, 7).pack()), 3.0))
    assert [one.restarts for one in said if isinstance(one, HelloAck)] == [2]
    assert faults(board._status(3.0)) == set()
    assert board._outputs.kept(4.0, flat=False).coils[0][2:] == pytest.approx((0.02, 2.98))
    # It lasts as long as a cycle; of what was longer ago nothing is told.
    later_s = 1.02 + coil.cycle_s
    assert board._outputs.kept(later_s + 0.1, flat=False).coils[0][2:] == (0.0, coil.cycle_s)
    board.reset(4.0, power_lost=True)
    assert "coils resting" in faults(board._status(4.0))
    until_s = 4.0 + max(one.cycle_s for one in FETTLE.coils().values() if one.duty_max < 1)
    assert board._outputs.rested_s == pytest.approx(until_s)
    assert "coils resting" in faults(statuses(told(board.advance(until_s - 0.1)))[-1])
    assert "coils resting" not in faults(statuses(told(board.advance(until_s)))[-1])


@pytest.mark.parametrize(("share", "rests"), [(1.0, True), (0.9, False)])
def test_a_coil_rests_after_a_start_only_where_it_had_all_its_cycle(
    share: float, rests: bool
) -> None:
    coil = FETTLE.coils()[0]
    used_s = share * coil.duty_max * coil.cycle_s
    coils = {0: (0.0, 0.0, used_s, 3.0), 5: (0.0, 0.0, 60.0, 0.0)}
    outputs = Outputs(FETTLE, RetainedState(coils, {}), 100.0)
    # The damper's coil may be on for all of its cycle.
    assert outputs.rested_s == (pytest.approx(100.0 - 3.0 + coil.cycle_s) if rests else 100.0)


def test_heat_that_is_only_assumed_is_kept_and_cools_and_is_not_told() -> None:
    coil = FETTLE.coils()[0]
    worst = worst_state(FETTLE)
    outputs = Outputs(FETTLE, worst, 50.0)
    assert outputs.hottest_c(50.0) == pytest.approx(FETTLE.ambient_c)
    # First-order cooling: a time constant later an e-th part is left.
    kept = outputs.kept(50.0 + coil.thermal_time_s, flat=False).coils[0]
    assert kept[0] == pytest.approx(worst.coils[0][0] / math.e, rel=1e-6)
    assert kept[1] == pytest.approx(worst.coils[0][0] / math.e, rel=1e-6)
    cold = Outputs(FETTLE)
    assert cold.hottest_c(1.0) == FETTLE.ambient_c
    assert cold.switch(StrikeAt(0, 0, 0, 4000), 1.0)[0] == "executed"
    assert cold.hottest_c(1.0) > FETTLE.ambient_c


def test_a_share_and_a_current_may_be_used_to_the_last_and_no_further() -> None:
    coil = FETTLE.coils()[0]
    outputs, at_s = Outputs(FETTLE), 1.0
    for _ in range(round(coil.duty_max * coil.cycle_s / 0.04)):
        assert outputs.switch(StrikeAt(0, 0, 0, 4000), at_s)[0] == "executed"
        outputs.end_due(at_s + 0.04)
        at_s += 0.1
    assert outputs.switch(StrikeAt(0, 0, 0, 1), at_s)[0] == "over a limit"
    # When the first has left the cycle there is room for one as long.
    assert outputs.switch(StrikeAt(0, 0, 0, 4001), 1.0 + coil.cycle_s)[0] == "over a limit"
    assert outputs.switch(StrikeAt(0, 0, 0, 4000), 1.0 + coil.cycle_s)[0] == "executed"
    amps = Outputs(FETTLE)._coil(StrikeAt(0, 0, 0, 100), 0.0)
    assert not isinstance(amps, str)
    for more_a, third in ((0.0, "executed"), (-1e-4, "over a limit")):
        supply = msgspec.structs.replace(
            FETTLE.supply, current_max_a=FETTLE.board.idle_current_a + 2 * amps.amps + more_a
        )
        drivers = tuple(
            msgspec.structs.replace(one, current_max_a=2 * amps.amps + more_a)
            for one in FETTLE.driver
        )
        for palette in (
            msgspec.structs.replace(FETTLE, supply=supply),
            msgspec.structs.replace(FETTLE, driver=drivers),
        ):
            two = Outputs(palette)
            found = [two.switch(StrikeAt(n, n, 0, 100), 1.0)[0] for n in (0, 1)]
            assert found == ["executed", third]


def test_a_hold_draws_all_while_it_pulls_and_then_its_share() -> None:
    outputs = Outputs(FETTLE)
    found, item = outputs.switch(HoldAt(0, 5, 0, 10_000, 300, 51), 1.0)
    assert (found, item is not None) == ("executed", True)
    assert item is not None
    assert item.amps_at(1.029) == item.first_a
    assert item.amps_at(1.031) == pytest.approx(item.first_a / 5)
    assert item.until_s == 2.0
    # It is on even while another coil or a motor of its number runs.
    assert outputs.switch(TurnAt(1, 0, 0, 10_000, SPEED), 1.0)[0] == "executed"
    assert outputs.switch(StrikeAt(2, 0, 0, 100), 1.0)[0] == "executed"
    assert outputs.switch(HoldAt(3, 5, 0, 10, 0, 51), 1.5)[0] == "over a limit"


def test_a_motor_is_looked_at_in_turn_and_told_of_when_that_changes() -> None:
    outputs = Outputs(FETTLE)
    assert outputs.switch(TurnAt(0, 0, 0, 100_000, SPEED), 1.0)[0] == "executed"
    first_s = 1.0 + SHAKER.spin_up_s + 0.5
    assert outputs.next_look_s == pytest.approx(first_s)
    assert outputs.look(first_s - 0.01, {0}) == ([], False)
    assert outputs.look(outputs.next_look_s, set()) == ([], False)
    assert outputs.next_look_s == pytest.approx(first_s + 0.5)
    # Until it was seen to turn it may be jammed.
    for at_s, rest_s in ((first_s - 0.01, JAM_S), (first_s, SHAKER.slow_down_s)):
        assert outputs.kept(at_s, flat=False).motors == {0: rest_s}
    (off,), was_told = outputs.look(outputs.next_look_s, {0})
    assert (off.output, was_told, outputs.on, outputs.jammed) == ("motor", True, [], {0})
    assert outputs.next_look_s == math.inf
    assert outputs.kept(first_s + 2.5, flat=False).motors == {0: pytest.approx(JAM_S - 2.0)}
    assert outputs.kept(first_s + 99.0, flat=False).motors == {0: 0.0}
    rested_s = first_s + 0.5 + JAM_S
    assert outputs.switch(TurnAt(0, 0, 0, 1000, SPEED), rested_s - 0.01)[0] == "over a limit"
    assert outputs.switch(TurnAt(0, 0, 0, 9000, SPEED), rested_s + 0.01)[0] == "executed"
    assert outputs.look(outputs.next_look_s, set()) == ([], True)
    # One that runs out slows down.
    outputs.end_due(rested_s + 0.92)
    assert outputs.kept(rested_s + 1.0, flat=False).motors == {0: SHAKER.slow_down_s}
    assert outputs.kept(rested_s + 2.0, flat=False).motors == {0: 0.0}
    # A slow one is looked at after eight counts of its encoder.
    coarse = msgspec.structs.replace(SHAKER, counts_per_rev=4)
    slow = Outputs(msgspec.structs.replace(FETTLE, turner=(coarse,)))
    assert slow.switch(TurnAt(0, 0, 0, 90_000, 80), 1.0)[0] == "executed"
    assert slow.next_look_s == pytest.approx(1.0 + SHAKER.spin_up_s + 8 / (0.8 * 4))


def test_a_motor_runs_as_long_as_it_may_and_a_new_spell_begins_when_it_stands() -> None:
    most = round(SHAKER.run_max_s * TICKS)
    for length, outcome in ((most, "executed"), (most + 1, "over a limit"), (0, "over a limit")):
        assert Outputs(FETTLE).switch(TurnAt(0, 0, 0, length, SPEED), 1.0)[0] == outcome
    for pause_s, outcome in ((SHAKER.slow_down_s - 0.01, "over a limit"), (0.5, "executed")):
        outputs = Outputs(FETTLE)
        assert outputs.switch(TurnAt(0, 0, 0, most, SPEED), 0.0)[0] == "executed"
        outputs.end_due(SHAKER.run_max_s)
        again_s = SHAKER.run_max_s + pause_s
        assert outputs.switch(TurnAt(1, 0, 0, 10_000, SPEED), again_s)[0] == outcome

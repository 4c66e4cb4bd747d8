"""Parts of the line and the board alone: what is encoded, clocks, outputs, supply readings."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Callable

import msgspec
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from link_helpers import FETTLE, messages_in, plan_of
from plan_helpers import reply_note

from callresp.errors import UserError
from callresp.io.score import ReplyHeader, ReplyScore
from callresp.link.board import SimulatedBoard, lamp_of
from callresp.link.board_clock import BoardClock, RoundTrip
from callresp.link.framing import frame
from callresp.link.messages import (
    OUTCOMES,
    VERSION,
    Acknowledge,
    Cancel,
    Done,
    Hello,
    HelloAck,
    HoldAt,
    LightAt,
    Message,
    Status,
    Stop,
    StrikeAt,
    TimeReply,
    TimeRequest,
    TurnAt,
    ticks_of,
)
from callresp.link.outputs import Outputs, SupplyMonitor, worst_state
from callresp.link.session import Session, encode
from callresp.palette.model import Palette
from callresp.plan.model import Hold, Light, Strike, Turn
from callresp.plan.planner import make_plan

# Of sums of floats.
TINY = 1e-9


@given(
    length_ms=st.floats(0.02, 300.0),
    pull_ms=st.floats(0.0, 300.0),
    duty=st.floats(0.0, 1.0),
    speed=st.floats(0.1, 30.0),
)
@example(length_ms=0.01, pull_ms=0.0, duty=1.0, speed=0.1)
@settings(max_examples=60)
def test_nothing_is_on_for_longer_over_the_line_than_the_plan_says(
    length_ms: float, pull_ms: float, duty: float, speed: float
) -> None:
    """Ticks of 0.1 ms, pulses in hundredths of a ms, duty in 255ths, speed in hundredths."""
    strike = encode(Strike(at_s=1.0, channel=3, pulse_ms=length_ms), 7, 99)
    assert isinstance(strike, StrikeAt)
    assert (strike.sequence, strike.channel, strike.at) == (7, 3, 99)
    assert length_ms - 0.01 - TINY < strike.pulse / 100 <= length_ms + 1e-5
    pull_ms = min(pull_ms, length_ms)
    hold = encode(
        Hold(at_s=1.0, channel=3, hold_ms=length_ms, pull_ms=pull_ms, hold_duty=duty), 7, 99
    )
    assert isinstance(hold, HoldAt)
    # A command lasts a tick at least.
    assert length_ms - 0.1 - TINY < hold.length / 10 <= max(length_ms, 0.1) + TINY
    assert pull_ms - 0.1 - TINY < hold.pull / 10 <= pull_ms + TINY
    assert duty - 1 / 255 - TINY < hold.duty / 255 <= duty + TINY
    turn = encode(Turn(at_s=1.0, channel=0, speed_rps=speed, run_ms=length_ms), 7, 99)
    assert isinstance(turn, TurnAt)
    assert length_ms - 0.1 - TINY < turn.length / 10 <= max(length_ms, 0.1) + TINY
    assert abs(turn.speed / 100 - speed) <= 0.005 + 1e-9
    light = encode(Light(at_s=1.0, channel=2, level=duty), 7, 99)
    assert isinstance(light, LightAt)
    assert (light.channel, light.at) == (2, 99)
    assert abs(light.level / 255 - duty) <= 0.5 / 255 + 1e-9


def test_a_pull_is_no_longer_than_its_message_can_say() -> None:
    hold = encode(Hold(at_s=0, channel=0, hold_ms=9000, pull_ms=9000, hold_duty=0.5), 0, 0)
    assert isinstance(hold, HoldAt)
    assert (hold.length, hold.pull) == (90_000, 65_535)


def test_an_answer_of_another_time_tells_nothing_of_a_clock() -> None:
    clock = BoardClock()
    assert not clock.known
    assert not clock.learn_reply(ticks_of(10.0), ticks_of(500.0), 9.9)
    assert not clock.learn_reply(ticks_of(10.0), ticks_of(500.0), 12.0)
    assert not clock.known
    assert BoardClock().learn_reply(ticks_of(10.0), ticks_of(500.0), 10.0)
    assert clock.learn_reply(ticks_of(10.0), ticks_of(500.0), 10.01)
    assert clock.known
    # What the board said is of the middle of the trip.
    assert clock.board_s(10.005) == pytest.approx(500.0, abs=1e-4)
    assert clock.host_s(500.0) == pytest.approx(10.005, abs=1e-4)
    assert clock.host_s_of(ticks_of(501.0), 11.0) == pytest.approx(11.005, abs=1e-4)


def test_of_a_span_the_shortest_trip_is_kept() -> None:
    clock = BoardClock()
    for n in range(40):
        clock.learn(RoundTrip(n * 0.1, n * 0.1 + 7.0, 0.002))
    before = clock.board_s(4.5)
    # The first of a second is kept until a shorter one comes, and no longer one.
    clock.learn(RoundTrip(4.0, 11.0, 0.02))
    clock.learn(RoundTrip(4.1, 11.1, 0.001))
    clock.learn(RoundTrip(4.2, 11.209, 0.018))
    assert clock.board_s(4.5) == pytest.approx(before, abs=1e-6)
    assert clock.steps == 0


@pytest.mark.parametrize(("drift", "within"), [(50e-6, 15e-6), (-0.004, 1e-4)])
def test_a_crystal_and_a_resonator_are_both_followed(drift: float, within: float) -> None:
    rng, clock = random.Random(1), BoardClock()
    for n in range(900):
        host_s = n * 0.1
        took_s = 0.002 + 0.001 * rng.random()
        error_s = rng.uniform(-0.5, 0.5) * took_s * 0.2
        clock.learn(RoundTrip(host_s, host_s * (1 + drift) + error_s, took_s))
    assert clock.drift_ppm * 1e-6 == pytest.approx(drift, abs=within)
    assert clock.too_far_off is None
    # How far ahead half a millisecond is still sure.
    assert clock.sure_ahead_s >= 0.5
    young = BoardClock()
    young.learn(RoundTrip(1.0, 1.0, 0.002))
    # One trip tells nothing of a rate: half a per cent, as a resonator may have.
    assert young.sure_ahead_s == pytest.approx(0.5)
    with pytest.raises(ValueError, match="not known yet"):
        BoardClock().board_s(1.0)


def strike(channel: int, pulse_ms: float, number: int = 0) -> StrikeAt:
    return StrikeAt(number, channel, 0, round(100 * pulse_ms))


def test_a_coil_is_on_no_longer_than_its_share_of_any_cycle() -> None:
    coil = FETTLE.coils()[0]
    outputs, at_s = Outputs(FETTLE), 0.0
    on_s: list[float] = []
    while at_s < 3 * coil.cycle_s:
        outputs.end_due(at_s)
        if outputs.switch(strike(0, 20.0), at_s)[0] == "executed":
            on_s.append(at_s)
        at_s += 0.025
    allowed = coil.duty_max * coil.cycle_s
    # In the cycle that ends with each stroke, of which the first may lie in it in part.
    most = max(
        sum(max(b + 0.02 - max(b, a + 0.02 - coil.cycle_s), 0.0) for b in on_s if b <= a)
        for a in on_s
    )
    assert allowed - 0.02 < most <= allowed + 1e-6
    # It is used again as soon as what was on leaves the cycle.
    assert sum(a > 2 * coil.cycle_s for a in on_s) >= 0.9 * allowed / 0.02


def test_what_is_refused_leaves_no_trace() -> None:
    outputs = Outputs(FETTLE)
    coil = FETTLE.coils()[0]
    assert outputs.switch(strike(0, coil.on_max_ms + 0.01), 1.0) == ("over a limit", None)
    assert outputs.switch(strike(99, 1.0), 1.0) == ("no such channel", None)
    assert outputs.switch(TurnAt(0, 9, 0, 10_000, 200), 1.0) == ("no such channel", None)
    assert outputs.switch(strike(0, 0.0), 1.0)[0] == "over a limit"
    assert outputs.light(LightAt(0, 9, 0, 10)) == "no such channel"
    assert outputs.on == []
    assert outputs.kept(1.0, flat=False).coils[0][2] == 0.0
    assert outputs.switch(strike(0, coil.on_max_ms), 1.0)[0] == "executed"
    assert outputs.switch(strike(0, 1.0), 1.001)[0] == "over a limit"
    (item,) = outputs.on
    assert (item.output, item.channel, item.from_s) == ("coil", 0, 1.0)
    assert item.until_s == pytest.approx(1.0 + coil.on_max_ms / 1000)
    assert outputs.next_end_s == item.until_s
    assert outputs.end_due(item.until_s - 1e-6) == []
    assert outputs.end_due(item.until_s) == [item]
    assert outputs.next_end_s == math.inf


@pytest.mark.parametrize(
    ("speed", "outcome"),
    [(79, "over a limit"), (80, "executed"), (400, "executed"), (401, "over a limit")],
)
def test_a_motor_turns_within_its_speeds(speed: int, outcome: str) -> None:
    turner = FETTLE.turner[0]
    assert (turner.slowest_rps, turner.fastest_rps) == (0.8, 4.0)
    outputs = Outputs(FETTLE)
    found, item = outputs.switch(TurnAt(0, turner.channel, 0, 20_000, speed), 1.0)
    assert found == outcome
    if item is not None:
        assert item.amps_at(1.0) == turner.start_current_a
        assert item.amps_at(1.0 + turner.spin_up_s) == turner.current_a
        assert item.until_s == 3.0


def test_drivers_and_supply_give_no_more_than_they_can() -> None:
    """Two tubes are 4.3 A on a driver of 5 A; with 13 A for a driver it is the supply's 7."""
    outputs = Outputs(FETTLE)
    found = [outputs.switch(strike(channel, 10.0), 1.0)[0] for channel in range(3)]
    assert found == ["executed", "executed", "over a limit"]
    drivers = tuple(msgspec.structs.replace(d, current_max_a=13.0) for d in FETTLE.driver)
    wide = Outputs(msgspec.structs.replace(FETTLE, driver=drivers))
    cold_a = 12.8 / (6 * (1 - 0.00393 * 25))
    many = math.floor((7.0 - FETTLE.board.idle_current_a) / cold_a)
    found = [wide.switch(strike(channel, 10.0), 1.0)[0] for channel in range(4)]
    assert found == ["executed"] * many + ["over a limit"] * (4 - many)


def test_the_worst_that_can_have_been() -> None:
    kept = worst_state(FETTLE)
    for channel, coil in FETTLE.coils().items():
        rise_k, assumed_k, used_s, age_s = kept.coils[channel]
        assert rise_k == assumed_k == 130.0 - FETTLE.ambient_c
        assert (used_s, age_s) == (coil.duty_max * coil.cycle_s, 0.0)
    assert kept.motors == {0: 10.0}
    assert not kept.flat


def monitor(flat: bool = False) -> SupplyMonitor:
    return SupplyMonitor(11.0, 12.0, 0.0, flat)


def readings(supply: SupplyMonitor, volts: float, loaded: bool, until_s: float) -> float | None:
    """When `flat` changed, reading up to a time."""
    while supply.next_s <= until_s:
        at_s = supply.next_s
        if supply.read(volts, loaded):
            return at_s
    return None


def test_a_battery_is_flat_after_three_seconds_below_and_good_after_thirty_above() -> None:
    supply = monitor()
    assert readings(supply, 10.9, False, 10.0) == pytest.approx(3.1)
    assert supply.flat
    assert supply.volts == 10.9
    # A little above is not good enough: it takes a thirty-second part more.
    assert readings(supply, 11.3, False, 60.0) is None
    start_s = supply.next_s
    assert readings(supply, 11.35, False, 120.0) == pytest.approx(start_s + 30.0, abs=0.11)
    assert not supply.flat
    # One good reading among low ones begins anew.
    supply = monitor()
    assert readings(supply, 10.9, False, 2.9) is None
    supply.read(11.0, False)
    assert readings(supply, 10.9, False, 5.9) is None


def test_the_sag_of_a_stroke_is_not_read_but_a_load_that_lasts_is() -> None:
    supply = monitor()
    assert readings(supply, 5.0, True, 1.9) is None
    assert supply.volts == 12.0
    assert readings(supply, 5.0, True, 10.0) == pytest.approx(5.0, abs=0.11)
    supply = monitor()
    supply.load_off(0.06)
    supply.read(5.0, False)
    assert supply.volts == 12.0
    supply.read(11.9, False)
    assert supply.volts == 11.9


def test_readings_that_change_nothing_are_taken_at_once() -> None:
    one, other = monitor(), monitor()
    readings(one, 12.3, False, 50.0)
    other.skip(12.3, 50.0)
    assert other.next_s == pytest.approx(one.next_s)
    assert (other.volts, other.flat) == (12.3, False)
    # A low one is read as it comes.
    other.skip(10.0, 90.0)
    assert other.volts == 12.3
    # A load that lasts is judged from the last reading without one, however that was taken.
    found_s = [readings(supply, 5.0, True, 60.0) for supply in (one, other)]
    assert found_s[1] == pytest.approx(found_s[0])
    again = monitor(flat=True).restarted(12.0, 9.0)
    assert again.flat
    assert again.next_s == pytest.approx(9.1)


def test_every_output_has_a_lamp_in_a_dry_run() -> None:
    board = msgspec.structs.replace(FETTLE.board, lights=3)
    palette: Palette = msgspec.structs.replace(FETTLE, board=board)
    assert [lamp_of(palette, "coil", n) for n in range(4)] == [0, 1, 2, 0]
    # Motors come after the 13 coils.
    assert lamp_of(palette, "motor", 0) == 13 % 3
    simulated = SimulatedBoard(palette, dry_run=True)
    simulated.receive(frame(Hello(VERSION, 7).pack()), 0.0)
    simulated.receive(frame(strike(1, 10.0).pack()), 0.001)
    simulated.advance(0.002)
    assert simulated.lights == [255, 255, 0]
    assert [row.output for row in simulated.log] == ["lamp"]
    # A lamp does not jam.
    assert SimulatedBoard(palette).lights == [255, 0, 0]


def greeted(session: Session, buffer: int = 64) -> float:
    """A session whose board has answered and whose clock is known: it runs as the host's."""
    session.poll(0.0)
    session.receive(frame(HelloAck(VERSION, 1, 5, 13, 1, buffer, 250, 0, 1, 0).pack()), 0.0)
    now_s = 0.0
    while session.start_s is None and now_s < 5:
        now_s += 0.02
        for message in messages_in(session.poll(now_s)):
            if isinstance(message, TimeRequest):
                answer = TimeReply(message.host_ticks, message.host_ticks, 1)
                session.receive(frame(answer.pack()), now_s)
    session.poll(now_s)
    return now_s


def test_a_session_greets_again_each_quarter_second_and_begins_a_second_ahead() -> None:
    session = Session(plan_of(3))
    session.receive(b"\x05abc\0", 0.0)
    assert session.report.damaged == 1
    session = Session(plan_of(3))
    assert (session.hello_ack, session.status, session.start_s) == (None, None, None)
    assert not session.finished
    hellos = [n for n in range(1000) if session.poll(n / 1000)]
    assert hellos == [0, 250, 500, 750]
    now_s = greeted(session)
    # 24 trips, each 20 ms after the last, or a little more.
    assert 24 * 0.02 - 0.001 <= now_s < 24 * 0.03
    assert session.start_s is not None
    first_s = session.start_s + plan_of(3).plan.commands[0].at_s
    assert first_s == pytest.approx(now_s + 1.0, abs=0.021)
    assert not session.finished
    assert session.busy


def answered(session: Session, share: float) -> None:
    """Sixteen seconds of answers by a clock that runs at a share of the host's rate."""
    for n in range(1, 800):
        now_s = 0.02 * n
        answer = TimeReply(ticks_of(now_s), ticks_of(share * now_s), 1)
        session.receive(frame(answer.pack()), now_s)


def test_what_the_board_says_of_another_version_or_a_bad_clock_is_a_users_mistake() -> None:
    session = Session(plan_of(3))
    other = HelloAck(VERSION + 1, 1, 5, 13, 1, 64, 250, 0, 1, 0)
    with pytest.raises(UserError, match=f"version {VERSION + 1} .* not {VERSION}; load its"):
        session.receive(frame(other.pack()), 0.0)
    for share, way in ((1.03, "3.0% too fast"), (0.97, "3.0% too slow")):
        session = Session(plan_of(3))
        session.poll(0.0)
        session.receive(frame(HelloAck(VERSION, 1, 5, 13, 1, 64, 250, 0, 1, 0).pack()), 0.0)
        with pytest.raises(UserError, match=way):
            answered(session, share)


def test_receipts_and_credit_are_counted() -> None:
    session = Session(plan_of(40, 0.02))
    greeted(session, buffer=10)
    sent = list(session._flying.values())
    assert [one.sequence for one in sent] == list(range(10))
    assert session.credit == 0
    # All before 3 have come, 4 and 6: room for 8 more, less those that are under way.
    session.receive(frame(Acknowledge(3, 0b101, 8).pack()), 0.6)
    assert [one.acknowledged for one in sent] == [n < 3 or n in (4, 6) for n in range(10)]
    assert session.credit == 8 - 5
    played_s = session.clock.board_s(sent[0].host_s) + 0.003
    session.receive(frame(Done(0, ticks_of(played_s), 0).pack()), sent[0].host_s + 0.01)
    assert session.report.errors_ms == [pytest.approx(3.0, abs=0.06)]
    assert sent[0].outcome == "executed"
    session.receive(frame(Done(1, 0, 2).pack()), sent[0].host_s + 0.01)
    session.receive(frame(Done(2, 0, 99).pack()), sent[0].host_s + 0.01)
    assert [one.outcome for one in sent[:3]] == ["executed", "over a limit", "unknown"]
    assert session.report.outcomes == {"executed": 1, "over a limit": 1, "unknown": 1}
    assert session.take_ended() == sent[:3]
    assert session.take_ended() == []


def test_a_release_is_said_again_until_the_board_has_answered_it() -> None:
    session = Session(plan_of(3), zero_s=100.0)
    greeted(session)
    for n in range(1, 40):
        now_s = 0.02 * n
        session.receive(frame(TimeReply(ticks_of(now_s), ticks_of(now_s), 1).pack()), now_s)
    session.release(0.9)
    said = [n for n in range(900, 1000) if Stop(0) in messages_in(session.poll(n / 1000))]
    assert said == pytest.approx([900, 930, 960, 990], abs=1)
    session.receive(frame(Status(12000, 20, 20, 0, 0, 0).pack()), 1.0)
    said = [n for n in range(1000, 1100) if Stop(0) in messages_in(session.poll(n / 1000))]
    assert said == []
    assert not any(Cancel(0) in messages_in(session.poll(n / 1000)) for n in range(1100, 1200))
    assert messages_in(session.stop()) == [Stop(0)]
    assert session.report.outcomes == {"left off": len(plan_of(3).plan.commands)}


def test_a_board_is_lost_a_second_after_its_last_word() -> None:
    session = Session(plan_of(3))
    assert not session.lost(99.0)
    greeted(session)
    heard_s = session._heard_s
    assert not session.lost(heard_s + 1.0)
    assert session.lost(heard_s + 1.001)


def spoken(session: Session, from_s: float, until_s: float) -> list[tuple[float, Message]]:
    """What a session says in steps of a ms, while its board answers by the same clock."""
    said = []
    for tick in range(round(from_s * 1000), round(until_s * 1000)):
        now_s = tick / 1000
        for message in messages_in(session.poll(now_s)):
            assert message is not None
            said.append((now_s, message))
            if isinstance(message, TimeRequest):
                answer = TimeReply(message.host_ticks, ticks_of(now_s), 1)
                session.receive(frame(answer.pack()), now_s)
    return said


NOTHING = make_plan(ReplyScore(header=ReplyHeader(), notes=()), FETTLE)
_notes = (reply_note(0, 1.0, None, "oak block", 0.5),)
STROKE = make_plan(ReplyScore(header=ReplyHeader(), notes=_notes), FETTLE)
# When it is on, in the plan's time, and for how long.
(_command,) = STROKE.plan.commands
STROKE_S, STROKE_LASTS_S = _command.at_s, _command.length_ms / 1000


def at_work(*strokes_s: float, buffer: int = 64) -> Session:
    """An open session that is up, half a second after it began, with a stroke at each time."""
    session = Session(NOTHING, zero_s=0.0, ahead_s=0.5)
    session.poll(0.0)
    session.receive(frame(HelloAck(VERSION, 1, 5, 13, 1, buffer, 250, 0, 1, 0).pack()), 0.0)
    spoken(session, 0.0, 0.55)
    for at_s in strokes_s:
        session.add(STROKE, zero_s=at_s - STROKE_S)
    return session


def strikes(said: list[tuple[float, Message]]) -> list[tuple[float, int]]:
    return [(at_s, one.sequence) for at_s, one in said if isinstance(one, StrikeAt)]


def test_the_time_is_asked_often_at_first_and_then_as_often_as_keeps_a_board_awake() -> None:
    said = spoken(at_work(), 0.55, 1.0)
    asked = [(at_s, one) for at_s, one in said if isinstance(one, TimeRequest)]
    assert [one.host_ticks for _, one in asked] == [ticks_of(at_s) for at_s, _ in asked]
    gaps_s = {round(b - a, 3) for (a, _), (b, _) in itertools.pairwise(asked)}
    assert gaps_s <= {0.06, 0.061}
    first = Session(plan_of(1))
    first.poll(0.0)
    first.receive(frame(HelloAck(VERSION, 1, 5, 13, 1, 9, 250, 0, 1, 0).pack()), 0.0)
    asked_s = [at_s for at_s, one in spoken(first, 0.0, 0.45) if isinstance(one, TimeRequest)]
    assert len(asked_s) == pytest.approx(0.45 / 0.02, abs=2)


def test_what_has_no_receipt_is_said_again_and_goes_before_what_is_new() -> None:
    session = at_work(1.0, 1.0005, 1.13)
    said = strikes(spoken(session, 0.55, 0.7))
    # The third would go out half a second ahead of its time, but for the first two.
    assert [number for _, number in said] == [0, 1, 0, 1, 2]
    assert [at_s for at_s, _ in said] == pytest.approx([0.55, 0.55, 0.65, 0.65, 0.65], abs=0.002)
    assert session.report.resent == 2
    session.receive(frame(Acknowledge(2, 0, 60).pack()), 0.7)
    assert [number for _, number in strikes(spoken(session, 0.7, 0.8))] == [2]
    assert session.report.resent == 3


def test_what_was_received_and_never_reported_has_an_unknown_fate_a_second_later() -> None:
    session = at_work(1.0)
    spoken(session, 0.55, 0.6)
    session.receive(frame(Acknowledge(1, 0, 60).pack()), 0.6)
    spoken(session, 0.6, 2.0)
    assert session.busy
    spoken(session, 2.0, 2.01)
    assert session.report.outcomes == {"fate unknown": 1}
    assert not session.busy
    # No receipt and no report: it is said on, and the board refuses it as late.
    session = at_work(1.0)
    assert len(strikes(spoken(session, 0.55, 2.2))) > 10
    assert session.busy


def test_a_plan_is_over_when_its_last_stroke_is() -> None:
    session = at_work(1.0)
    spoken(session, 0.55, 0.6)
    at = ticks_of(session.clock.board_s(1.0))
    session.receive(frame(Done(0, at, 0).pack()), 0.9)
    assert not session.finished
    session.close()
    ends_s = 1.0 + STROKE_LASTS_S + 0.02
    session.poll(ends_s - 0.001)
    assert not session.finished
    session.poll(ends_s + 0.001)
    assert session.finished


def test_what_the_board_cancels_is_sent_again_where_there_is_time() -> None:
    session = at_work(1.0)
    spoken(session, 0.55, 0.6)
    session.receive(frame(Done(0, 0, OUTCOMES.index("cancelled")).pack()), 0.7)
    assert strikes(spoken(session, 0.7, 0.75)) == [(0.7, 1)]
    session.receive(frame(Done(1, 0, OUTCOMES.index("cancelled")).pack()), 0.985)
    assert session.report.outcomes == {"cancelled": 1}
    assert not session.busy


def test_what_was_revoked_and_is_then_cancelled_is_left_off() -> None:
    session = at_work(1.0)
    spoken(session, 0.55, 0.6)
    assert session.revoke_after(0.9) == 1
    session.receive(frame(Done(0, 0, OUTCOMES.index("cancelled")).pack()), 0.7)
    assert session.report.outcomes == {"left off": 1}
    assert [one.outcome for one in session.take_ended()] == ["left off"]


def test_nothing_is_cancelled_or_released_that_was_not_asked_for() -> None:
    session = at_work(1.0)
    spoken(session, 0.55, 0.6)
    session.mute({"tube 1"}, 0.6)
    assert not [one for _, one in spoken(session, 0.6, 0.7) if isinstance(one, Cancel | Stop)]
    # A release holds though another word comes before it went out, and until it is answered.
    session.mute({"tube 1"}, 0.7, release=True)
    session.mute((), 0.7)
    session.receive(frame(Status(12000, 20, 20, 0, 0, 0).pack()), 0.7)
    assert Stop(0) in [one for _, one in spoken(session, 0.7, 0.71)]
    session.receive(frame(Status(12000, 20, 20, 0, 0, 0).pack()), 0.71)
    assert not [one for _, one in spoken(session, 0.71, 0.8) if isinstance(one, Cancel | Stop)]
    session.mute({"oak block"}, 0.8)
    assert Cancel(0) in [one for _, one in spoken(session, 0.8, 0.81)]


def test_what_could_not_go_out_in_time_never_does() -> None:
    session = Session(NOTHING, zero_s=0.0)
    for at_s in (2.0, 2.015, 2.03):
        session.add(STROKE, zero_s=at_s - STROKE_S)
    # Nobody has answered.
    session.poll(2.0)
    assert session.report.outcomes == {"not sent: too late": 2}
    session.poll(2.02)
    assert session.report.outcomes == {"not sent: too late": 3}
    assert session.report.commands == 3


def test_a_board_that_forgot_is_greeted_by_another_number_each_time() -> None:
    session = Session(NOTHING, 65535, zero_s=0.0)
    found = []
    for now_s in (0.0, 1.0, 2.0):
        (hello,) = [one for one in messages_in(session.poll(now_s)) if isinstance(one, Hello)]
        found.append(hello.session)
        # An answer to another session is none of this one's.
        for number in (hello.session % 65535 + 1, hello.session):
            answer = HelloAck(VERSION, number, 5, 13, 1, 64, 250, 0, 1, 0)
            session.receive(frame(answer.pack()), now_s + 0.01)
        for stamp_s in (now_s + 0.02, now_s + 0.04):
            session.receive(frame(TimeReply(ticks_of(stamp_s), 0, 0).pack()), stamp_s)
    assert found == [65535, 1, 2]
    assert session.report.resets == 2
    assert Session(NOTHING)._session == 1


def test_an_endless_session_stays_small_and_a_full_board_is_sent_nothing() -> None:
    session = at_work(1.0, buffer=0)
    assert strikes(spoken(session, 0.55, 0.6)) == []
    session.receive(frame(Acknowledge(0, 0, 1).pack()), 0.6)
    assert strikes(spoken(session, 0.6, 0.65)) == [(0.6, 0)]
    session.receive(frame(Acknowledge(0, 0, 0).pack()), 0.65)
    assert session.credit == 0
    session.receive(frame(Done(0, 0, len(OUTCOMES)).pack()), 0.7)
    assert session.report.outcomes == {"unknown": 1}
    session.report.errors_ms = [float(n) for n in range(1500)]
    session.take_ended()
    assert session.report.errors_ms == [float(n) for n in range(500, 1500)]


def best_line(trips: list[RoundTrip], prior_sd: float) -> tuple[Callable[[float], float], float]:
    """By numpy: board time of a host time, and how well the rate is known.

    One more observation says that there is no drift, give or take `prior_sd`. Of a crystal's clock
    a trip errs by half of what it takes beyond the shortest, or an eighth of it, either way.
    """
    took_s = np.array([trip.took_s for trip in trips])
    beyond_s = np.maximum(took_s - min(took_s), took_s / 4)
    sd_s = ((beyond_s if prior_sd < 1e-3 else took_s) + 0.0003) / math.sqrt(12)
    host_s = np.array([trip.host_s for trip in trips])
    gap_s = np.array([trip.board_s for trip in trips]) - host_s
    rows = np.vstack([np.column_stack([1 / sd_s, host_s / sd_s]), [0.0, 1 / prior_sd]])
    (offset_s, drift), *_ = np.linalg.lstsq(rows, np.append(gap_s / sd_s, 0.0), rcond=None)
    sd_s = (took_s + 0.0003) / math.sqrt(12)
    rows = np.vstack([np.column_stack([1 / sd_s, host_s / sd_s]), [0.0, 1 / 0.005]])
    known_to = math.sqrt(np.linalg.inv(rows.T @ rows)[1, 1])
    return lambda at_s: at_s + offset_s + drift * at_s, float(known_to)


@pytest.mark.parametrize("seed", range(5))
def test_what_every_trip_takes_hides_no_drift(seed: int) -> None:
    """A line of 8 ms and up to 9 more each way: 200 ppm, two crystals of 100, are soon known."""
    rng, clock = random.Random(seed), BoardClock()
    for n in range(500):
        host_s, out_s, back_s = n * 0.06, rng.uniform(0.008, 0.017), rng.uniform(0.008, 0.017)
        board_s = (host_s + out_s) * (1 + 200e-6) + 7.0
        clock.learn(RoundTrip(host_s + (out_s + back_s) / 2, board_s, out_s + back_s))
    # What went out 3 s ahead; by what the whole trip took it was off by 3 ms.
    assert clock.board_s(33.0) == pytest.approx(33.0 * (1 + 200e-6) + 7.0, abs=0.0015)


@pytest.mark.parametrize(("drift", "prior_sd"), [(40e-6, 60e-6), (-4e-3, 5e-3)])
@pytest.mark.parametrize("count", [3, 40, 64 * 80])
def test_a_clock_is_the_best_line_through_the_shortest_trip_of_each_span(
    drift: float, prior_sd: float, count: int
) -> None:
    """Spans of a tenth of a second for three, then of a second; a poor clock's last minute."""
    rng, clock = random.Random(count), BoardClock()
    shortest: dict[int, RoundTrip] = {}
    for n in range(count):
        host_s = (n + 0.5) / 64
        took_s = 0.001 + 0.004 * rng.random()
        board_s = host_s * (1 + drift) + 7.0 + rng.uniform(-0.4, 0.4) * took_s
        trip = RoundTrip(host_s, board_s, took_s)
        clock.learn(trip)
        span = int(host_s * 10) if host_s < 3 else 1000 + int(host_s)
        shortest[span] = min(shortest.get(span, trip), trip, key=lambda one: one.took_s)
    trips = list(shortest.values())
    # Three trips tell nothing of a rate.
    prior_sd = prior_sd if count > 3 else 60e-6
    if prior_sd > 1e-3:
        trips = [one for one in trips if one.host_s >= trips[-1].host_s - 60.0]
    board_of, known_to = best_line(trips, prior_sd)
    for at_s in (0.0, 9.0, 200.0):
        assert clock.board_s(at_s) == pytest.approx(board_of(at_s), abs=1e-7)
        assert clock.host_s(clock.board_s(at_s)) == pytest.approx(at_s, abs=1e-9)
    assert clock.sure_ahead_s == pytest.approx(max(0.5, 0.0005 / known_to), rel=1e-6)

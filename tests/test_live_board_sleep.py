"""A board that is not wanted sleeps, and is awake before it is: on the simulated board, on the core
in C, and on an emulated chip; by a whole engine, and over a real port."""

# The fixtures of `board_talk` are named as parameters.
# ruff: noqa: F811
from __future__ import annotations

import time as wall_time
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from board_on_pty import served, wait_until
from board_talk import MakeBoard, make_board, program, pytest_generate_tests  # noqa: F401
from link_helpers import FETTLE, plan_of
from live_helpers import RATE_HZ, day_of, silence
from test_live_engine import PROMPT, calls

from callresp.link import board as link_board
from callresp.link.board import SimulatedBoard
from callresp.link.framing import Deframer
from callresp.link.messages import (
    SLEEP_MOST_S,
    Hello,
    Message,
    SleepFor,
    Status,
    Stop,
    StrikeAt,
    parse,
)
from callresp.link.port import Clock
from callresp.live.actions import BoardMaySleep, BoardState, LinkUpdate
from callresp.live.board_session import (
    LEAST_AWAKE_S,
    LEAST_SLEEP_S,
    SLEEP_CLOCK_ERROR,
    WAKE_BEFORE_S,
    LiveSession,
)
from callresp.live.engine import LiveEngine
from callresp.live.links import EngineOrigin, PortLink
from callresp.live.sources import Block
from callresp.scout.sun import ActiveHours, DayTime, Site

HOUR_S = 3600.0


class Night:
    """A host's end and a board's in one room, and what each said; the line may lose bytes."""

    def __init__(self, board: Any, session: int = 1) -> None:
        self.board, self.talk = board, LiveSession(session)
        self.now_s, self.deaf, self.cut = 0.0, False, False
        self.said: list[tuple[float, Message]] = []
        self.told: list[tuple[float, str]] = []
        self.updates: list[tuple[float, LinkUpdate]] = []
        self._deframer = Deframer()

    def step(self, step_s: float) -> None:
        self.now_s += step_s
        out = self.talk.poll(self.now_s)
        for payload in self._deframer.feed(out):
            message = parse(payload)
            assert message is not None
            self.said.append((self.now_s, message))
        asleep = getattr(self.board, "_asleep", False)
        if out and not (self.cut or (self.deaf and asleep)):
            back = self.board.receive(out, self.now_s)
        else:
            pass_time = self.board.advance
            if self.talk.asleep(self.now_s):
                pass_time = getattr(self.board, "idle", pass_time)
            back = pass_time(self.now_s)
        if not self.cut:
            self.talk.receive(back, self.now_s)
        update = self.talk.take_update(self.now_s, 0.0)
        self.updates.append((self.now_s, update))
        self.told += [(self.now_s, notice.text) for notice in update.notices]

    def run(self, until_s: float) -> None:
        while self.now_s < until_s:
            asleep = self.talk._state == "asleep"
            self.step(min(1.0 if asleep else 0.05, max(until_s - self.now_s, 0.01)))

    def messages(self, kind: type[Message]) -> list[tuple[float, Any]]:
        return [(at_s, message) for at_s, message in self.said if isinstance(message, kind)]


def test_it_sleeps_through_the_night_and_is_awake_before_it_is_wanted(
    make_board: MakeBoard,
) -> None:
    """10 min: asleep for most of them, awake from a minute before the end at the latest."""
    night = Night(make_board())
    night.run(2.0)
    night.talk.may_sleep(600.0)
    night.run(30.0)
    (asked_s, asked), *more = night.messages(SleepFor)
    assert not more
    assert asked_s == pytest.approx(LEAST_AWAKE_S, abs=2.0)
    wanted = (600.0 - WAKE_BEFORE_S - asked_s) / (1 + SLEEP_CLOCK_ERROR)
    assert asked.seconds == pytest.approx(wanted, abs=1.0)
    assert [text for _, text in night.told] == [
        "the board sleeps for 0 h 08 min, its drivers powered down"
    ]
    night.run(600.0)
    awake_s = next(at_s for at_s, text in night.told if text == "the board is awake")
    assert awake_s < 600.0 - WAKE_BEFORE_S + 1.0
    assert night.talk.up(night.now_s)
    assert all(update.up for at_s, update in night.updates if at_s > 2.0)
    # Nothing was said on the line that would have woken it.
    assert not [1 for at_s, _ in night.said if asked_s + 0.5 < at_s < awake_s - 1.0]


def test_what_it_read_before_it_slept_is_not_told_all_night() -> None:
    night = Night(SimulatedBoard(FETTLE))
    night.run(2.0)
    night.talk.may_sleep(1200.0)
    night.run(600.0)
    assert night.updates[-1][1].board == BoardState()
    night.run(1199.0)
    assert night.updates[-1][1].board is not None
    assert night.updates[-1][1].board.supply_v == pytest.approx(12.0, abs=2.0)


@pytest.mark.parametrize(("hours", "error"), [(1.0, 0.05), (9.5, 0.05), (9.5, -0.05)])
def test_a_board_that_no_byte_wakes_is_awake_in_time_by_its_own_clock(
    monkeypatch: pytest.MonkeyPatch, hours: float, error: float
) -> None:
    """Its sleep's clock errs by five percent either way; awake, it goes by its crystal."""
    board = SimulatedBoard(FETTLE)
    sleep_for = SimulatedBoard._sleep_for

    def errs(self: SimulatedBoard, message: SleepFor, board_s: float) -> bytes:
        out = sleep_for(self, message, board_s)
        if self._told is not None:
            from_s, until_s = self._told
            self._told = from_s, from_s + (until_s - from_s) * (1 + error)
        return out

    monkeypatch.setattr(SimulatedBoard, "_sleep_for", errs)
    night = Night(board)
    night.deaf = True
    night.run(2.0)
    wanted_s = hours * HOUR_S
    night.talk.may_sleep(wanted_s)
    night.run(wanted_s - 10.0)
    assert night.talk.up(night.now_s)
    slept_s = sum(message.seconds for _, message in night.messages(SleepFor))
    assert slept_s > 0.85 * wanted_s
    assert not any(not update.up for at_s, update in night.updates if at_s > 2.0)


def test_wanted_sooner_it_is_called_at_once() -> None:
    """The time of day was set. Sessions are numbered from 1 to 65,535, and then from 1 again."""
    night = Night(SimulatedBoard(FETTLE), session=65_535)
    night.run(2.0)
    night.talk.may_sleep(10 * HOUR_S)
    night.run(400.0)
    assert night.talk.asleep(night.now_s)
    night.talk.may_sleep(None)
    night.run(402.0)
    assert night.talk.up(night.now_s)
    assert {hello.session for _, hello in night.messages(Hello)} == {65_535, 1}


def test_strikes_after_a_night_are_played_and_their_outcomes_known(make_board: MakeBoard) -> None:
    checked = plan_of(4, 0.3)
    night = Night(make_board(ahead_s=1234.5))
    night.run(2.0)
    night.talk.session.add(checked, night.now_s + 0.5)
    night.run(6.0)
    night.talk.may_sleep(500.0)
    night.run(450.0)
    night.talk.may_sleep(None)
    night.run(452.0)
    night.talk.session.add(checked, night.now_s + 0.5)
    night.run(456.0)
    outcomes = [one.outcome for _, update in night.updates for one in update.outcomes]
    assert outcomes == ["executed"] * 2 * len(checked.plan.commands)


def test_what_was_taken_before_it_sleeps_is_reported_and_what_it_plays_is_not_cut_off() -> None:
    """Asked to sleep while commands are under way, it plays them first."""
    night = Night(SimulatedBoard(FETTLE))
    night.run(20.0)
    night.talk.session.add(plan_of(30, 0.1), 20.2)
    night.talk.may_sleep(10 * HOUR_S)
    night.run(60.0)
    outcomes = [one.outcome for _, update in night.updates for one in update.outcomes]
    assert outcomes == ["executed"] * len(plan_of(30, 0.1).plan.commands)
    last_s = max(at_s for at_s, _ in night.messages(StrikeAt))
    assert all(at_s > last_s for at_s, _ in night.messages(SleepFor))
    assert night.talk.asleep(night.now_s)


def test_where_the_sun_gives_no_time_it_sleeps_as_long_as_a_board_may() -> None:
    night = Night(SimulatedBoard(FETTLE))
    night.run(2.0)
    night.talk.may_sleep(float("inf"))
    night.run(30.0)
    (asked,) = [message for _, message in night.messages(SleepFor)]
    assert asked.seconds == SLEEP_MOST_S
    assert night.board._asleep


def test_it_is_not_put_to_sleep_for_a_few_minutes() -> None:
    night = Night(SimulatedBoard(FETTLE))
    night.run(2.0)
    night.talk.may_sleep(WAKE_BEFORE_S + LEAST_SLEEP_S)
    night.run(WAKE_BEFORE_S + LEAST_SLEEP_S)
    assert not night.messages(SleepFor)


def test_an_answer_that_was_lost_is_asked_for_again() -> None:
    """The repeat may wake it: it sleeps on, as it was told."""
    night = Night(SimulatedBoard(FETTLE))
    night.run(2.0)
    night.talk.may_sleep(10 * HOUR_S)
    while not night.messages(SleepFor):
        night.step(0.02)
    told = night.board._told
    night.cut = True
    # It had heard, and its answer went nowhere.
    night.talk._state = "told"
    night.run(night.now_s + 0.3)
    night.cut = False
    night.run(night.now_s + 30.0)
    assert told is not None
    assert night.board._asleep
    assert night.talk.asleep(night.now_s)


def test_a_line_that_breaks_as_it_is_told_is_taken_up_again() -> None:
    night = Night(SimulatedBoard(FETTLE))
    night.run(2.0)
    night.talk.may_sleep(10 * HOUR_S)
    night.run(15.0)
    night.cut = True
    night.run(60.0)
    # Said plainly: it is away, not asleep.
    assert not night.updates[-1][1].up
    night.cut = False
    night.run(120.0)
    assert night.board._asleep
    assert night.updates[-1][1].up


def test_a_board_that_does_not_wake_is_away_before_it_is_wanted() -> None:
    night = Night(SimulatedBoard(FETTLE))
    night.run(2.0)
    night.talk.may_sleep(1000.0)
    night.run(500.0)
    night.cut = True
    night.run(930.0)
    assert night.updates[-1][1].up
    night.run(999.0)
    assert not night.updates[-1][1].up
    assert not any(text == "the board is awake" for _, text in night.told)


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("SLEEP_MOST_S", 0, "this board can't sleep: it stays awake"),
        ("FIRMWARE", 3, "this board's firmware knows no sleep: it stays awake"),
    ],
)
def test_a_board_that_cannot_sleep_stays_awake_and_is_told_once(
    monkeypatch: pytest.MonkeyPatch, name: str, value: int, said: str
) -> None:
    monkeypatch.setattr(link_board, name, value)
    night = Night(SimulatedBoard(FETTLE))
    night.run(2.0)
    night.talk.may_sleep(HOUR_S)
    night.run(120.0)
    assert [text for _, text in night.told] == [said]
    assert night.talk.up(night.now_s)
    assert all(update.up for at_s, update in night.updates if at_s > 2.0)
    assert len(night.messages(SleepFor)) == (value == 0)


def test_a_host_that_dies_in_the_night_leaves_a_board_that_is_silent_wakes_and_sleeps() -> None:
    board = SimulatedBoard(FETTLE)
    night = Night(board)
    night.run(2.0)
    night.talk.may_sleep(1000.0)
    night.run(100.0)
    seconds = night.messages(SleepFor)[0][1].seconds
    # Nobody says anything any more.
    heard: list[tuple[float, Message]] = []
    deframer, now_s = Deframer(), night.now_s
    while now_s < 2400.0:
        now_s += 1.0
        for payload in deframer.feed(board.advance(now_s)):
            message = parse(payload)
            assert message is not None
            heard.append((now_s, message))
    assert not board.on_channels
    assert {type(message) for _, message in heard} == {Status}
    woke_s = LEAST_AWAKE_S + seconds
    # Awake ten minutes for a host, and then asleep until it is called.
    assert heard[0][0] == pytest.approx(woke_s, abs=4.0)
    assert heard[-1][0] == pytest.approx(woke_s + 600.0, abs=5.0)


def seconds_of_silence(seconds: float, start_s: float = 0.0) -> Iterator[Block]:
    for number in range(round(seconds)):
        yield Block(np.zeros(RATE_HZ, dtype=np.float32), start_s + number)


def test_a_days_engine_sends_its_board_to_sleep_and_plays_in_the_morning() -> None:
    """04:30 to 04:50 is night: that is told and logged, and the morning's calls are answered."""
    hours = ActiveHours(DayTime(time(4, 50)), DayTime(time(4, 29)))
    # The listener begins anew when it wakes: these calls come some seconds after that.
    day = day_of(calls(3, first_s=5.0), PROMPT, hours=hours)
    day.run(seconds_of_silence(1200.0))
    assert not day.strikes_s
    day.run(silence(30.0, start_s=1200.0))
    # The first call alone is let be, by the manners of the rules.
    assert len(day.strikes_s) == 6
    assert all(at_s > 1205.0 for at_s in day.strikes_s)
    told = [
        "it sleeps until 04:50",
        "the board sleeps for 0 h 18 min, its drivers powered down",
        "the board is awake",
        "it plays again",
    ]
    rows = [row["text"] for row in day.of("remark")]  # type: ignore[index]
    for texts in (day.said, rows):
        assert [text for text in dict.fromkeys(texts) if text in told] == told
    volts = [row["supply_v"] for row in day.of("status")]  # type: ignore[index]
    assert volts.count(None) > 90
    assert volts[-1] is not None
    assert not any("away" in text for text in day.said)


def test_without_hours_no_board_is_put_to_sleep() -> None:
    day = day_of(calls(1), PROMPT)
    day.run(seconds_of_silence(400.0))
    assert not any("sleeps" in text for text in day.said)
    assert not day.link.board._asleep


def asked_of(
    hours: ActiveHours, start: datetime, seconds: float, step_s: float = 0.0
) -> list[float | None]:
    """When the engine says that its machine is wanted, in seconds; the clock may be set midway."""
    now: list[LiveEngine] = []

    def wall() -> datetime:
        passed_s = now[0].now_s if now else 0.0
        return start + timedelta(seconds=passed_s + (step_s if passed_s > seconds / 2 else 0.0))

    engine = day_of([], PROMPT, hours=hours, wall=wall).engine
    now.append(engine)
    actions = [action for block in seconds_of_silence(seconds) for action in engine.feed(block)]
    return [action.until_s for action in actions if isinstance(action, BoardMaySleep)]


def test_a_clock_that_is_set_moves_the_time_at_which_it_is_wanted() -> None:
    night = ActiveHours(DayTime(time(4, 0)), DayTime(time(22, 0)))
    start = datetime(2026, 5, 12, 23, 0)
    first_s, then_s = asked_of(night, start, 100.0, step_s=3600.0)
    assert first_s == pytest.approx(5 * HOUR_S, abs=1.0)
    assert then_s == pytest.approx(4 * HOUR_S, abs=1.0)


def test_a_clock_that_drifts_moves_nothing() -> None:
    night = ActiveHours(DayTime(time(4, 0)), DayTime(time(22, 0)))
    assert len(asked_of(night, datetime(2026, 5, 12, 23, 0), 100.0, step_s=5.0)) == 1


def test_by_the_sun_it_is_wanted_at_sunrise_and_never_told_a_time_that_there_is_not() -> None:
    """Sunrise at 54.2 N, 2.8 W on 2026-05-12 is 05:13 by `callresp.scout.sun`'s own check against
    the almanac's tables; in June at 78 N the sun does not rise, as it does not set."""
    zone = ZoneInfo("Europe/London")
    start = datetime(2026, 5, 12, 1, 0, tzinfo=zone)
    hours = ActiveHours(
        DayTime(event="sunrise", after=timedelta(minutes=-40)),
        DayTime(event="sunrise", after=timedelta(hours=3)),
        Site(54.2, -2.8),
    )
    (until_s,) = asked_of(hours, start, 20.0)
    assert until_s == pytest.approx(3.55 * HOUR_S, abs=120.0)
    polar = ActiveHours(DayTime(event="sunrise"), DayTime(event="sunset"), Site(78.0, 15.0))
    (until_s,) = asked_of(polar, datetime.combine(date(2026, 6, 21), time(1, 0), zone), 20.0)
    assert until_s == float("inf")


@pytest.mark.parametrize(
    ("at", "wakes"),
    [
        (datetime(2026, 5, 12, 3, 0), datetime(2026, 5, 12, 4, 30)),
        (datetime(2026, 5, 12, 4, 30), datetime(2026, 5, 13, 4, 30)),
        (datetime(2026, 5, 12, 22, 0), datetime(2026, 5, 13, 4, 30)),
    ],
)
def test_when_hours_by_the_clock_begin_next(at: datetime, wakes: datetime) -> None:
    assert ActiveHours(DayTime(time(4, 30)), DayTime(time(10, 0))).wakes_at(at) == wakes


def test_over_a_real_port_it_is_put_to_sleep_and_the_end_does_not_wake_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("callresp.live.board_session.LEAST_AWAKE_S", 0.0)
    with served(SimulatedBoard(FETTLE)) as found:
        link = PortLink(found.port, EngineOrigin(), Clock())
        link.may_sleep(10 * HOUR_S)
        wait_until(lambda: found.board._asleep)
        wait_until(lambda: any("sleeps" in n.text for n in link.take_update().notices))
        link.close()
        wall_time.sleep(0.1)
        assert found.board._asleep
        assert not any(isinstance(message, Stop) for message in found.heard)
        again = PortLink(found.port, EngineOrigin(), Clock())
        wait_until(lambda: again.take_update().up)
        again.close()
    assert isinstance(found.heard[-1], Stop)

"""An open-ended session: commands as they are made, and taken back in time."""

from __future__ import annotations

import random

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from link_helpers import FETTLE, Line, longest_on_s, plan_of

from callresp.link.board import SimulatedBoard
from callresp.link.session import Session
from callresp.plan.checked_plan import Checker
from callresp.plan.model import Command, Hold, Strike

ZERO_S = 5.0


def open_line(**more: object) -> Line:
    session = Session(None, zero_s=ZERO_S, ahead_s=0.25)
    return Line(session, SimulatedBoard(FETTLE, drift_ppm=40, ahead_s=99.0), **more)  # type: ignore[arg-type]


def strikes(*times_s: float, channel: int = 10) -> list[Command]:
    return [Strike(at_s=t, channel=channel, pulse_ms=6.0, reply=n) for n, t in enumerate(times_s)]


def until(line: Line, at_s: float) -> None:
    while line.now_s < at_s:
        line.step()


@settings(max_examples=6, phases=[Phase.generate])
@given(st.integers(0, 99), st.floats(0.03, 0.6))
def test_commands_given_as_time_goes_on_are_all_played(seed: int, lead_s: float) -> None:
    commands = list(plan_of(40, seed=seed).plan.commands)
    checker, line = Checker(FETTLE), open_line(seed=seed)
    assert isinstance(line.session, Session)
    while commands:
        line.step()
        due = [c for c in commands if ZERO_S + c.at_s < line.now_s + lead_s + 0.01]
        commands = commands[len(due) :]
        if due:
            line.session.add(checker.admit(due))
    assert not line.session.finished
    line.session.close()
    line.run()
    assert set(line.session.report.outcomes) == {"executed"}
    assert max(map(abs, line.session.report.errors_ms)) < 1.5


def test_an_open_session_is_not_finished_until_it_is_closed() -> None:
    line = open_line()
    until(line, 3.0)
    assert not line.session.finished
    line.session.close()
    assert line.session.finished


@pytest.mark.parametrize("ahead_s", [0.25, 3.0])
@pytest.mark.parametrize("loses", [False, True])
def test_what_is_revoked_is_not_struck_and_the_rest_is(ahead_s: float, loses: bool) -> None:
    rng = random.Random(3)

    def spoil(data: bytes, now_s: float) -> list[bytes]:
        return [] if loses and rng.random() < 0.15 else [data]

    line = open_line(spoil=spoil)
    line.session._ahead_s = ahead_s
    until(line, 3.0)
    times = [0.5 + 0.2 * n for n in range(10)]
    line.session.add(Checker(FETTLE).admit(strikes(*times)))
    until(line, ZERO_S + 1.0)
    stop_s = 1.0 + 0.18
    revoked = line.session.revoke_after(ZERO_S + stop_s)
    assert revoked == sum(t >= stop_s for t in times)
    until(line, ZERO_S + 6.0)
    line.session.close()
    line.run()
    outcomes = {sent.command.at_s: sent.outcome for sent in line.session.take_ended()}
    # A line that loses the board's word may cost a stroke near the cancelling, never add one.
    assert all(outcome != "executed" for t, outcome in outcomes.items() if t >= stop_s)
    if not loses:
        assert all(outcome == "executed" for t, outcome in outcomes.items() if t < stop_s)
    struck = [row for row in line.board.log if row.did == "on"]
    wanted = sum(t < stop_s for t in times)
    assert len(struck) <= wanted if loses else len(struck) == wanted


def test_what_is_made_after_a_revocation_is_played() -> None:
    line = open_line()
    checker = Checker(FETTLE)
    until(line, 3.0)
    line.session.add(checker.admit(strikes(0.5, 1.0, 1.5)))
    until(line, ZERO_S + 0.9)
    line.session.revoke_after(ZERO_S + 0.95)
    line.session.add(checker.admit(strikes(2.0, 2.3)))
    until(line, ZERO_S + 4)
    assert line.session.report.outcomes == {"executed": 3, "left off": 2}


def test_while_the_board_is_away_what_comes_too_late_says_so_and_it_is_taken_up_again() -> None:
    line = open_line(spoil=lambda data, now_s: [] if 6.0 < now_s < 9.0 else [data])
    checker = Checker(FETTLE)
    until(line, 5.0)
    line.session.add(checker.admit(strikes(0.5)))
    until(line, 7.5)
    assert line.session.lost(line.now_s)
    line.session.add(checker.admit(strikes(2.7, 3.0)))
    until(line, 10.0)
    assert not line.session.lost(line.now_s)
    line.session.add(checker.admit(strikes(6.0)))
    until(line, 12.0)
    assert line.session.report.outcomes == {"executed": 2, "not sent: too late": 2}


def test_a_reset_board_gets_what_is_still_wanted_and_nothing_revoked() -> None:
    line = open_line()
    until(line, 4.0)
    line.session._ahead_s = 3.0
    line.session.add(Checker(FETTLE).admit(strikes(1.0, 2.0, 3.0)))
    until(line, ZERO_S - 0.5)
    line.session.revoke_after(ZERO_S + 2.5)
    line.board.reset(line.now_s)
    until(line, ZERO_S + 5)
    struck = [row for row in line.board.log if row.did == "on"]
    assert len(struck) == 2
    assert line.session.report.outcomes == {"executed": 2, "left off": 1}
    assert longest_on_s(line.board)


def test_only_checked_bits_are_taken() -> None:
    line = open_line()
    with pytest.raises(TypeError, match="CheckedPlan"):
        line.session.add(plan_of(2).plan)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="open-ended"):
        Session(plan_of(2)).add(plan_of(2))


def test_a_day_of_ends_does_not_pile_up() -> None:
    line = open_line()
    until(line, 3.0)
    line.session.add(Checker(FETTLE).admit(strikes(0.5, 1.0)))
    until(line, 7.0)
    assert len(line.session.take_ended()) == 2
    assert line.session.take_ended() == []


@pytest.mark.parametrize("loses", [False, True])
def test_releasing_ends_what_sounds_and_what_waits_and_the_session_goes_on(loses: bool) -> None:
    rng = random.Random(8)
    line = open_line(spoil=lambda data, now_s: [] if loses and rng.random() < 0.2 else [data])
    checker = Checker(FETTLE)
    until(line, 3.0)
    hold = Hold(at_s=0.4, channel=5, hold_ms=3000, pull_ms=30, hold_duty=0.3)
    line.session.add(checker.admit([hold, *strikes(0.5, 1.1, 1.7)]))
    until(line, ZERO_S + 0.9)
    assert line.board.on_channels
    line.session.release(line.now_s)
    until(line, ZERO_S + 1.05)
    assert not line.board.on_channels
    line.session.add(checker.admit(strikes(2.5)))
    until(line, ZERO_S + 4)
    struck = [row for row in line.board.log if row.did == "on" and row.channel == 10]
    assert len(struck) == 2

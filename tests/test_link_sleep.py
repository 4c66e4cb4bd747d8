"""``callresp sleep`` and what sensors read, from a board on a real port to the field log."""

from __future__ import annotations

import json
from unittest.mock import Mock

import msgspec
import pytest
from board_on_pty import served, wait_until
from click.testing import CliRunner, Result
from link_helpers import FETTLE

from callresp.cli import cli
from callresp.errors import UserError
from callresp.link import board as link_board
from callresp.link.board import SimulatedBoard
from callresp.link.framing import frame
from callresp.link.messages import (
    VERSION,
    Hello,
    SensorReadings,
    SleepFor,
    Sleeping,
    Status,
    parse,
)
from callresp.link.port import BoardConnection
from callresp.live.links import SimulatedLink
from callresp.verbs.board import identify_command, sleep_command

READ = SensorReadings(lux=120, air_c=7.5, humidity_pct=88, rain=True)


def run(command: object, *words: str) -> Result:
    return CliRunner().invoke(command, list(words))  # type: ignore[arg-type]


def test_it_is_sent_to_sleep_and_the_next_command_wakes_it() -> None:
    board = SimulatedBoard(FETTLE)
    board.sensed = READ
    with served(board) as found:
        done = run(sleep_command, "--port", found.port, "--for", "1h30min")
        assert done.exit_code == 0, done.output
        assert SleepFor(5400, 0) in found.heard
        assert "it sleeps now" in done.stdout
        wait_until(lambda: board._asleep)
        # What wakes it is lost: the greeting is said again until it is answered.
        told = run(identify_command, "--port", found.port, "--json")
        assert told.exit_code == 0, told.output
    answer = json.loads(told.stdout)
    assert (answer["firmware"], answer["lux"], answer["humidity_pct"]) == (5, 120, 88)
    assert (answer["air_c"], answer["rain"]) == (7.5, True)


def test_an_older_board_is_refused_in_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link_board, "FIRMWARE", 3)
    with served(SimulatedBoard(FETTLE)) as found:
        done = CliRunner().invoke(sleep_command, ["--port", found.port, "--for", "1h"])
    assert isinstance(done.exception, UserError)
    assert str(done.exception).startswith(
        f"{found.port}: this board's firmware knows no sleep; make and flash it anew"
    )
    assert not any(isinstance(message, SleepFor) for message in found.heard)


def test_a_board_that_cannot_sleep_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """As a sketch does: it answers with no seconds."""
    monkeypatch.setattr(link_board, "SLEEP_MOST_S", 0)
    with served(SimulatedBoard(FETTLE)) as found:
        done = CliRunner().invoke(sleep_command, ["--port", found.port, "--for", "1h"])
    assert isinstance(done.exception, UserError)
    assert str(done.exception).startswith(f"{found.port}: this board can't sleep; a sketch can't")


@pytest.mark.parametrize(
    ("words", "where", "what"),
    [
        ([], "--for", "sleeps for a time or until one"),
        (["--for", "1h", "--until", "04:00"], "--for", "sleeps for a time or until one"),
        (["--for", "3 days"], "--for", "'3 days' is no length of time"),
        (["--for", "49h"], "--for", "it can't sleep for 176400 s"),
        (["--for", "0s"], "--for", "it can't sleep for 0 s"),
        (["--until", "25:00"], "--until", "'25:00' is not a time of day"),
        (["--until", "sunrise"], "--site", "the sun is nowhere known"),
    ],
)
def test_mistakes_are_told_before_a_port_is_opened(words: list[str], where: str, what: str) -> None:
    done = CliRunner().invoke(sleep_command, ["--port", "/dev/no-such", *words])
    assert isinstance(done.exception, UserError)
    assert (done.exception.where, done.exception.what) == (where, what)


def test_until_counts_what_it_waits_before() -> None:
    """A minute before it sleeps is no part of the sleep; the next such time is within a day."""
    done = run(cli, "sleep", "--port", "simulated", "--until", "04:00", "--after", "60", "--json")
    told = json.loads(done.stdout)
    assert told["after_s"] == 60
    assert 0 < told["seconds"] <= 86_400 - 60
    assert told["wakes"][11:15] in ("04:0", "03:5")


def test_what_sensors_read_reaches_the_engines_link() -> None:
    link = SimulatedLink(FETTLE)
    link.advance(2.0)
    board = link.take_update().board
    assert board is not None
    assert (board.lux, board.air_c, board.humidity_pct) == (None, None, None)
    link.board.sensed = READ
    link.advance(8.0)
    board = link.take_update().board
    assert board is not None
    assert (board.lux, board.air_c, board.humidity_pct) == (120, 7.5, 88)


def test_no_reading_and_the_highest_numbers_are_one() -> None:
    sleeping = parse(Sleeping(30_600, 60).pack())
    assert sleeping == Sleeping(30_600, 60)
    nothing = link_board._packed(SensorReadings())
    assert msgspec.structs.astuple(nothing) == (0xFFFFFFFF, 0x7FFF, 0xFF, 0xFF)
    assert nothing.known == SensorReadings()
    assert link_board._packed(READ).known == READ


def test_what_comes_behind_an_answer_in_one_piece_is_not_lost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A board that wakes tells all that it owes at once; a slow host reads it in one piece."""
    board = SimulatedBoard(FETTLE)
    board.sensed = READ
    board.advance(1.0)
    told = board.receive(frame(Hello(VERSION, 7).pack()), 1.0) + board.advance(3.0)
    port = Mock(read=Mock(side_effect=[told, b"", b""]))
    monkeypatch.setattr("callresp.link.port.open_port", lambda _: port)
    with BoardConnection("socket://nowhere") as line:
        line.hello()
        line.wait_for(Status, seconds=0.5)
        assert line.sensed == READ

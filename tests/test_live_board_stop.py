"""The stop and the rain sensor on the board: both boards, and what the engine makes of it."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import msgspec
import pytest
from firmware_helpers import FIRMWARE, built
from live_helpers import FETTLE, day_of, silence
from test_live_engine import PROMPT, calls

from callresp.link.messages import (
    FAULTS,
    OUTCOMES,
    VERSION,
    Done,
    Hello,
    HoldAt,
    Status,
    TimeReply,
    TimeRequest,
)
from callresp.link.port import BoardConnection

RAIN, STOPPED = 1 << FAULTS.index("rain"), 1 << FAULTS.index("stop pressed")


@contextmanager
def board(kind: str, folder: Path) -> Iterator[tuple[str, IO[bytes]]]:
    """A board's port, and its standard input, by which its button and sensor are worked."""
    if kind == "simulated":
        words = [sys.executable, "-m", "callresp.link.simulator"]
        head = msgspec.json.encode(FETTLE) + b"\n"
    else:
        limits = [sys.executable, str(FIRMWARE / "limits.py"), "fettle", "lines"]
        head = subprocess.run(limits, capture_output=True, check=True).stdout
        words = [str(built(folder, "host_board.c"))]
    served = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert served.stdin is not None
    assert served.stdout is not None
    served.stdin.write(head)
    served.stdin.flush()
    try:
        yield served.stdout.readline().decode().strip(), served.stdin
    finally:
        served.stdin.close()
        assert served.wait(timeout=20) == 0
        served.stdout.close()


def status_with(line: BoardConnection, bits: int, wanted: int) -> Status:
    """The next status in which these bits are so; keeps the board from falling silent."""
    until = time.monotonic() + 10
    while time.monotonic() < until:
        line.heartbeat()
        for message in line.messages():
            if isinstance(message, Status) and message.faults & bits == wanted:
                return message
        time.sleep(0.01)
    raise AssertionError("the board did not say so")


@pytest.mark.parametrize("kind", ["simulated", "firmware"])
def test_the_board_obeys_its_own_stop_and_tells_of_rain(kind: str, tmp_path: Path) -> None:
    with board(kind, tmp_path) as (url, pressed), BoardConnection(url) as line:
        line.send(Hello(VERSION, 77))
        line.send(TimeRequest(0))
        told: TimeReply = line.wait_for(TimeReply)
        line.send(HoldAt(0, 5, told.board_ticks + 500, 20_000, 300, 76))
        line.heartbeat()
        done: Done = line.wait_for(Done)
        assert OUTCOMES[done.outcome] == "executed"
        for key, bits in ((b"r", RAIN), (b"d", 0)):
            pressed.write(key)
            pressed.flush()
            status_with(line, RAIN, bits)
        pressed.write(b"s")
        pressed.flush()
        status_with(line, STOPPED, STOPPED)
        line.send(TimeRequest(0))
        told = line.wait_for(TimeReply)
        line.send(HoldAt(1, 6, told.board_ticks + 500, 20_000, 300, 76))
        refused: Done = line.wait_for(Done)
        assert (refused.sequence, OUTCOMES[refused.outcome]) == (1, "over a limit")


def test_the_stop_on_the_board_ends_the_playing_and_not_the_listening() -> None:
    day = day_of(calls(5), PROMPT)
    day.run(silence(9.6))
    assert day.strikes_s
    now_s = day.engine.now_s
    day.link.talk.session.receive(day.link.board.press_stop(now_s), now_s)
    assert not day.link.board.on_channels
    day.run(silence(20, start_s=9.6))
    assert max(day.strikes_s) < 9.7
    assert any("stop on the board was pressed" in text for text in day.said)
    assert len(day.of("phrase")) == 5


def test_in_rain_it_waits() -> None:
    day = day_of(calls(5), PROMPT)
    day.link.board.sense_rain(True)
    day.run(silence(20))
    assert not day.strikes_s
    whys: list[Any] = [r["unanswered"] for r in day.of("reply") if "unanswered" in r]  # type: ignore[operator,index]
    assert any("it rains" in why for why in whys)

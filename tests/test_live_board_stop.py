"""The stop and the rain sensor on the board: both boards, and what the engine makes of it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import msgspec
import pytest
from board_on_pty import wait_until
from firmware_helpers import built, lines
from live_helpers import FETTLE, day_of, silence
from test_live_engine import PROMPT, calls

from callresp.link.messages import FAULTS, Status
from callresp.link.port import BoardConnection

RAIN, STOPPED = 1 << FAULTS.index("rain"), 1 << FAULTS.index("stop pressed")


@contextmanager
def board(kind: str, folder: Path) -> Iterator[tuple[str, IO[bytes]]]:
    """A board's port, and its standard input, by which its button and sensor are worked."""
    if kind == "simulated":
        words = [sys.executable, "-m", "callresp.link.simulator"]
        head = msgspec.json.encode(FETTLE) + b"\n"
    else:
        head = lines(FETTLE).encode()
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


@pytest.mark.parametrize("kind", ["simulated", "firmware"])
def test_button_and_sensor_are_worked_through_the_served_boards_input(
    kind: str, tmp_path: Path
) -> None:
    with board(kind, tmp_path) as (url, pressed), BoardConnection(url) as line:
        heard: list[int] = []

        def faults(bits: int, wanted: int) -> bool:
            line.heartbeat()
            heard.extend(m.faults for m in line.messages() if isinstance(m, Status))
            return bool(heard) and heard[-1] & bits == wanted

        for key, bits, wanted in ((b"r", RAIN, RAIN), (b"d", RAIN, 0), (b"s", STOPPED, STOPPED)):
            pressed.write(key)
            pressed.flush()
            wait_until(lambda bits=bits, wanted=wanted: faults(bits, wanted))  # type: ignore[misc]


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

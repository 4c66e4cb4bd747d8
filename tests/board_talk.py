"""One talk with boards of any kind: the simulated one, the core in C, the core on emulated chips.

Whoever imports `make_board`, `program`, `talk` and `pytest_generate_tests` from here has each of
its tests that asks for a board run against all of them that it is meant for.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from core_board import CoreBoard, core_program
from emulated_board import MACHINES, EmulatedBoard, need_emulator, shared_image
from link_helpers import FETTLE

from callresp.link.board import SimulatedBoard
from callresp.link.framing import Deframer, frame
from callresp.link.messages import (
    OUTCOMES,
    VERSION,
    Done,
    Hello,
    HelloAck,
    TimeReply,
    TimeRequest,
    parse,
)


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return core_program(tmp_path_factory.mktemp("board"))


MakeBoard = Callable[..., Any]


# What is run on emulated chips, too: each instruction counts, so nothing that takes minutes.
ON_CHIPS = {
    "stm32f405": {
        "test_a_dry_run_lights_a_lamp_and_moves_nothing",
        "test_a_motor_that_jams_as_it_runs_is_noticed",
        "test_garbage_moves_nothing_and_is_shrugged_off",
        "test_lights_go_dark_at_their_time_and_stay_so",
        "test_told_to_sleep_it_lets_go_sleeps_and_wakes_by_itself",
    },
    "cortex-m0plus": {"test_a_byte_wakes_it_and_a_greeting_keeps_it_awake"},
}
ON_ANY_CHIP = {
    "test_the_board_introduces_itself",
    "test_each_limit_is_kept_by_the_board_itself",
    "test_too_much_current_at_once_is_refused",
    "test_a_doubled_command_is_played_once",
    "test_stop_releases_at_once",
    "test_silence_releases_within_a_quarter_second",
    "test_told_to_sleep_it_lets_go_sleeps_and_wakes_by_itself",
    "test_a_byte_wakes_it_and_a_greeting_keeps_it_awake",
    "test_a_host_of_another_version_is_answered_but_not_obeyed",
}


# All of them on all chips, as `tools/bench_firmware.py` runs them: minutes.
EVERYWHERE = "CALLRESP_EVERY_CHIP"
# The emulators' chips have no sensors.
ON_NO_CHIP = "test_what_the_sensors_read_is_told_at_a_greeting_and_every_five_seconds"


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "make_board" in metafunc.fixturenames:
        name = metafunc.function.__name__
        chips = [chip for chip, own in ON_CHIPS.items() if name in own | ON_ANY_CHIP]
        if EVERYWHERE in os.environ and name != ON_NO_CHIP:
            chips = list(MACHINES)
        metafunc.parametrize("make_board", ["firmware", "simulated", *chips], indirect=True)


@pytest.fixture
def make_board(
    request: pytest.FixtureRequest, program: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[MakeBoard]:
    """Makes boards of either kind, in simulated time."""
    made: list[CoreBoard] = []

    def make(**more: Any) -> Any:
        if request.param == "simulated":
            return SimulatedBoard(FETTLE, **more)
        if request.param in MACHINES:
            need_emulator()
            dry = more.get("dry_run", False)
            image = shared_image(tmp_path_factory, request.param, dry)
            made.append(EmulatedBoard(image, FETTLE, chip=request.param, **more))
            return made[-1]
        made.append(CoreBoard(program, FETTLE, **more))
        return made[-1]

    yield make
    for board in made:
        board.close()


class Talk:
    """Sends a board messages and gathers what it answers, in simulated time."""

    def __init__(self, board: Any) -> None:
        self.board = board
        self.now_s = 0.0
        self.deframer = Deframer()
        self.heard: list[Any] = []

    def take(self, data: bytes) -> None:
        self.heard += [parse(payload) for payload in self.deframer.feed(data)]

    def say(self, *messages: Any) -> None:
        self.say_bytes(b"".join(frame(message.pack()) for message in messages))

    def say_bytes(self, data: bytes) -> None:
        self.take(self.board.receive(data, self.now_s))

    def pass_s(self, seconds: float, heartbeat: bool = True) -> None:
        """Let time pass; with its heartbeat the host is there."""
        until_s = self.now_s + seconds
        while self.now_s < until_s - 1e-9:
            self.now_s = min(self.now_s + 0.05, until_s)
            self.take(self.board.advance(self.now_s))
            if heartbeat:
                self.say(TimeRequest(1))

    def idle(self, seconds: float) -> None:
        """Powered, and nobody there, for hours."""
        self.now_s += seconds
        self.take(getattr(self.board, "idle", self.board.advance)(self.now_s))

    def all(self, kind: type) -> list[Any]:
        return [message for message in self.heard if isinstance(message, kind)]

    def now(self) -> int:
        """The board's clock."""
        self.say(TimeRequest(1))
        return int(self.all(TimeReply)[-1].board_ticks)

    def greet(self, session: int = 7) -> None:
        before = len(self.all(HelloAck))
        self.say(Hello(VERSION, session))
        if len(self.all(HelloAck)) == before:
            # It slept: the first one woke it, and is lost.
            self.pass_s(0.25, heartbeat=False)
            self.say(Hello(VERSION, session))
        assert self.all(HelloAck)[-1].session == session

    @property
    def outcomes(self) -> list[str]:
        done = sorted(self.all(Done), key=lambda message: message.sequence)
        return [OUTCOMES[message.outcome] for message in done]


@pytest.fixture
def talk(make_board: MakeBoard) -> Talk:
    started = Talk(make_board(ahead_s=1234.5))
    started.greet()
    return started

"""A simulated board behind a pseudo-terminal in this process, so that a test can watch it."""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from callresp.link.board import SimulatedBoard
from callresp.link.framing import Deframer
from callresp.link.messages import Message, parse
from callresp.link.port import Clock

# Only a test that fails waits for so long.
PATIENCE_S = 120.0


def wait_until(there: Callable[[], object], what: str = "it never came") -> None:
    """Wait for an event, however long a busy machine takes."""
    until = time.monotonic() + PATIENCE_S
    while not there():
        assert time.monotonic() < until, what
        time.sleep(0.002)


@dataclass
class ServedBoard:
    """The board, its port's name, and all that the host has sent it."""

    board: SimulatedBoard
    port: str
    heard: list[Message] = field(default_factory=list)

    @property
    def strokes(self) -> int:
        return sum(row.did == "on" for row in self.board.log)

    @property
    def released(self) -> bool:
        did = [row.did for row in self.board.log]
        return not self.board.on_channels and did.count("on") * 2 == len(did)


@contextmanager
def served(board: SimulatedBoard) -> Iterator[ServedBoard]:
    own, other = os.openpty()
    tty.setraw(own)
    tty.setraw(other)
    found, clock, ended = ServedBoard(board, os.ttyname(other)), Clock(), threading.Event()
    deframer = Deframer()

    def serve() -> None:
        while not ended.is_set():
            ready, _, _ = select.select([own], [], [], 0.001)
            data = os.read(own, 4096) if ready else b""
            for payload in deframer.feed(data):
                if message := parse(payload):
                    found.heard.append(message)
            out = board.receive(data, clock.now_s()) if data else board.advance(clock.now_s())
            while out:
                out = out[os.write(own, out) :]

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield found
    finally:
        ended.set()
        thread.join()
        os.close(own)
        os.close(other)

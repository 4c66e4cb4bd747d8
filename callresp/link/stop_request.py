"""Asking a board who it is, trying its channels, and stopping it from elsewhere.

A stream that runs holds the port, so a second terminal can't open it. It can
leave a word instead: a small file beside the session, in the user's runtime
folder (``$XDG_RUNTIME_DIR``, XDG Base Directory Specification 0.8, else the
system's folder for temporary files), that the stream looks for many times a
second.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from callresp.errors import UserError
from callresp.link.framing import Deframer, frame
from callresp.link.messages import (
    VERSION,
    Hello,
    HelloAck,
    Message,
    Status,
    Stop,
    TimeRequest,
    parse,
)
from callresp.link.port import open_port

ANSWER_S = 3.0
HEARTBEAT_S = 0.06


def stop_file(url: str) -> Path:
    """The file by which another terminal stops the stream on a port."""
    folder = Path(os.environ.get("XDG_RUNTIME_DIR") or tempfile.gettempdir())
    real = os.path.realpath(url) if url.startswith("/") else url
    mark = hashlib.sha256(real.encode()).hexdigest()[:12]
    return folder / f"callresp-stop-{mark}"


def request_stop(url: str) -> str:
    """Stop the machine on a port: by its own stream where one runs, else directly.

    Returns
    -------
    str
        What was done, in words.
    """
    word = stop_file(url)
    word.touch()
    until = time.monotonic() + 1.0
    while time.monotonic() < until:
        if not word.exists():
            return "the running stream has stopped everything"
        time.sleep(0.02)
    word.unlink(missing_ok=True)
    with BoardConnection(url) as line:
        line.say(Stop(0))
        line.wait(Status)
    return "no stream was running; the board has released everything"


class BoardConnection:
    """A plain talk with a board: say messages, wait for answers."""

    def __init__(self, url: str) -> None:
        self.url = url
        self._port: Any = open_port(url)
        self._deframer = Deframer()
        self._heard: list[Message] = []

    def __enter__(self) -> BoardConnection:
        return self

    def __exit__(self, *_: object) -> None:
        self._port.close()

    def say(self, *messages: Message) -> None:
        """Send messages; a leading zero ends whatever stood on the line before."""
        self._port.write(b"\0" + b"".join(frame(message.pack()) for message in messages))

    def messages(self) -> Iterator[Message]:
        """Messages that have come in by now."""
        for payload in self._deframer.feed(self._port.read(4096)):
            message = parse(payload)
            if message is not None:
                yield message

    def wait(self, kind: type[Message], seconds: float = ANSWER_S, beat: bool = False) -> Any:
        """The next message of a kind; with `beat` the board hears from us meanwhile.

        Raises
        ------
        UserError
            When none comes.
        """
        until = time.monotonic() + seconds
        next_beat = time.monotonic()
        while time.monotonic() < until:
            for message in self.messages():
                if isinstance(message, kind):
                    return message
            if beat and time.monotonic() >= next_beat:
                self.heartbeat()
                next_beat += HEARTBEAT_S
            time.sleep(0.002)
        raise UserError(
            "no board answers here",
            where=self.url,
            remedy="check the port, the baud rate and the board's power",
        )

    def hello(self) -> HelloAck:
        """Ask the board who it is, in a session of its own."""
        self.say(Hello(VERSION, int(time.time()) % 65535 + 1))
        hello_ack: HelloAck = self.wait(HelloAck)
        return hello_ack

    def heartbeat(self) -> None:
        """Keep the board from falling silent."""
        self.say(TimeRequest(0))

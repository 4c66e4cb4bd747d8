"""Serial ports, and a plain conversation with the board on one.

With `stream`, `simulator` and `stop_request` this is where the link meets
files, processes and clocks; all else in it is a function of bytes and times.
"""

from __future__ import annotations

import errno
import os
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol, TypeVar

from callresp.errors import UserError
from callresp.link.framing import Deframer, frame
from callresp.link.messages import (
    SLEEPS_SINCE_FIRMWARE,
    VERSION,
    Hello,
    HelloAck,
    Message,
    Sensed,
    SensorReadings,
    SleepFor,
    Sleeping,
    TimeRequest,
    parse,
)

BAUD = 115_200
ANSWER_S = 3.0
HEARTBEAT_S = 0.06
AGAIN_S = 0.25
# What a system says of a port that another program holds.
IN_USE = (errno.EBUSY, errno.EAGAIN)

Expected = TypeVar("Expected", bound=Message)


class Port(Protocol):
    """What the link needs of an open port; reading never waits."""

    def read(self, size: int, /) -> bytes:
        """Up to `size` bytes that have come in."""

    def write(self, data: bytes, /) -> object:
        """Send bytes."""

    def flush(self) -> None:
        """Wait until all is sent."""

    def close(self) -> None:
        """Give the port up."""


class PortInUseError(UserError):
    """Another program holds the port."""


def no_board(url: str) -> UserError:
    """Where nothing that is a board answers on a port."""
    return UserError(
        "no board answers here", where=url, remedy="check the port, the baud rate and power"
    )


def board_gone(url: str) -> UserError:
    """Where a board has said nothing for long."""
    return UserError(
        "the board has gone", where=url, remedy="check its power; it has released all coils"
    )


class Clock:
    """Steady time that may run `speed` times as fast as the wall's."""

    def __init__(self, speed: float = 1.0) -> None:
        self.speed = speed
        self._start_s = time.monotonic()

    def now_s(self) -> float:
        """Seconds since the clock was made, times its speed."""
        return (time.monotonic() - self._start_s) * self.speed


def new_session() -> int:
    """A number for a session that the one before hardly had, by the time of day; 0 is none."""
    return int(time.time() * 1000) % 65535 + 1


def open_port(url: str) -> Port:
    """Open a serial port, or any address that pyserial knows (``socket://…``).

    Raises
    ------
    PortInUseError
        When another program holds it.
    UserError
        When it is not there, or may not be opened.
    """
    import serial

    try:
        return _opened(url)
    except (serial.SerialException, OSError) as fault:
        if fault.errno in IN_USE:
            raise PortInUseError(
                "this port is in use by another program", where=url, remedy="end that one first"
            ) from fault
        reason = os.strerror(fault.errno) if fault.errno else str(fault)
        remedy = "check the cable and the name"
        if fault.errno == errno.EACCES:
            remedy = "join the group that owns it, often dialout"
        raise UserError(f"can't open this port ({reason})", where=url, remedy=remedy) from fault


def _opened(url: str) -> Port:
    import serial

    try:
        port: Port = serial.serial_for_url(
            url, baudrate=BAUD, timeout=0, write_timeout=5, exclusive=True
        )
    except ValueError as fault:
        if "exclusive" not in str(fault):
            raise UserError(str(fault), where=url, remedy="see callresp ports") from fault
        port = serial.serial_for_url(url, baudrate=BAUD, timeout=0, write_timeout=5)
    return port


class BoardConnection:
    """A plain conversation with a board: send messages, wait for answers."""

    def __init__(self, url: str) -> None:
        self.url = url
        # What its sensors read last.
        self.sensed = SensorReadings()
        self._port = open_port(url)
        self._deframer = Deframer()
        # What has come after a message that somebody waited for is for who waits next.
        self._waiting: deque[Message] = deque()

    def __enter__(self) -> BoardConnection:
        return self

    def __exit__(self, *_: object) -> None:
        self._port.close()

    def send(self, *messages: Message) -> None:
        """Send messages; a leading zero ends whatever stood on the line before."""
        with self._line():
            self._port.write(b"\0" + b"".join(frame(message.pack()) for message in messages))

    def messages(self) -> Iterator[Message]:
        """Messages that have come in by now."""
        with self._line():
            data = self._port.read(4096)
        for payload in self._deframer.feed(data):
            message = parse(payload)
            if isinstance(message, Sensed):
                self.sensed = message.known
            if message is not None:
                self._waiting.append(message)
        while self._waiting:
            yield self._waiting.popleft()

    @contextmanager
    def _line(self) -> Iterator[None]:
        try:
            yield
        except OSError as fault:
            raise UserError(
                f"the line broke ({fault})", where=self.url, remedy="check the cable"
            ) from fault

    def wait_for(
        self,
        kind: type[Expected],
        seconds: float = ANSWER_S,
        heartbeat: bool = False,
        asking: Message | None = None,
    ) -> Expected:
        """The next message of a kind; with `heartbeat` the board is kept from silence.

        What is `asking` is said again and again meanwhile: a board that sleeps does not hear the
        first.

        Raises
        ------
        UserError
            When none comes in time.
        """
        until = time.monotonic() + seconds
        next_beat = next_asking = time.monotonic()
        while time.monotonic() < until:
            if asking is not None and time.monotonic() >= next_asking:
                self.send(asking)
                next_asking += AGAIN_S
            for message in self.messages():
                if isinstance(message, kind):
                    return message
            if heartbeat and time.monotonic() >= next_beat:
                self.heartbeat()
                next_beat += HEARTBEAT_S
            time.sleep(0.002)
        raise no_board(self.url)

    def hello(self) -> HelloAck:
        """Ask the board who it is, in a session of its own."""
        return self.wait_for(HelloAck, asking=Hello(VERSION, new_session()))

    def sleep(self, seconds: int, after_s: int) -> Sleeping:
        """Send the board to sleep in `after_s` seconds, for `seconds`.

        Raises
        ------
        UserError
            When it can't sleep, or does not answer.
        """
        if self.hello().firmware < SLEEPS_SINCE_FIRMWARE:
            raise UserError(
                "this board's firmware knows no sleep",
                where=self.url,
                remedy="make and flash it anew (callresp firmware)",
            )
        told = self.wait_for(Sleeping, asking=SleepFor(seconds, after_s))
        if told.seconds == 0:
            raise UserError(
                "this board can't sleep",
                where=self.url,
                remedy="a sketch can't; the firmware for the two chips can",
            )
        return told

    def heartbeat(self) -> None:
        """Keep the board from falling silent."""
        self.send(TimeRequest(0))

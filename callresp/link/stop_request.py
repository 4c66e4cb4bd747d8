"""Stopping a machine from another terminal, whoever asks and from wherever.

Whoever plays on a port listens at a local address that follows from the port's
name alone: an abstract socket on Linux (unix(7)), else a TCP port on the loop
interface. It needs no folder, so a service, cron, sudo and an ssh login all
find it; it has no file that another user could plant or that a crash could
leave behind; the system takes it away with the process.

The asker sends one line that names the port, and is answered when everything
has been released. Several addresses are tried in turn, so that a program that
happens to sit on one is passed over.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import socket
import sys
import threading
from collections.abc import Iterator

from callresp.errors import UserError
from callresp.link.messages import Status, Stop
from callresp.link.port import BoardConnection, PortInUseError

ADDRESSES = 8
# How long a machine may take to release everything and say so.
ANSWER_S = 20.0
GREETING_S = 2.0
LINE_MAX = 4096
STOPPED = b"stopped\n"
STOPPING = b"stopping\n"

_Address = tuple[socket.AddressFamily, str | tuple[str, int]]


def port_identity(url: str) -> str:
    """One name for a port, by whichever link or relative path it was given."""
    return os.path.realpath(url) if os.path.exists(url) else url  # noqa: PTH110


def _addresses(url: str) -> Iterator[_Address]:
    digest = hashlib.sha256(port_identity(url).encode()).digest()
    for number in range(ADDRESSES):
        if sys.platform == "linux":
            yield socket.AF_UNIX, f"\0callresp-stop-{digest.hex()[:32]}-{number}"
        else:
            # The dynamic ports (RFC 6335, section 6).
            first = 49152 + int.from_bytes(digest[:4]) % (16384 - ADDRESSES)
            yield socket.AF_INET, ("127.0.0.1", first + number)


def _request(url: str) -> bytes:
    return f"callresp stop {port_identity(url)}\n".encode()


class StopListener:
    """Listens for a stop request while a port is played on; without a port, nowhere.

    Use as a context; leaving it answers whoever asked. The event `requested` is set as soon as
    somebody asks for the stop.
    """

    def __init__(self, url: str | None) -> None:
        self.requested = threading.Event()
        self._url = url
        self._asked: list[socket.socket] = []
        self._lock = threading.Lock()
        self._released = False
        self._listener = None if url is None else _bound(url)

    @property
    def reachable(self) -> bool:
        """Whether a stop from another terminal will be heard."""
        return self._listener is not None

    def __enter__(self) -> StopListener:
        if self._listener is not None:
            threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self.released()
        if self._listener is not None:
            # Shutting down wakes `accept`; closing alone would not on Linux.
            with contextlib.suppress(OSError):
                self._listener.shutdown(socket.SHUT_RDWR)
            self._listener.close()

    def released(self) -> None:
        """Everything has been released: tell whoever asked, and whoever still will."""
        with self._lock:
            self._released = True
            asked, self._asked = self._asked, []
        for connection in asked:
            _answer(connection)

    def _accept(self) -> None:
        assert self._listener is not None
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._hear, args=(connection,), daemon=True).start()

    def _hear(self, connection: socket.socket) -> None:
        assert self._url is not None
        connection.settimeout(GREETING_S)
        try:
            meant = _line(connection) == _request(self._url)
            if meant:
                connection.sendall(STOPPING)
        except OSError:
            meant = False
        if not meant:
            connection.close()
            return
        self.requested.set()
        with self._lock:
            if not self._released:
                self._asked.append(connection)
                return
        _answer(connection)


def _bound(url: str) -> socket.socket | None:
    for family, address in _addresses(url):
        listener = socket.socket(family, socket.SOCK_STREAM)
        try:
            listener.bind(address)
            listener.listen()
        except OSError:
            listener.close()
        else:
            return listener
    return None


def _line(connection: socket.socket) -> bytes:
    text = b""
    while not text.endswith(b"\n") and len(text) < LINE_MAX:
        part = connection.recv(LINE_MAX)
        if not part:
            break
        text += part
    return text


def _answer(connection: socket.socket) -> None:
    with contextlib.suppress(OSError), connection:
        connection.sendall(STOPPED)


def request_stop(url: str) -> str:
    """Stop the machine on a port, by the program that plays on it or else directly; says which.

    Raises
    ------
    UserError
        When the port can't be opened, no board answers, or another program holds
        the port and does not listen.
    """
    for family, address in _addresses(url):
        if _asked(url, family, address):
            return "the running session has stopped everything"
    try:
        with BoardConnection(url) as board:
            board.send(Stop(0))
            board.wait_for(Status)
    except PortInUseError as fault:
        raise UserError(
            "this port is in use by a program that takes no stop request",
            where=url,
            remedy="end that program, or press the stop on the board",
        ) from fault
    return "no session was running; the board has released everything"


def _asked(url: str, family: socket.AddressFamily, address: str | tuple[str, int]) -> bool:
    """Whether somebody at this address plays on the port, and has now stopped."""
    with socket.socket(family, socket.SOCK_STREAM) as connection:
        connection.settimeout(GREETING_S)
        try:
            connection.connect(address)
            connection.sendall(_request(url))
            heard = _line(connection)
        except OSError:
            return False
        if not heard.startswith(STOPPING):
            return False
        connection.settimeout(ANSWER_S)
        with contextlib.suppress(OSError):
            heard += b"" if heard.endswith(STOPPED) else _line(connection)
    if heard.endswith(STOPPED):
        return True
    raise UserError(
        f"the running session heard the stop and did not finish within {ANSWER_S:g} s",
        where=url,
        remedy="end that program, or press the stop on the board",
    )

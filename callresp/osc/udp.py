"""The sockets: bundles out to who was named, requests in on one port, answers back."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from callresp.errors import UserError
from callresp.osc.asked import Asked, Gate, RefusedError
from callresp.osc.codec import LARGEST, Message, OscFault, packet, read_packet, single

LOOPBACK = "127.0.0.1"
LOOK_S = 0.1


@dataclass(frozen=True, slots=True)
class NetAddress:
    """A host and a port."""

    host: str
    port: int

    @classmethod
    def of(cls, text: str, argument: str) -> NetAddress:
        """Read "PORT" (on this computer) or "HOST:PORT".

        Raises
        ------
        UserError
            When it is neither.
        """
        host, _, port = text.rpartition(":")
        if not port.isdigit() or not 0 < int(port) < 65536:
            raise UserError(
                f"'{text}' is no address", argument=argument, remedy="write PORT or HOST:PORT"
            )
        return cls(host.strip("[]") or LOOPBACK, int(port))


class OscSender:
    """Sends bundles to several addresses; what can't be sent is lost, as UDP is.

    Raises
    ------
    UserError
        When a host is not known.
    """

    def __init__(self, addresses: Sequence[NetAddress]) -> None:
        self._targets = []
        for to in addresses:
            try:
                family, kind, _, _, address = socket.getaddrinfo(
                    to.host, to.port, type=socket.SOCK_DGRAM
                )[0]
            except OSError as fault:
                raise UserError(
                    f"host '{to.host}' is not known ({fault.strerror})",
                    argument="osc_to",
                    remedy="check the name",
                ) from fault
            opened = socket.socket(family, kind)
            opened.setblocking(False)
            self._targets.append((opened, address))

    def send(self, message: Message, unix_s: float | None = None) -> None:
        """Send one message with its time tag."""
        if not self._targets:
            return
        data = packet([message], unix_s)
        for opened, address in self._targets:
            with contextlib.suppress(OSError):
                opened.sendto(data, address)

    def close(self) -> None:
        """Give the sockets up."""
        for opened, _ in self._targets:
            opened.close()


class OscReceiver:
    """Takes requests on a port, in a thread of its own.

    Parameters
    ----------
    address
        Where to listen; this computer only, unless its host says otherwise.
    gate
        Says what may be asked.
    grant
        Does what was asked and returns a line that says so; raises `UserError`
        or `RefusedError` where it can't be done.

    Raises
    ------
    UserError
        When the port is taken.
    """

    def __init__(self, address: NetAddress, gate: Gate, grant: Callable[[Asked], str]) -> None:
        self._gate = gate
        self._grant = grant
        family = socket.AF_INET6 if ":" in address.host else socket.AF_INET
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        try:
            self._socket.bind((address.host, address.port))
        except OSError as fault:
            self._socket.close()
            raise UserError(
                f"can't listen on {address.host}:{address.port} ({fault.strerror})",
                argument="osc_in",
                remedy="give another port",
            ) from fault
        self._socket.settimeout(LOOK_S)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="osc", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Listen no more."""
        self._ended.set()
        self._thread.join(timeout=1.0)
        self._socket.close()

    def _run(self) -> None:
        while not self._ended.is_set():
            try:
                data, sender = self._socket.recvfrom(LARGEST + 1)
            except TimeoutError:
                continue
            except OSError:
                # As after an answer that nobody took.
                self._ended.wait(LOOK_S)
                continue
            for answer in self.answers(data):
                with contextlib.suppress(OSError):
                    self._socket.sendto(single(answer), sender)

    def answers(self, data: bytes) -> list[Message]:
        """Do what a packet asks, and answer; what is no packet gets no answer."""
        try:
            return [self._answer(message) for message in read_packet(data)]
        except OscFault:
            return []

    def _answer(self, message: Message) -> Message:
        try:
            asked = self._gate.read(message, time.monotonic())
            done, text = 1, self._grant(asked)
        except RefusedError as fault:
            done, text = 0, str(fault)
        except UserError as fault:
            done, text = 0, f"{fault.what}; {fault.remedy}" if fault.remedy else fault.what
        return Message("/callresp/answer", (message.address[:200], done, text))

"""The link thread: an open-ended session over a serial port that may come and go."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from typing import Any

from callresp.errors import UserError
from callresp.link.port import Clock, open_port
from callresp.live.actions import LinkUpdate
from callresp.live.links import LiveSession
from callresp.plan.checked_plan import CheckedPlan

POLL_S = 0.001
REOPEN_S = 0.5
CLOSING_S = 0.3


class EngineOrigin:
    """Where the engine's clock stands on the host's: what is earliest, of late.

    A block is never here before it was heard, but often later; so the smallest
    distance of the last seconds is the truest, and follows the sound card's drift.
    """

    SPAN_S = 5.0

    def __init__(self) -> None:
        self._before_s = self._lately_s = float("inf")
        self._since_s = float("-inf")

    def observe(self, engine_s: float, host_s: float) -> None:
        """A block that ends at `engine_s` has come at `host_s`."""
        if host_s - self._since_s > self.SPAN_S:
            self._since_s = host_s
            self._before_s, self._lately_s = self._lately_s, float("inf")
        self._lately_s = min(self._lately_s, host_s - engine_s)

    @property
    def host_s(self) -> float:
        """Host time of the engine's second 0; 0 before any block has come."""
        least_s = min(self._before_s, self._lately_s)
        return 0.0 if least_s == float("inf") else least_s


class PortLink:
    """A board on a port, served by a thread of its own.

    Parameters
    ----------
    empty_plan
        A checked plan of no commands, of the machine's palette.
    url
        A serial port, or an address that pyserial knows.
    origin
        Kept by the sound thread.
    clock
        The host's.

    Raises
    ------
    UserError
        When the port is not there at the start. Later it is waited for.
    """

    def __init__(
        self, empty_plan: CheckedPlan, url: str, origin: EngineOrigin, clock: Clock
    ) -> None:
        self.url = url
        self.fatal: UserError | None = None
        self._origin = origin
        self._clock = clock
        self._talk = LiveSession(empty_plan, session=int(time.time() * 1000) % 65535 + 1)
        self._inbox: queue.SimpleQueue[tuple[CheckedPlan | None, float]] = queue.SimpleQueue()
        self._says: list[str] = []
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._port: Any = open_port(url)
        self._thread = threading.Thread(target=self._run, name="link", daemon=True)
        self._thread.start()

    def send(self, checked: CheckedPlan) -> None:
        """Hand commands to the link thread."""
        self._inbox.put((checked, time.monotonic()))

    def release(self) -> None:
        """Let go of everything now."""
        self._inbox.put((None, time.monotonic()))

    def take_update(self) -> LinkUpdate:
        """What is to tell since this was last asked."""
        with self._lock:
            says, self._says = tuple(self._says), []
            return self._talk.take_update(self._clock.now_s(), self._origin.host_s, says)

    def close(self) -> None:
        """Release everything and end."""
        self.release()
        self._closing.set()
        self._thread.join(timeout=2.0)

    def _run(self) -> None:
        while not self._closing.is_set():
            try:
                if self._port is None:
                    self._port = open_port(self.url)
                    self._say(f"the port {self.url} is back")
                self._serve(self._port)
            except UserError as fault:
                if self._port is not None:
                    self.fatal = fault
                    return
                self._closing.wait(REOPEN_S)
            except OSError as fault:
                self._say(f"the line to the board broke ({fault}); waiting for it")
                with contextlib.suppress(OSError):
                    self._port.close()
                self._port = None
        if self._port is not None:
            self._farewell(self._port)

    def _serve(self, port: Any) -> None:
        while not self._closing.is_set():
            if not self._turn(port):
                time.sleep(POLL_S / max(self._clock.speed, 1.0))

    def _turn(self, port: Any) -> bool:
        """Read, think, write, once; returns whether anything came in."""
        data = port.read(4096)
        waited: float | None = None
        with self._lock:
            now_s = self._clock.now_s()
            session = self._talk.session
            if data:
                session.receive(data, now_s)
            with contextlib.suppress(queue.Empty):
                while True:
                    checked, put_s = self._inbox.get_nowait()
                    waited = put_s
                    if checked is None:
                        session.release(now_s)
                    else:
                        session.add(checked, self._origin.host_s)
            out = session.poll(now_s)
        if out:
            port.write(out)
        if waited is not None:
            self._talk.waits_s.append(time.monotonic() - waited)
        return bool(data)

    def _farewell(self, port: Any) -> None:
        with contextlib.suppress(OSError):
            until_s = time.monotonic() + CLOSING_S
            while time.monotonic() < until_s:
                self._turn(port)
                time.sleep(POLL_S)
            port.write(self._talk.session.stop())
            port.flush()
            port.close()

    def _say(self, text: str) -> None:
        with self._lock:
            self._says.append(text)

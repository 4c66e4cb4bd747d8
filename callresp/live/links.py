"""Where commands go: a board on a port, a simulated board in engine time, nowhere.

A link takes checked commands timed on the engine's clock, and reports the
outcomes of what it took and what the board says of itself. MIDI has a module of
its own, `callresp.live.midi_link`.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from dataclasses import dataclass, field
from typing import Protocol

from callresp.errors import UserError
from callresp.link.board import SimulatedBoard
from callresp.link.port import Clock, Port, new_session, open_port
from callresp.link.simulator import DRIFT_PPM, POWERED_FOR_S
from callresp.live.actions import CommandOutcome, LinkUpdate, Notice
from callresp.live.board_session import LiveSession
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan

STEP_S = 0.004
# With nothing under way the line carries heartbeats only.
IDLE_STEP_S = 0.02
POLL_S = 0.001
REOPEN_S = 0.5
CLOSING_S = 0.3


class Link(Protocol):
    """What the runner needs of a link."""

    @property
    def fatal(self) -> UserError | None:
        """Why it can't go on at all, or `None`."""

    def send(self, checked: CheckedPlan) -> None:
        """Take commands."""

    def release(self) -> None:
        """Release everything now, and drop what waits."""

    def may_sleep(self, until_s: float | None) -> None:
        """The machine is not wanted before `until_s`, or (`None`) is wanted now."""

    def take_update(self) -> LinkUpdate:
        """What there is to report since this was last asked."""

    def close(self) -> None:
        """Release everything and end."""


@dataclass(slots=True)
class NullLink:
    """No machine: reports what would be struck."""

    outcome: str = "only listening"
    fatal: UserError | None = None
    _outcomes: list[CommandOutcome] = field(default_factory=list)

    def send(self, checked: CheckedPlan) -> None:
        """Take commands."""
        self._outcomes += [CommandOutcome(c, self.outcome) for c in checked.plan.commands]

    def release(self) -> None:
        """Nothing is held."""

    def may_sleep(self, until_s: float | None) -> None:
        """Nothing is there that could."""

    def take_update(self) -> LinkUpdate:
        """Each command once."""
        outcomes, self._outcomes = self._outcomes, []
        return LinkUpdate(True, tuple(outcomes))

    def close(self) -> None:
        """Nothing is open."""


class SimulatedLink:
    """A simulated board on the engine's clock, for sound that runs faster than the wall's.

    Parameters
    ----------
    palette
        Of the board.
    drift_ppm
        Of the board's clock.
    """

    fatal: UserError | None = None

    def __init__(self, palette: Palette, drift_ppm: float = DRIFT_PPM) -> None:
        self.board = SimulatedBoard(palette, drift_ppm=drift_ppm, ahead_s=POWERED_FOR_S)
        self.talk = LiveSession(session=1)
        self.cut = False
        self._now_s = 0.0

    def advance(self, now_s: float) -> None:
        """Let time pass on the line."""
        talk = self.talk
        while self._now_s < now_s:
            step_s = STEP_S if talk.session.busy else IDLE_STEP_S
            self._now_s = min(self._now_s + step_s, now_s)
            out = talk.poll(self._now_s)
            if self.cut:
                self.board.advance(self._now_s)
            else:
                talk.receive(self.board.receive(out, self._now_s), self._now_s)

    def send(self, checked: CheckedPlan) -> None:
        """Take commands."""
        self.talk.session.add(checked)

    def release(self) -> None:
        """Release everything now."""
        self.talk.session.release(self._now_s)

    def may_sleep(self, until_s: float | None) -> None:
        """The machine is not wanted before `until_s`, or (`None`) is wanted now."""
        self.talk.may_sleep(until_s)

    def take_update(self) -> LinkUpdate:
        """What there is to report."""
        return self.talk.take_update(self._now_s, 0.0)

    def close(self) -> None:
        """Release everything."""
        self.release()
        self.advance(self._now_s + 0.1)


class EngineOrigin:
    """Where the engine's second 0 lies on the host's clock.

    A block is never here before it was heard, but often later: so the least
    distance of the last seconds is the truest, and it follows the sound card's
    drift.
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
    def known(self) -> bool:
        """Whether any block has come."""
        return min(self._before_s, self._lately_s) < float("inf")

    @property
    def host_s(self) -> float:
        """Host time of the engine's second 0; 0 before any block has come."""
        return min(self._before_s, self._lately_s) if self.known else 0.0


class PortLink:
    """A board on a port, served by a thread of its own.

    Parameters
    ----------
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

    def __init__(self, url: str, origin: EngineOrigin, clock: Clock) -> None:
        self.url = url
        self.fatal: UserError | None = None
        self._origin = origin
        self._clock = clock
        self._talk = LiveSession(session=new_session())
        self._inbox: queue.SimpleQueue[tuple[CheckedPlan | None, float]] = queue.SimpleQueue()
        self._notices: list[Notice] = []
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._port: Port | None = open_port(url)
        self._thread = threading.Thread(target=self._run, name="link", daemon=True)
        self._thread.start()

    def send(self, checked: CheckedPlan) -> None:
        """Hand commands to the link thread."""
        self._inbox.put((checked, time.monotonic()))

    def release(self) -> None:
        """Release everything now."""
        self._inbox.put((None, time.monotonic()))

    def may_sleep(self, until_s: float | None) -> None:
        """The machine is not wanted before `until_s`, or (`None`) is wanted now."""
        with self._lock:
            self._talk.may_sleep(None if until_s is None else until_s + self._origin.host_s)

    def take_update(self) -> LinkUpdate:
        """What there is to report since this was last asked."""
        with self._lock:
            notices, self._notices = tuple(self._notices), []
            return self._talk.take_update(self._clock.now_s(), self._origin.host_s, notices)

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
                    self._notify(Notice(f"the port {self.url} is back", fault=False))
                self._serve(self._port)
            except UserError as fault:
                if self._port is not None:
                    self.fatal = fault
                    break
                self._closing.wait(REOPEN_S)
            except OSError as fault:
                self._notify(Notice(f"the line to the board broke ({fault}); waiting for it"))
                self._close_port()
        if self._port is not None:
            self._say_goodbye(self._port)

    def _close_port(self) -> None:
        with contextlib.suppress(OSError):
            if self._port is not None:
                self._port.close()
        self._port = None

    def _serve(self, port: Port) -> None:
        while not self._closing.is_set():
            if not self._exchange(port):
                time.sleep(POLL_S / max(self._clock.speed, 1.0))

    def _exchange(self, port: Port) -> bool:
        """Read, decide, write, once; returns whether anything came in."""
        data = port.read(4096)
        waited: float | None = None
        with self._lock:
            now_s = self._clock.now_s()
            if data:
                self._talk.receive(data, now_s)
            session = self._talk.session
            with contextlib.suppress(queue.Empty):
                while True:
                    checked, put_s = self._inbox.get_nowait()
                    waited = put_s
                    if checked is None:
                        session.release(now_s)
                    else:
                        session.add(checked, self._origin.host_s)
            out = self._talk.poll(now_s)
        if out:
            port.write(out)
        if waited is not None:
            self._talk.waits_s.append(time.monotonic() - waited)
        return bool(data)

    def _say_goodbye(self, port: Port) -> None:
        """Let the board report its last outcomes, and stop it."""
        with contextlib.suppress(OSError, UserError):
            until_s = time.monotonic() + CLOSING_S
            while time.monotonic() < until_s and self.fatal is None:
                self._exchange(port)
                time.sleep(POLL_S)
        with contextlib.suppress(OSError):
            with self._lock:
                last = self._talk.stop()
            port.write(last)
            port.flush()
        self._close_port()

    def _notify(self, notice: Notice) -> None:
        with self._lock:
            self._notices.append(notice)

"""The stretch under the loop on real strikers, in time with the chorus from the loudspeaker.

Method
------
The page tells when each pass of the loop begins to be heard, by this server's clock, a few
seconds ahead; the sound card's own clock is thereby followed pass by pass. Notes are planned
as they come due, by the live planner and checker, so that heat and duty of all passes count
together, and go out through the same session as any stream. Coils' latencies are taken off
by the plan, the sound card's by the page.

Nothing moves without a yes. All stops when the page says so, when it has not been heard of
for `GONE_S`, when another terminal asks, and after `RUN_MAX_S`.
"""

from __future__ import annotations

import heapq
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext

import msgspec

from callresp.errors import UserError
from callresp.io.score import ReplyNote
from callresp.link.port import Clock, new_session
from callresp.link.session import SentCommand, Session
from callresp.link.simulator import simulated_board
from callresp.link.stop_request import StopListener
from callresp.link.stream import stream_session
from callresp.palette.model import Palette
from callresp.plan.checked_plan import Checker
from callresp.plan.intents import intent_of
from callresp.plan.model import Command, Strike
from callresp.plan.planner import Planner
from callresp.plan.rules import PlanBreaksLimitError

SIMULATED = "simulated"
GONE_S = 3.0
RUN_MAX_S = 900.0
PLAN_AHEAD_S = 1.2
LEAD_S = 0.05
PASSES_WAITING_MAX = 64
STROKES_TOLD = 200


class MachineState(msgspec.Struct, frozen=True, kw_only=True):
    """How a run stands. `strokes` are the latest: reply note, seconds by the server's clock."""

    running: bool
    ready: bool
    port: str
    said: str
    passes: int
    played: int
    refused: int
    worst_ms: float | None
    supply_v: float | None
    coil_c: float | None
    faults: tuple[str, ...]
    strokes: tuple[tuple[int, float], ...]


class MachineRun:
    """One run of the machine, in a thread of its own.

    Parameters
    ----------
    palette
        What is played on, and its limits.
    notes
        The reply notes of the loop.
    from_s, to_s
        The loop.
    port
        A serial port, or ``"simulated"``.
    muted
        Strikers and turners that are left out; may be set anew while it runs.
    """

    def __init__(
        self,
        palette: Palette,
        notes: Sequence[ReplyNote],
        from_s: float,
        to_s: float,
        port: str,
        muted: frozenset[str] = frozenset(),
    ) -> None:
        self.port = port
        self.muted = muted
        self._left_out: frozenset[str] = frozenset()
        self.palette = palette
        self.from_s, self.to_s = from_s, to_s
        self.session: Session | None = None
        self._notes = [note for note in notes if from_s <= note.onset_s < to_s]
        self._clock = Clock()
        # This clock's zero by the server's: what the page tells is in the server's seconds.
        self._zero_s = time.monotonic() - self._clock.now_s()
        self._latency_s = {one.coil.channel: one.latency_ms / 1000 for one in palette.striker}
        self._planner, self._checker = Planner(palette), Checker(palette)
        self._waiting: list[tuple[float, int, ReplyNote]] = []
        self._strokes: deque[tuple[int, float]] = deque(maxlen=STROKES_TOLD)
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._asked_s = time.monotonic()
        self._passes = self._count = self._played = self._refused = 0
        self._worst_ms: float | None = None
        self._said = ""
        self._thread = threading.Thread(target=self._run, name="desk machine", daemon=True)
        self._thread.start()

    def add_pass(self, starts_s: float) -> None:
        """Take a pass of the loop, whose first moment is heard at `starts_s` of the server's clock.

        Raises
        ------
        UserError
            When the run has ended, or too many passes wait.
        """
        if not self._thread.is_alive():
            raise UserError(self._said or "the machine has stopped", remedy="start it again")
        if len(self._waiting) > PASSES_WAITING_MAX * max(len(self._notes), 1):
            raise UserError("too many passes wait", remedy="send them as they come due")
        by_s = starts_s - self._zero_s - self.from_s
        with self._lock:
            self._passes += 1
            for note in self._notes:
                moved = _moved(note, by_s, self.to_s + by_s)
                intent = intent_of(moved, self.palette)
                due_s = moved.onset_s if intent is None else intent.starts_s
                self._count += 1
                heapq.heappush(self._waiting, (due_s, self._count, moved))

    def stop(self) -> None:
        """Stop everything, and wait until it is."""
        self._stop.set()
        self._thread.join(5.0)

    def state(self) -> MachineState:
        """How it stands; asking keeps it going."""
        self._asked_s = time.monotonic()
        session = self.session
        status = None if session is None else session.status
        running = self._thread.is_alive()
        return MachineState(
            running=running,
            ready=running and session is not None and session.clock.known,
            port=self.port,
            said=self._said,
            passes=self._passes,
            played=self._played,
            refused=self._refused,
            worst_ms=None if self._worst_ms is None else round(self._worst_ms, 2),
            supply_v=None if status is None else status.millivolts / 1000,
            coil_c=None if status is None else float(status.hottest_c),
            faults=() if session is None else tuple(session.report.faults),
            strokes=tuple(self._strokes),
        )

    def _run(self) -> None:
        board: AbstractContextManager[str] = nullcontext(self.port)
        if self.port == SIMULATED:
            board = simulated_board(self.palette)
        try:
            with board as url, StopListener(url) as listener:
                session = Session(None, new_session())
                self.session = session
                stream_session(
                    session, url, self._clock, lambda: self._ending(listener), self._tick
                )
        except (UserError, OSError) as fault:
            self._said = str(fault)
        self._said = self._said or "stopped"

    def _ending(self, listener: StopListener) -> bool:
        now_s = time.monotonic()
        if listener.requested.is_set():
            self._said = "stopped from another terminal"
        elif now_s - self._asked_s > GONE_S:
            self._said = "stopped: the page has gone"
        elif self._clock.now_s() > RUN_MAX_S:
            self._said = f"stopped after {RUN_MAX_S / 60:.0f} minutes: let the coils cool"
        return bool(self._said) or self._stop.is_set()

    def _tick(self, session: Session, now_s: float) -> None:
        """Plan what comes due, and take in what was played."""
        commands: list[Command] = []
        muted = self.muted
        if muted != self._left_out:
            self._left_out = muted
            session.mute(muted, now_s)
        with self._lock:
            while self._waiting and self._waiting[0][0] <= now_s + PLAN_AHEAD_S:
                note = heapq.heappop(self._waiting)[2]
                if note.instrument in muted:
                    continue
                if note.onset_s > now_s + LEAD_S:
                    planned, changes = self._planner.add(note, now_s + LEAD_S)
                    commands += planned
                    self._refused += sum(change.change == "dropped" for change in changes)
                else:
                    self._refused += 1
        commands += self._planner.settle(now_s + LEAD_S + PLAN_AHEAD_S / 2)
        if commands:
            try:
                session.add(self._checker.admit(commands))
            except PlanBreaksLimitError as fault:
                self._refused += len(commands)
                self._said = str(fault)
        for sent in session.take_ended():
            self._ended(sent)

    def _ended(self, sent: SentCommand) -> None:
        if sent.outcome == "left off":
            return
        if sent.outcome != "executed" or sent.played_s is None:
            self._refused += 1
            return
        self._played += 1
        late_ms = abs(sent.played_s - sent.host_s) * 1000
        self._worst_ms = late_ms if self._worst_ms is None else max(self._worst_ms, late_ms)
        if isinstance(sent.command, Strike) and sent.command.reply is not None:
            at_s = sent.played_s + self._zero_s + self._latency_s.get(sent.command.channel, 0.0)
            self._strokes.append((sent.command.reply, round(at_s, 5)))


def _moved(note: ReplyNote, by_s: float, end_s: float) -> ReplyNote:
    """A note of the loop in one of its passes; what rings beyond the pass is damped at its end."""
    moved = note.later(by_s)
    if moved.offset_s is None:
        return moved
    offset_s = min(moved.offset_s, round(end_s, 6))
    if offset_s <= moved.onset_s:
        offset_s = round(moved.onset_s + 0.05, 6)
    return msgspec.structs.replace(moved, offset_s=offset_s)


def ports() -> list[str]:
    """What the machine may be on: the simulated board, and this computer's serial ports."""
    from serial.tools.list_ports import comports

    return [SIMULATED, *sorted(port.device for port in comports())]


class Machines:
    """The one run that there may be at a time.

    Parameters
    ----------
    extra
        Ports that the user names beside those that are found.
    """

    def __init__(self, extra: tuple[str, ...] = ()) -> None:
        self._extra = extra
        self._run: MachineRun | None = None
        self._lock = threading.Lock()

    def choices(self) -> list[str]:
        """Ports that may be started."""
        return list(dict.fromkeys([*self._extra, *ports()]))

    def start(self, port: str, yes: bool, make: Callable[[], MachineRun]) -> None:
        """Start a run.

        Raises
        ------
        UserError
            Without a yes, on a port that is none of the choices, or while one runs.
        """
        if not yes:
            raise UserError(
                "not confirmed: nothing moves", remedy="read the cautions, then say yes"
            )
        if port not in self.choices():
            raise UserError(f"no port '{port[:60]}' here", remedy="choose one that is listed")
        with self._lock:
            if self._run is not None and self._run.state().running:
                raise UserError("the machine runs already", remedy="stop it first")
            self._run = make()

    def mute(self, names: frozenset[str]) -> None:
        """Leave these out of what runs, if anything does."""
        if self._run is not None:
            self._run.muted = names

    def stop(self) -> None:
        """Stop what runs, if anything does."""
        if self._run is not None:
            self._run.stop()

    def run(self) -> MachineRun:
        """The run.

        Raises
        ------
        UserError
            When there is none.
        """
        if self._run is None:
            raise UserError("the machine has not been started")
        return self._run

    def state(self) -> MachineState | None:
        """How the latest run stands."""
        return None if self._run is None else self._run.state()

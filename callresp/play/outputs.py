"""Where playing by hand goes: a board on a port, or nowhere; the sound card is in `sound`."""

from __future__ import annotations

import contextlib
import time
from collections import Counter
from dataclasses import dataclass, field
from typing import Protocol

from callresp.errors import UserError
from callresp.link.port import Clock, board_gone, new_session, no_board, open_port
from callresp.link.session import SentCommand, Session
from callresp.link.stream import ANSWER_S, GONE_S, Watch
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.model import Strike

AHEAD_S = 0.5
# A command goes out as long as its time has not come; the board refuses what comes too late.
LEAST_AHEAD_S = 0.0
POLL_S = 0.001
GOODBYE_S = 0.3


@dataclass(slots=True)
class DueCommands:
    """What is to be done by now: plans to send, lines to say."""

    checked: list[CheckedPlan] = field(default_factory=list)
    said: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Unplayed:
    """A stroke that was sent and did not sound: of which note, and why."""

    note: int | None
    why: str


class Output(Protocol):
    """What the runner needs of an output; all is called in one thread."""

    def send(self, checked: CheckedPlan) -> None:
        """Take commands, timed on the runner's clock."""

    def exchange(self, now_s: float) -> list[Unplayed]:
        """Do what is due; returns what did not come to sound."""

    def close(self) -> None:
        """Release everything, and end."""


class BoardOutput:
    """A board on a port, in the runner's own thread so that no command waits for another.

    Parameters
    ----------
    url
        A serial port, or an address that pyserial knows.
    clock
        The runner's.
    watch
        Called at each exchange with the session and its time; the session then keeps all that
        has ended, which without it is let go: one may play for days.

    Attributes
    ----------
    outcomes : Counter
        What became of the commands, by the board's words.
    errors_ms : list of float
        How far each was off its time, on the board's clock as the host knows it.

    Raises
    ------
    UserError
        When no board is there or answers.
    """

    def __init__(self, url: str, clock: Clock, watch: Watch | None = None) -> None:
        self.outcomes: Counter[str] = Counter()
        self.errors_ms: list[float] = []
        self._url = url
        self._clock = clock
        self._watch = watch
        self._read = 0
        self._session = Session(None, new_session(), ahead_s=AHEAD_S, least_ahead_s=LEAST_AHEAD_S)
        self._port = open_port(url)
        self._heard_s = time.monotonic()
        until_s = time.monotonic() + ANSWER_S
        while not self._session.clock.known:
            self.exchange(clock.now_s())
            if time.monotonic() > until_s:
                self._port.close()
                raise no_board(url)
            time.sleep(POLL_S)

    def send(self, checked: CheckedPlan) -> None:
        """Take commands; they go out with the next exchange."""
        self._session.add(checked)

    def exchange(self, now_s: float) -> list[Unplayed]:
        """Read, write, and tell what was not played."""
        try:
            data = self._port.read(4096)
            if data and self._session.receive(data, now_s):
                self._heard_s = time.monotonic()
            out = self._session.poll(now_s)
            if out:
                self._port.write(out)
        except OSError as fault:
            raise UserError(
                f"the line broke ({fault})",
                where=self._url,
                remedy="check the cable; the board has released everything by itself",
            ) from fault
        if time.monotonic() - self._heard_s > GONE_S:
            raise board_gone(self._url)
        if self._watch is not None:
            self._watch(self._session, now_s)
        return self._outcomes()

    def _outcomes(self) -> list[Unplayed]:
        lost = []
        for sent in self._ended():
            outcome = sent.outcome or "unknown"
            self.outcomes[outcome] += 1
            if outcome == "executed" and sent.played_s is not None:
                self.errors_ms.append((sent.played_s - sent.host_s) * 1000)
            elif isinstance(sent.command, Strike):
                why = f"{sent.command.instrument} was not struck: {outcome}"
                lost.append(Unplayed(sent.command.reply, why))
        return lost

    def _ended(self) -> list[SentCommand]:
        if self._watch is None:
            return self._session.take_ended()
        ended = self._session.ended[self._read :]
        self._read += len(ended)
        return ended

    def close(self) -> None:
        """Let the board report its last outcomes, and stop it."""
        with contextlib.suppress(OSError, UserError):
            self._session.release(self._clock.now_s())
            until_s = time.monotonic() + GOODBYE_S
            while time.monotonic() < until_s:
                self.exchange(self._clock.now_s())
                time.sleep(POLL_S)
        with contextlib.suppress(OSError):
            self._port.write(self._session.stop())
            self._port.flush()
        self._port.close()
        if self._watch is not None:
            self._watch(self._session, self._clock.now_s())


class NullOutput:
    """No machine and no sound: only what was played is kept."""

    def send(self, checked: CheckedPlan) -> None:
        """Take commands."""

    def exchange(self, now_s: float) -> list[Unplayed]:
        """Nothing is due."""
        return []

    def close(self) -> None:
        """Nothing is open."""

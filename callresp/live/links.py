"""Where commands go: a board's session, a simulated board in engine time, nowhere.

A link takes checked commands timed on the engine's clock, and has update: the
outcomes of what it took, and what the board says of itself.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from callresp.link.board import SimulatedBoard
from callresp.link.session import SentCommand, Session
from callresp.live.actions import BoardState, CommandOutcome, LinkUpdate
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan

# Little goes out ahead, so that little has to be taken back.
SEND_AHEAD_S = 0.4
# What has less time than this on its way to the board is not sent.
LEAST_AHEAD_S = 0.008
STEP_S = 0.004
# With nothing under way the line carries heartbeats only.
IDLE_STEP_S = 0.02


class Link(Protocol):
    """What the runner needs of a link."""

    def send(self, checked: CheckedPlan) -> None:
        """Take commands."""

    def release(self) -> None:
        """Let go of everything now."""

    def take_update(self) -> LinkUpdate:
        """What is to tell since this was last asked."""

    def close(self) -> None:
        """Release everything and end."""


class LiveSession:
    """One open-ended session with a board, and its update; bytes and times are the caller's.

    Parameters
    ----------
    empty_plan
        A checked plan of no commands, of the machine's palette.
    session
        A number that tells this session from the one before.
    """

    def __init__(self, empty_plan: CheckedPlan, session: int) -> None:
        self.session = Session(
            empty_plan, session, zero_s=0.0, ahead_s=SEND_AHEAD_S, least_ahead_s=LEAST_AHEAD_S
        )
        self.waits_s: list[float] = []

    def up(self, now_s: float) -> bool:
        """Whether the board is there and its clock is known."""
        session = self.session
        return session.hello_ack is not None and session.clock.known and not session.lost(now_s)

    def take_update(self, now_s: float, zero_s: float, says: tuple[str, ...] = ()) -> LinkUpdate:
        """What happened since this was last asked."""
        outcomes = tuple(_outcome(sent, zero_s) for sent in self.session.take_ended())
        waits_s, self.waits_s = tuple(self.waits_s), []
        return LinkUpdate(
            self.up(now_s), outcomes, self._board(), self.session.credit, waits_s, says
        )

    def _board(self) -> BoardState | None:
        status = self.session.status
        if status is None:
            return None
        return BoardState(
            supply_v=status.millivolts / 1000 if status.millivolts else None,
            coil_c=float(status.hottest_c),
            board_c=float(status.temperature_c),
            faults=self.session.report.faults,
        )


def _outcome(sent: SentCommand, zero_s: float) -> CommandOutcome:
    played_s = None if sent.played_s is None else sent.played_s - zero_s
    return CommandOutcome(sent.command, sent.outcome or "unknown", played_s)


@dataclass(slots=True)
class NullLink:
    """No machine: it only says what would be struck."""

    outcome: str = "only listening"
    _outcomes: list[CommandOutcome] = field(default_factory=list)

    def send(self, checked: CheckedPlan) -> None:
        """Take commands."""
        self._outcomes += [
            CommandOutcome(command, self.outcome) for command in checked.plan.commands
        ]

    def release(self) -> None:
        """Nothing is held."""

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
    empty_plan
        A checked plan of no commands.
    palette
        Of the board.
    drift_ppm
        Of the board's clock.
    """

    def __init__(self, empty_plan: CheckedPlan, palette: Palette, drift_ppm: float = 37.0) -> None:
        self.board = SimulatedBoard(palette, drift_ppm=drift_ppm, ahead_s=1234.5)
        self.talk = LiveSession(empty_plan, session=1)
        self.cut = False
        self._now_s = 0.0

    def advance(self, now_s: float) -> None:
        """Let time pass on the line."""
        session = self.talk.session
        while self._now_s < now_s:
            step_s = STEP_S if session.busy else IDLE_STEP_S
            self._now_s = min(self._now_s + step_s, now_s)
            out = session.poll(self._now_s)
            if self.cut:
                self.board.advance(self._now_s)
            else:
                session.receive(self.board.receive(out, self._now_s), self._now_s)

    def send(self, checked: CheckedPlan) -> None:
        """Take commands."""
        self.talk.session.add(checked)

    def release(self) -> None:
        """Let go of everything now."""
        self.talk.session.release(self._now_s)

    def take_update(self) -> LinkUpdate:
        """What is to tell."""
        return self.talk.take_update(self._now_s, 0.0)

    def close(self) -> None:
        """Release everything."""
        self.release()
        self.advance(self._now_s + 0.1)

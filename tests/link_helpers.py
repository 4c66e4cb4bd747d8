"""A line between session and board in simulated time: late, lossy, out of order."""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable
from dataclasses import dataclass, field

from plan_helpers import reply_note

from callresp.io.score import ReplyHeader, ReplyScore
from callresp.link.board import SimulatedBoard
from callresp.link.framing import Deframer
from callresp.link.messages import Message, parse
from callresp.link.session import Session
from callresp.palette.files import load_palette
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.planner import make_plan

FETTLE = load_palette("fettle")
NAMES = [striker.name for striker in FETTLE.striker]


def messages_in(data: bytes) -> list[Message | None]:
    """What bytes of the line say; `None` for a message of no kind that is known."""
    return [parse(payload) for payload in Deframer().feed(data)]


def plan_of(count: int, step_s: float = 0.4, seed: int = 0) -> CheckedPlan:
    """A plan of so many strokes, about `step_s` apart."""
    rng = random.Random(seed)
    now, notes = 0.0, []
    for number in range(count):
        now += rng.uniform(0.5, 1.5) * step_s
        offset_s = rng.choice([None, now, now + 0.3])
        notes.append(reply_note(number, now, offset_s, rng.choice(NAMES), rng.random()))
    return make_plan(ReplyScore(header=ReplyHeader(), notes=tuple(notes)), FETTLE)


@dataclass
class Line:
    """Carries bytes both ways with delay and faults.

    `spoil` may change, drop or double a write; delays are drawn from the two
    ranges, so the line may be asymmetric, and writes may overtake each other.
    """

    session: Session
    board: SimulatedBoard
    to_board_s: tuple[float, float] = (0.001, 0.003)
    to_host_s: tuple[float, float] = (0.001, 0.003)
    spoil: Callable[[bytes, float], list[bytes]] = lambda data, now_s: [data]
    seed: int = 0
    step_s: float = 0.004
    now_s: float = 0.0
    _flying: list[tuple[float, int, str, bytes]] = field(default_factory=list)
    _count: int = 0

    def __post_init__(self) -> None:
        self._rng = random.Random(self.seed)

    def send(self, way: str, data: bytes, at_s: float | None = None) -> None:
        """Put bytes on the line, spoilt as the line spoils them; now, unless said otherwise."""
        leaves_s = self.now_s if at_s is None else at_s
        span = self.to_board_s if way == "board" else self.to_host_s
        for part in self.spoil(data, self.now_s) if data else []:
            self._count += 1
            arrives_s = leaves_s + self._rng.uniform(*span)
            heapq.heappush(self._flying, (arrives_s, self._count, way, part))

    def step(self, host_alive: bool = True) -> None:
        """Let a little time pass."""
        self.now_s += self.step_s
        while self._flying and self._flying[0][0] <= self.now_s:
            at_s, _, way, data = heapq.heappop(self._flying)
            if way == "board":
                self.send("host", self.board.receive(data, at_s), at_s)
            elif host_alive:
                self.session.receive(data, at_s)
        self.send("host", self.board.advance(self.now_s))
        if host_alive:
            self.send("board", self.session.poll(self.now_s))

    def run(self, until_s: float = 3600.0) -> None:
        """Until the session has finished, or `until_s`."""
        while not self.session.finished and self.now_s < until_s:
            self.step()


def true_errors_ms(line: Line) -> list[float]:
    """How far strokes lay from plan by the true time, which neither end knows."""
    errors = []
    board, session = line.board, line.session
    wanted = sorted(
        (sent.host_s, sent.command.channel) for sent in session.ended if sent.outcome == "executed"
    )
    rate, ahead_s = board._rate, board._ahead_s
    played = sorted(
        ((row.board_s - ahead_s) / rate, row.channel) for row in board.log if row.did == "on"
    )
    assert len(wanted) == len(played)
    by_channel: dict[int, list[float]] = {}
    for at_s, channel in played:
        by_channel.setdefault(channel, []).append(at_s)
    for at_s, channel in wanted:
        errors.append((by_channel[channel].pop(0) - at_s) * 1000)
    return errors


def longest_on_s(board: SimulatedBoard) -> dict[tuple[str, int], float]:
    """The longest time that each channel was on, by the board's own log."""
    since: dict[tuple[str, int], float] = {}
    longest: dict[tuple[str, int], float] = {}
    for row in sorted(board.log, key=lambda row: (row.board_s, row.did == "on")):
        key = (row.output, row.channel)
        if row.did == "on":
            assert key not in since, "on while on"
            since[key] = row.board_s
        else:
            longest[key] = max(longest.get(key, 0.0), row.board_s - since.pop(key))
    assert not since, "left on"
    return longest

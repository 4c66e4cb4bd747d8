"""The host's side of the line, as a pure state machine: bytes and the time in, bytes out.

Conventions
-----------
- Commands go out some seconds ahead of their time, as far as the board has
  room. What is not acknowledged is sent again; a copy that comes too late is
  refused by the board, and reported.
- A board that was reset, or that released everything because the host was
  silent, is sent again what still lies far enough ahead.
- A session streams one whole plan or, *open-ended*, one checked part after
  another.
- Each command ends with one *outcome*: a word of the board's (`OUTCOMES`), or
  "left off" (revoked in time, or muted), "not sent: too late", "stopped by the host",
  "fate unknown" (it was received, and its report was lost).
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field

from callresp.errors import UserError
from callresp.link.board_clock import BoardClock
from callresp.link.framing import Deframer, frame
from callresp.link.messages import (
    FAULTS,
    OUTCOMES,
    TICKS_PER_S,
    VERSION,
    Acknowledge,
    Cancel,
    Done,
    Hello,
    HelloAck,
    HoldAt,
    LightAt,
    Message,
    Sensed,
    SensorReadings,
    Status,
    Stop,
    StrikeAt,
    Timed,
    TimeReply,
    TimeRequest,
    TurnAt,
    parse,
    ticks_between,
    ticks_of,
)
from callresp.link.outputs import PULSES_PER_S, SPEEDS_PER_RPS
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.model import Command, Hold, Light, Strike

AHEAD_S = 3.0
LEAST_AHEAD_S = 0.02
START_LEAD_S = 1.0
HELLO_EVERY_S = 0.25
HEARTBEAT_EVERY_S = 0.06
RESEND_S = 0.1
RECEIPT_S = 0.06
WINDOW = 24
TRIPS_FIRST = 24
HEARTBEAT_FIRST_S = 0.02
LOST_AFTER_S = 1.0
END_MARGIN_S = 0.02
CANCEL_EVERY_S = 0.03
ERRORS_KEPT = 1000


class Session:
    """Streams one checked plan, or many parts of one.

    Parameters
    ----------
    checked
        Only a plan that passed the limits can be streamed. `None` opens a session whose
        commands all come by `add`.
    session
        A number that tells this session from the one before, 1 to 65,535.
    zero_s
        Host time of the plan's second 0. Given, the session is open-ended: it
        takes more by `add`, and has not finished before `close`. Otherwise it
        starts when the board's clock is known, and its coils have rested.
    ahead_s
        How far ahead commands go out; what has gone out can be taken back only
        by cancelling all that waits on the board.
    least_ahead_s
        What is later than this is not sent.
    """

    def __init__(
        self,
        checked: CheckedPlan | None,
        session: int = 1,
        *,
        zero_s: float | None = None,
        ahead_s: float = AHEAD_S,
        least_ahead_s: float = LEAST_AHEAD_S,
    ) -> None:
        if checked is None:
            self._commands: tuple[Command, ...] = ()
            zero_s = zero_s or 0.0
        else:
            _only_checked(checked)
            self._commands = checked.plan.commands
        self.clock = BoardClock()
        self.report = Report(commands=len(self._commands))
        self.hello_ack: HelloAck | None = None
        self.status: Status | None = None
        self.sensed = SensorReadings()
        self.start_s: float | None = None
        self._open = zero_s is not None
        self._ahead_s = ahead_s
        self._least_ahead_s = least_ahead_s
        self._cancel_s = -math.inf
        self._releasing = False
        self._muted: frozenset[str] = frozenset()
        self._session = session
        self._deframer = Deframer()
        self._trips = 0
        self._waiting: deque[SentCommand] = deque()
        self._flying: dict[int, SentCommand] = {}
        # Commands that are done, in the order in which that was learnt.
        self.ended: list[SentCommand] = []
        self._next = 0
        # How many more commands the board has room for.
        self.credit = 0
        self._hello_s = self._ask_s = -math.inf
        self._heard_s = -math.inf
        self._other_session = False
        self._forgotten = False
        # What the board held when the line was silent, and the stamp of the question after which
        # it is known what became of that.
        self._in_doubt: dict[int, SentCommand] = {}
        self._recalled: int | None = None
        self._now_s = -math.inf
        self._ends_s = -math.inf
        if zero_s is not None:
            self.start_s = zero_s
            self._enqueue(SentCommand(c, zero_s + c.at_s) for c in self._commands)

    def add(self, checked: CheckedPlan, zero_s: float | None = None) -> None:
        """Take further commands, in any order of time, into an open-ended session.

        `callresp.plan.checked_plan.Checker.admit` has judged them beside all that went before.
        `zero_s` is the host time of their second 0, where that has moved: the sound card's clock,
        by which live plans are timed, is not the host's.
        """
        _only_checked(checked)
        if not self._open or self.start_s is None:
            raise ValueError("a session that is not open-ended takes no more commands")
        self.start_s = self.start_s if zero_s is None else zero_s
        self.report.commands += len(checked.plan.commands)
        self._enqueue(SentCommand(c, self.start_s + c.at_s) for c in checked.plan.commands)

    def close(self) -> None:
        """No more will be added: finished when all that was has had its outcome."""
        self._open = False

    def revoke_after(self, host_s: float) -> int:
        """Revoke all that would begin at `host_s` or later; returns how many.

        What waits here is dropped. For what waits on the board all is cancelled
        there, and what is still wanted is sent again.
        """
        late = [sent for sent in self._waiting if sent.host_s >= host_s]
        self._waiting = deque(sent for sent in self._waiting if sent.host_s < host_s)
        for sent in late:
            self._end(sent, "left off")
        flying = [sent for sent in self._flying.values() if sent.host_s >= host_s]
        for sent in flying:
            sent.revoked = True
        self._cancel_s = -math.inf
        return len(late) + len(flying)

    def release(self, now_s: float) -> None:
        """Release everything now, revoke what was to come, and go on."""
        self.revoke_after(now_s)
        self._releasing = True

    def mute(self, names: Collection[str], now_s: float, release: bool = False) -> None:
        """Leave off all of these instruments, and only these, from now on.

        What sounds goes on to its own end, unless it is to `release` every coil and motor at
        once. What was left off stays so: commands go out ahead of their time, and so an
        instrument is back that much later.
        """
        self._muted = frozenset(names)
        for sent in self._flying.values():
            if sent.host_s > now_s and sent.command.instrument in self._muted:
                sent.revoked = True
        self._releasing |= release
        self._cancel_s = -math.inf

    def take_ended(self) -> list[SentCommand]:
        """Commands that ended since this was last asked; keeps an endless session small."""
        over, self.ended = self.ended, []
        del self.report.errors_ms[:-ERRORS_KEPT]
        return over

    def _enqueue(self, fresh: Iterable[SentCommand]) -> None:
        self._waiting = deque(sorted((*self._waiting, *fresh), key=lambda sent: sent.host_s))

    @property
    def finished(self) -> bool:
        """Whether every command has had its outcome, and what it switched on is off again.

        Until then the heartbeat goes on: a board that hears nothing would let
        go of a damper in the middle of a ring.
        """
        if self._open or self.start_s is None or self._waiting or self._flying:
            return False
        return self._now_s >= self._ends_s

    @property
    def resting(self) -> bool:
        """Whether the board lets its coils rest first; a plan does not begin before."""
        return "coils resting" in self.report.faults

    @property
    def busy(self) -> bool:
        """Whether commands wait or are under way."""
        return bool(self._waiting or self._flying)

    def lost(self, now_s: float) -> bool:
        """Whether the board has not been heard of for a second."""
        return self.hello_ack is not None and now_s - self._heard_s > LOST_AFTER_S

    def stop(self) -> bytes:
        """Stop everything: bytes that must go out now."""
        for sent in [*self._waiting, *self._flying.values()]:
            self._end(sent, "stopped by the host")
        self._waiting.clear()
        self._flying.clear()
        return frame(Stop(0).pack())

    def receive(self, data: bytes, now_s: float) -> bool:
        """Take bytes from the line; returns whether a message was among them."""
        messages = [parse(payload) for payload in self._deframer.feed(data)]
        for message in messages:
            if message is not None:
                self._notice_silence(now_s)
                self._heard_s = now_s
                self._hear(message, now_s)
        self.report.damaged = self._deframer.damaged
        return any(message is not None for message in messages)

    def poll(self, now_s: float) -> bytes:
        """Bytes that should go out by now."""
        self._now_s = now_s
        if self._open:
            self._expire(now_s)
        if self.hello_ack is None or self._other_session or self.lost(now_s):
            if now_s - self._hello_s < HELLO_EVERY_S:
                return b""
            self._hello_s = now_s
            return frame(Hello(VERSION, self._session).pack())
        out = self._recall(now_s)
        pace_s = HEARTBEAT_EVERY_S if self._trips >= TRIPS_FIRST else HEARTBEAT_FIRST_S
        if now_s - self._ask_s >= pace_s:
            self._ask_s = now_s
            out += frame(TimeRequest(ticks_of(now_s)).pack())
        if self._trips < TRIPS_FIRST:
            return out
        if self.start_s is None and not self.resting:
            self._begin(now_s)
        return out + self._cancel(now_s) + self._resend(now_s) + self._send(now_s)

    def _expire(self, now_s: float) -> None:
        """What could not go out in time, as while the board was away, never will."""
        while self._waiting and self._waiting[0].host_s < now_s + self._least_ahead_s:
            self._end(self._waiting.popleft(), "not sent: too late")

    def _cancel(self, now_s: float) -> bytes:
        """Again and again while something revoked may still wait, or sound, on the board."""
        if now_s - self._cancel_s < CANCEL_EVERY_S:
            return b""
        waits = any(sent.revoked and sent.host_s > now_s for sent in self._flying.values())
        if not (waits or self._releasing):
            return b""
        self._cancel_s = now_s
        return frame((Stop(0) if self._releasing else Cancel(0)).pack())

    def _notice_silence(self, now_s: float) -> None:
        """After a silence in which the board may have cancelled all, and its reports been lost.

        Answers that a busy host reads late are no silence of the board's.
        """
        gap_s = now_s - self._heard_s - 2 * HEARTBEAT_EVERY_S
        if self.hello_ack and gap_s > self.hello_ack.silence_ms / 1000:
            self._in_doubt, self._recalled = dict(self._flying), None

    def _recall(self, now_s: float) -> bytes:
        """Cancel what may still wait on the board; the answer to the question comes behind.

        Twice: where a cancel is lost, the board has both copies and refuses the second.
        """
        if not self._in_doubt or self._recalled is not None:
            return b""
        self._recalled, self._ask_s = ticks_of(now_s), now_s
        return 2 * frame(Cancel(0).pack()) + frame(TimeRequest(self._recalled).pack())

    def _settle_doubt(self, host_ticks: int, now_s: float) -> None:
        """Send again what the board no longer holds and still lies far enough ahead."""
        if self._recalled is None or ticks_between(self._recalled, host_ticks) < 0:
            return
        for number, sent in self._in_doubt.items():
            ahead = sent.host_s > now_s + self._least_ahead_s and not sent.revoked
            # A number that the board still lacks must come, or it takes none beyond.
            if ahead and sent.acknowledged and self._flying.get(number) is sent:
                del self._flying[number]
                self._enqueue([sent])
        self._in_doubt, self._recalled = {}, None

    def _begin(self, now_s: float) -> None:
        first_s = min((command.at_s for command in self._commands), default=0.0)
        self.start_s = now_s + START_LEAD_S - first_s
        self._waiting = deque(SentCommand(c, self.start_s + c.at_s) for c in self._commands)

    def _send(self, now_s: float) -> bytes:
        out = b""
        ahead_s = min(self._ahead_s, self.clock.sure_ahead_s)
        while self._waiting and self.credit > 0 and not self._behind(now_s):
            sent = self._waiting[0]
            if sent.host_s > now_s + ahead_s or self._window_full():
                break
            self._waiting.popleft()
            if sent.command.instrument in self._muted:
                self._end(sent, "left off")
                continue
            if sent.host_s < now_s + self._least_ahead_s:
                self._end(sent, "not sent: too late")
                continue
            sent.sequence = self._next
            self._next = (self._next + 1) % 256
            sent.acknowledged = False
            self.credit -= 1
            self._flying[sent.sequence] = sent
            out += self._frame(sent, now_s)
        return out

    def _behind(self, now_s: float) -> bool:
        """Whether an earlier command still lacks its receipt: it goes before new ones."""
        return any(
            not sent.acknowledged and now_s - sent.sent_s > RECEIPT_S
            for sent in self._flying.values()
        )

    def _window_full(self) -> bool:
        return any(
            (self._next - number) % 256 >= WINDOW
            for number, sent in self._flying.items()
            if not sent.acknowledged
        )

    def _frame(self, sent: SentCommand, now_s: float) -> bytes:
        assert sent.sequence is not None
        sent.sent_s = now_s
        at = ticks_of(self.clock.board_s(sent.host_s))
        return frame(encode(sent.command, sent.sequence, at).pack())

    def _resend(self, now_s: float) -> bytes:
        out = b""
        for sent in self._flying.values():
            if not sent.acknowledged and now_s - sent.sent_s > RESEND_S:
                self.report.resent += 1
                out += self._frame(sent, now_s)
        for sent in [s for s in self._flying.values() if now_s > s.host_s + 1.0]:
            # One without receipt is sent on: the board refuses it as late, and says so.
            if sent.acknowledged and sent.sequence is not None:
                del self._flying[sent.sequence]
                self._end(sent, "fate unknown")
        return out

    def _hear(self, message: Message, now_s: float) -> None:
        if isinstance(message, HelloAck):
            self._on_hello_ack(message)
        elif isinstance(message, TimeReply):
            self._on_time_reply(message, now_s)
        elif isinstance(message, Acknowledge):
            self._on_acknowledge(message)
        elif isinstance(message, Done):
            self._on_done(message, now_s)
        elif isinstance(message, Sensed):
            self.sensed = message.known
        elif isinstance(message, Status):
            self.status = message
            # The board answers a stop with its status.
            if self._cancel_s > -math.inf:
                self._releasing = False
            self.report.faults = tuple(
                name for bit, name in enumerate(FAULTS) if message.faults >> bit & 1
            )

    def _on_hello_ack(self, message: HelloAck) -> None:
        if message.version != VERSION:
            raise UserError(
                f"the board speaks version {message.version} of the protocol, not {VERSION}",
                remedy="load its firmware from this callresp",
            )
        if message.session != self._session:
            return
        before, self.hello_ack = self.hello_ack, message
        self._other_session = False
        if before is None:
            self.credit = message.buffer
        elif self._forgotten or before.restarts != message.restarts:
            self._forgotten = False
            self.report.resets += 1
            self._resume_after_reset(message.buffer)

    def _resume_after_reset(self, buffer: int) -> None:
        """After a reset the board knows nothing: send again what lies far enough ahead."""
        flying = [sent for sent in self._flying.values() if not sent.revoked]
        for sent in self._flying.values():
            if sent.revoked:
                self._end(sent, "left off")
        self._flying.clear()
        self._next, self.credit = 0, buffer
        self.clock = BoardClock()
        self._trips = 0
        self._enqueue(flying)

    def _on_time_reply(self, message: TimeReply, now_s: float) -> None:
        self._other_session = message.session != self._session
        if self._other_session:
            # It knows us no more: it was reset, though its count of restarts may not tell, as
            # after a loss of power. A session of another number makes sure that it forgets all.
            if not self._forgotten:
                self._forgotten = True
                self._session = self._session % 65535 + 1
            return
        self._settle_doubt(message.host_ticks, now_s)
        self._trips += self.clock.learn_reply(message.host_ticks, message.board_ticks, now_s)
        if (off := self.clock.too_far_off) is not None:
            raise UserError(
                f"the board's clock runs {abs(off):.1%} too {'fast' if off > 0 else 'slow'}",
                remedy="it needs a crystal: 0.02 % is good, and 1 % the most that is followed",
            )

    def _on_acknowledge(self, message: Acknowledge) -> None:
        for number, sent in self._flying.items():
            ahead = (number - message.expected) % 256
            if ahead >= 128 or (ahead > 0 and message.beyond >> (ahead - 1) & 1):
                sent.acknowledged = True
        under_way = sum(not sent.acknowledged for sent in self._flying.values())
        self.credit = max(message.credit - under_way, 0)

    def _on_done(self, message: Done, now_s: float) -> None:
        sent = self._flying.pop(message.sequence, None)
        if sent is None:
            return
        outcome = OUTCOMES[message.outcome] if message.outcome < len(OUTCOMES) else "unknown"
        if outcome == "cancelled" and sent.revoked:
            self._end(sent, "left off")
            return
        if outcome == "cancelled" and sent.host_s > now_s + self._least_ahead_s:
            self._enqueue([sent])
            return
        sent.played_s = self.clock.host_s_of(message.at, sent.host_s)
        if outcome == "executed":
            self.report.errors_ms.append((sent.played_s - sent.host_s) * 1000)
        self._end(sent, outcome)

    def _end(self, sent: SentCommand, outcome: str) -> None:
        if outcome in ("executed", "fate unknown"):
            end_s = sent.host_s + sent.command.length_ms / 1000 + END_MARGIN_S
            self._ends_s = max(self._ends_s, end_s)
        sent.outcome = outcome
        self.report.outcomes[outcome] += 1
        self.ended.append(sent)
        if self.clock.known:
            self.report.drift_ppm = self.clock.drift_ppm


def _only_checked(checked: object) -> None:
    if not isinstance(checked, CheckedPlan):
        raise TypeError("only a CheckedPlan can be streamed")


@dataclass(slots=True)
class SentCommand:
    """A command under way or ended; `host_s` is when it is due on the host's clock."""

    command: Command
    host_s: float
    sequence: int | None = None
    sent_s: float = -math.inf
    acknowledged: bool = False
    outcome: str | None = None
    played_s: float | None = None
    revoked: bool = False


@dataclass(slots=True)
class Report:
    """What became of a plan's commands, and how the line did."""

    commands: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    errors_ms: list[float] = field(default_factory=list)
    resent: int = 0
    damaged: int = 0
    resets: int = 0
    drift_ppm: float = 0.0
    faults: tuple[str, ...] = ()

    @property
    def played(self) -> int:
        """How many commands the board executed."""
        return self.outcomes["executed"]


def encode(command: Command, sequence: int, at: int) -> Timed:
    """The message of a command; lengths are rounded down, so that no limit is passed.

    Parameters
    ----------
    command
        Of a checked plan.
    sequence
        0 to 255.
    at
        When, in ticks of the board's clock.
    """
    if isinstance(command, Strike):
        pulse = max(math.floor(command.pulse_ms / 1000 * PULSES_PER_S + 1e-6), 1)
        return StrikeAt(sequence, command.channel, at, pulse)
    if isinstance(command, Hold):
        length = max(math.floor(command.hold_ms / 1000 * TICKS_PER_S), 1)
        pull = min(math.floor(command.pull_ms / 1000 * TICKS_PER_S), length, 65535)
        return HoldAt(sequence, command.channel, at, length, pull, int(command.hold_duty * 255))
    if isinstance(command, Light):
        return LightAt(sequence, command.channel, at, round(command.level * 255))
    length = max(math.floor(command.run_ms / 1000 * TICKS_PER_S), 1)
    speed = round(command.speed_rps * SPEEDS_PER_RPS)
    return TurnAt(sequence, command.channel, at, length, speed)

"""A simulated board: the line's other end, with its own drifting clock.

Goal
----
Say and do what the firmware must: take commands in any order once each, play
them on its own clock, give every channel its end, refuse what breaks a limit,
and release everything when the host falls silent. It trusts nobody: limits
that the planner has kept are kept here again.

Conventions
-----------
A pure state machine: bytes and the true time in, bytes out. The true time is
any steady clock; the board's own runs `drift_ppm` fast against it and was
`ahead_s` ahead at 0. What happens between two calls happens at its own due
time, not at the call's, as a timer interrupt would have it.
"""

from __future__ import annotations

import heapq
import itertools
import math
from dataclasses import dataclass, field

import msgspec

from callresp.link.framing import Deframer, frame
from callresp.link.messages import (
    DRY_RUN,
    FAULTS,
    NO_AIR,
    NO_BYTE,
    NO_LUX,
    OUTCOMES,
    SLEEP_AFTER_MOST_S,
    SLEEP_MOST_S,
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
    SleepFor,
    Sleeping,
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
from callresp.link.outputs import ActiveOutput, Outputs, RetainedState, SupplyMonitor, worst_state
from callresp.palette.model import Palette

FIRMWARE = 5
WINDOW = 32
# A command may come this late and still be played; later it is refused and reported.
GRACE_S = 0.002
STATUS_EVERY_S = 1.0
LOW_VOLTAGE, SILENCE, _, DAMAGED, RAIN, STOPPED, JAMMED, RESTING = (
    1 << bit for bit in range(len(FAULTS))
)
# One receipt stands for all that came since the last: or receipts would fill the line.
RECEIPT_EVERY_S = 0.005
SENSED_EVERY_S = 5.0
# Without a host for so long it sleeps until it is called; roused, it waits for so long.
IDLE_S, ROUSED_S = 600.0, 2.0


@dataclass(order=True)
class _Queued:
    at_s: float
    order: int
    message: Timed = field(compare=False)


def lamp_of(palette: Palette, output: str, channel: int) -> int:
    """The light that shows an output in a dry run: all outputs in turn over all lights."""
    number = channel if output == "coil" else palette.board.coil_channels + channel
    return number % palette.board.lights


class SwitchRow(msgspec.Struct, frozen=True, kw_only=True):
    """One line of the board's log: what a channel did, on the board's clock."""

    board_s: float
    channel: int
    output: str
    did: str
    planned_s: float | None = None
    sequence: int | None = None


class SimulatedBoard:
    """The board as its firmware sees itself.

    Parameters
    ----------
    palette
        Its channels and limits.
    drift_ppm, ahead_s
        Of its clock against the true time.
    dry_run
        Light lamps instead of switching coils and motors; limits are kept all the same.
    """

    def __init__(
        self,
        palette: Palette,
        *,
        drift_ppm: float = 0.0,
        ahead_s: float = 0.0,
        dry_run: bool = False,
    ) -> None:
        self.palette = palette
        self._dry_run = dry_run
        # What the supply gives now; who simulates a flat battery sets it.
        self.volts = palette.supply.nominal_v
        # Motors whose shafts do not turn; who simulates a jam puts one in.
        self.stuck: set[int] = set()
        # What its sensors read; one without any has none to tell.
        self.sensed: SensorReadings | None = None
        self._rate = 1 + drift_ppm * 1e-6
        self._ahead_s = ahead_s
        self.restarts = 0
        self.log: list[SwitchRow] = []
        self._order = itertools.count()
        self._start(0.0, None)

    def _start(self, now_s: float, kept: RetainedState | None) -> None:
        self._deframer = Deframer()
        self._queue: list[_Queued] = []
        self._outputs = Outputs(self.palette, kept, self.clock_s(now_s))
        self._expected = 0
        self._beyond: set[int] = set()
        self._session = 0
        self._executed = 0
        self._refused = 0
        self._faults = 0
        self._heard_s = self.clock_s(now_s)
        self._silent = True
        self._status_s = self._heard_s
        self._owes = False
        self._receipt_s = -math.inf
        flat = kept is not None and kept.flat
        self._supply = SupplyMonitor(self.palette.supply.cutoff_v, self.volts, self._heard_s, flat)
        if flat:
            self._faults |= LOW_VOLTAGE
        if self._outputs.rested_s > self._heard_s:
            self._faults |= RESTING
        self._sensed_s = self._idle_s = self._awake_until_s = self._heard_s
        self._asleep = False
        # From when to when it was told to sleep.
        self._told: tuple[float, float] | None = None

    def clock_s(self, now_s: float) -> float:
        """The board's clock at a true time."""
        return self._ahead_s + now_s * self._rate

    def reset(self, now_s: float, power_lost: bool = False) -> None:
        """Start again: all off, no session. What coils, motors and battery had is kept.

        Not so where power was lost: then the worst that can have been is assumed till it has
        rested.
        """
        self.advance(now_s)
        board_s = self.clock_s(now_s)
        kept = self._outputs.kept(board_s, self._supply.flat)
        self._release(board_s, "reset")
        self.restarts += 1
        self._start(now_s, worst_state(self.palette) if power_lost else kept)

    def press_stop(self, now_s: float) -> bytes:
        """The stop on the board itself: all off, and nothing more until it starts anew."""
        out, board_s = self.advance(now_s), self.clock_s(now_s)
        self._faults |= STOPPED
        self._release(board_s, "stop pressed")
        return out + self._cancel(board_s) + frame(self._status(board_s).pack())

    def sense_rain(self, rains: bool) -> None:
        """What a rain sensor says; the host is told, and decides."""
        self._faults = self._faults | RAIN if rains else self._faults & ~RAIN

    @property
    def on_channels(self) -> list[ActiveOutput]:
        """What is on now."""
        return self._outputs.on

    @property
    def lights(self) -> list[int]:
        """How bright each light is, 0 to 255; in a dry run a lamp shows what would be on."""
        lights = list(self._outputs.lights)
        if self._dry_run and lights:
            for item in self._outputs.on:
                lights[lamp_of(self.palette, item.output, item.channel)] = 255
        return lights

    def receive(self, data: bytes, now_s: float) -> bytes:
        """Take bytes from the line at a true time; return bytes for it."""
        out = self.advance(now_s)
        if data and self._asleep:
            # What wakes a chip is lost: its clocks stood.
            self._wake(self.clock_s(now_s), roused=True)
            return out
        before = self._deframer.damaged
        for payload in self._deframer.feed(data):
            message = parse(payload)
            if message is None:
                continue
            self._heard_s = self.clock_s(now_s)
            out += self._hear(message, self.clock_s(now_s))
            # Once it is told to sleep the session is over, which is no fault.
            self._silent = self._told is not None
            if not self._silent:
                self._idle_s = self._heard_s
        if self._deframer.damaged > before:
            self._faults |= DAMAGED
        return out + self._receipt(self.clock_s(now_s))

    def advance(self, now_s: float) -> bytes:
        """Do all that is due by a true time; return bytes for the line."""
        board_s = self.clock_s(now_s)
        out = b""
        self._fall_asleep(board_s)
        if self._asleep:
            return out
        while True:
            due_s = self._queue[0].at_s if self._queue else math.inf
            end_s = self._outputs.next_end_s
            silence_s = self._silence_s()
            look_s = self._outputs.next_look_s
            first_s = min(due_s, end_s, silence_s, look_s)
            if not self._outputs.on:
                self._supply.skip(self.volts, min(first_s, board_s))
            if min(first_s, self._supply.next_s) > board_s:
                break
            if self._supply.next_s < first_s:
                out += self._read_supply()
            elif first_s == end_s:
                self._log_ended(self._outputs.end_due(end_s))
            elif first_s == look_s:
                out += self._look_at_motors(look_s)
            elif first_s == silence_s:
                out += self._fall_silent(silence_s)
            else:
                out += self._execute(heapq.heappop(self._queue))
        if self._faults & RESTING and board_s >= self._outputs.rested_s:
            self._faults &= ~RESTING
            self._status_s = board_s - STATUS_EVERY_S
        # Before the status: who asks for that has then heard what the sensors read.
        if self.sensed is not None and board_s - self._sensed_s >= SENSED_EVERY_S:
            self._sensed_s = board_s
            out += frame(_packed(self.sensed).pack())
        if board_s - self._status_s >= STATUS_EVERY_S:
            self._status_s = board_s
            out += frame(self._status(board_s).pack())
        return out + self._receipt(board_s)

    def _fall_asleep(self, board_s: float) -> None:
        """Fall asleep, and wake again, as far as that was due."""
        if self._told is not None:
            from_s, until_s = self._told
            if board_s >= until_s:
                self._told = None
                self._wake(until_s, roused=False)
            else:
                self._asleep = board_s >= max(from_s, self._awake_until_s)
        elif self._silent and not self._outputs.on and not self._queue:
            self._asleep = board_s >= max(self._idle_s + IDLE_S, self._awake_until_s)

    def _wake(self, board_s: float, roused: bool) -> None:
        self._asleep = False
        self._awake_until_s = board_s + (ROUSED_S if roused else 0.0)
        if not roused:
            self._idle_s = board_s
        self._status_s = board_s - STATUS_EVERY_S
        self._sensed_s = board_s
        self._deframer = Deframer()
        self._supply = self._supply.restarted(self.volts, board_s)

    def _read_supply(self) -> bytes:
        at_s = self._supply.next_s
        if not self._supply.read(self.volts, bool(self._outputs.on)):
            return b""
        if not self._supply.flat:
            self._faults &= ~LOW_VOLTAGE
            return frame(self._status(at_s).pack())
        # A flat battery is spared until it has been good again for a while.
        self._faults |= LOW_VOLTAGE
        self._release(at_s, "low voltage")
        return self._cancel(at_s) + frame(self._status(at_s).pack())

    def _look_at_motors(self, at_s: float) -> bytes:
        off, told = self._outputs.look(at_s, set() if self._dry_run else self.stuck)
        if off:
            self._supply.load_off(at_s)
        for switched in off:
            self._row(at_s, switched, "off: jammed")
        self._faults = self._faults | JAMMED if self._outputs.jammed else self._faults & ~JAMMED
        return frame(self._status(at_s).pack()) if told else b""

    def _silence_s(self) -> float:
        if self._silent:
            return math.inf
        return self._heard_s + self.palette.board.silence_ms / 1000

    def _fall_silent(self, at_s: float) -> bytes:
        self._silent = True
        self._faults |= SILENCE
        self._release(at_s, "silence")
        return self._cancel(at_s)

    def _release(self, at_s: float, why: str) -> None:
        if self._outputs.on:
            self._supply.load_off(at_s)
        for switched in self._outputs.release_all():
            self._row(at_s, switched, f"off: {why}")

    def _cancel(self, at_s: float) -> bytes:
        waiting, self._queue = self._queue, []
        out = b""
        for item in waiting:
            out += self._done(item.message.sequence, at_s, "cancelled")
        return out

    def _hear(self, message: Message, board_s: float) -> bytes:
        if isinstance(message, Hello):
            return self._hello_ack(message, board_s)
        if isinstance(message, TimeRequest):
            return frame(TimeReply(message.host_ticks, ticks_of(board_s), self._session).pack())
        if isinstance(message, StrikeAt | HoldAt | TurnAt | LightAt):
            return self._take(message, board_s)
        if isinstance(message, Cancel):
            return self._cancel(board_s) + self._acknowledge()
        if isinstance(message, Stop):
            self._release(board_s, "stop")
            return self._cancel(board_s) + self._acknowledge() + frame(self._status(board_s).pack())
        if isinstance(message, SleepFor):
            return self._sleep_for(message, board_s)
        return b""

    def _sleep_for(self, message: SleepFor, board_s: float) -> bytes:
        if self._session == 0 and self._told is None:
            return b""
        seconds = min(message.seconds, SLEEP_MOST_S)
        after_s = min(message.after_s, SLEEP_AFTER_MOST_S)
        out = b""
        if seconds > 0:
            self._release(board_s, "told to sleep")
            out = self._cancel(board_s)
            self._session, self._awake_until_s = 0, board_s
            self._told = board_s + after_s, board_s + after_s + seconds
        return out + frame(Sleeping(seconds, after_s).pack())

    def _hello_ack(self, hello: Hello, board_s: float) -> bytes:
        self._told = None  # somebody is there
        self._sensed_s = board_s - SENSED_EVERY_S  # and is told at once what the sensors read
        if hello.version != VERSION:
            # The answer tells the host so; nothing that it sends is taken.
            self._release(board_s, "another version")
            self._queue.clear()
            self._session = 0
        elif hello.session != self._session:
            # Another session's commands must not sound in this one.
            self._release(board_s, "new session")
            self._queue.clear()
            self._session = hello.session
            self._expected, self._beyond = 0, set()
        board = self.palette.board
        hello_ack = HelloAck(
            VERSION,
            hello.session,
            FIRMWARE,
            board.coil_channels,
            board.motor_channels,
            min(board.buffer, 255),
            round(board.silence_ms),
            self.restarts,
            board.lights,
            DRY_RUN if self._dry_run else 0,
        )
        # The host must know it before it begins a plan.
        resting = frame(self._status(board_s).pack()) if self._faults & RESTING else b""
        return frame(hello_ack.pack()) + resting

    def _take(self, message: Timed, board_s: float) -> bytes:
        if self._session == 0:
            # Just started: whatever this command belongs to, the host must say hello first.
            return b""
        ahead = (message.sequence - self._expected) % 256
        fresh = ahead < WINDOW and message.sequence not in self._beyond
        wait_s = ticks_between(ticks_of(board_s), message.at) / TICKS_PER_S
        late = wait_s < -GRACE_S
        full = len(self._queue) >= self.palette.board.buffer
        self._owes = True
        if not fresh or (full and not late):
            return b""
        self._beyond.add(message.sequence)
        while self._expected in self._beyond:
            self._beyond.remove(self._expected)
            self._expected = (self._expected + 1) % 256
        if late:
            self._refused += 1
            return self._done(message.sequence, board_s, "late")
        at_s = board_s + max(wait_s, 0.0)
        heapq.heappush(self._queue, _Queued(at_s, next(self._order), message))
        return b""

    def _receipt(self, board_s: float) -> bytes:
        """A receipt where one is owed, and the last is not too fresh."""
        if not self._owes or board_s - self._receipt_s < RECEIPT_EVERY_S:
            return b""
        self._receipt_s = board_s
        return self._acknowledge()

    def _acknowledge(self) -> bytes:
        self._owes = False
        beyond = 0
        for sequence in self._beyond:
            beyond |= 1 << ((sequence - self._expected) % 256 - 1)
        credit = min(self.palette.board.buffer - len(self._queue), 255)
        return frame(Acknowledge(self._expected, beyond, max(credit, 0)).pack())

    def _execute(self, item: _Queued) -> bytes:
        message = item.message
        if isinstance(message, LightAt):
            return self._shine(message, item.at_s)
        outcome, switched = "over a limit", None
        if not self._faults & (STOPPED | LOW_VOLTAGE):
            outcome, switched = self._outputs.switch(message, item.at_s)
        if switched is not None:
            self._executed += 1
            self._row(item.at_s, switched, "on", message)
        else:
            self._refused += 1
        # The place in the buffer is free again: say so, or a small buffer would stand idle.
        self._owes = True
        return self._done(message.sequence, item.at_s, outcome)

    def _shine(self, message: LightAt, at_s: float) -> bytes:
        outcome = self._outputs.light(message)
        if outcome == "executed":
            self._executed += 1
            self.log.append(
                SwitchRow(
                    board_s=round(at_s, 6),
                    channel=message.channel,
                    output="light",
                    did="on" if message.level else "off",
                    planned_s=round(at_s, 6),
                    sequence=message.sequence,
                )
            )
        else:
            self._refused += 1
        self._owes = True
        return self._done(message.sequence, at_s, outcome)

    def _log_ended(self, ended: list[ActiveOutput]) -> None:
        for switched in ended:
            self._supply.load_off(switched.until_s)
            self._row(switched.until_s, switched, "off")

    def _row(
        self, at_s: float, switched: ActiveOutput, did: str, message: Timed | None = None
    ) -> None:
        self.log.append(
            SwitchRow(
                board_s=round(at_s, 6),
                channel=switched.channel,
                output="lamp" if self._dry_run else switched.output,
                did=did,
                planned_s=None if message is None else round(at_s, 6),
                sequence=None if message is None else message.sequence,
            )
        )

    def _done(self, sequence: int, at_s: float, outcome: str) -> bytes:
        return frame(Done(sequence, ticks_of(at_s), OUTCOMES.index(outcome)).pack())

    def _status(self, at_s: float) -> Status:
        millivolts = round(self._supply.volts * 1000)
        return Status(
            millivolts,
            round(self.palette.ambient_c),
            round(self._outputs.hottest_c(at_s)),
            self._executed % 65536,
            self._refused % 65536,
            self._faults,
        )


def _packed(read: SensorReadings) -> Sensed:
    """Readings as the line has them."""
    return Sensed(
        NO_LUX if read.lux is None else read.lux,
        NO_AIR if read.air_c is None else round(read.air_c * 100),
        NO_BYTE if read.humidity_pct is None else read.humidity_pct,
        NO_BYTE if read.rain is None else int(read.rain),
    )

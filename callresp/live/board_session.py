"""One board for a whole day: an open session while it is wanted, sleep while it is not.

Conventions
-----------
- A board that is not wanted for some minutes is told to sleep. Its slow clock may err by a share
  of the night: it is told that much less, is greeted from the earliest time at which it may wake by
  itself, and sleeps again for most of what is left. So it is awake in time even where no byte can
  wake it.
- No session outlives a sleep: the next begins as after a start, its clock learnt anew.
- A host that dies in the night leaves a board with all released, which wakes at the time that
  it was told, waits ten minutes for a host, and sleeps until it is called.
"""

from __future__ import annotations

from typing import Literal

from callresp.link.framing import Deframer, frame
from callresp.link.messages import (
    SLEEP_MOST_S,
    SLEEPS_SINCE_FIRMWARE,
    SleepFor,
    Sleeping,
    parse,
)
from callresp.link.port import AGAIN_S, ANSWER_S
from callresp.link.session import SentCommand, Session
from callresp.live.actions import BoardState, CommandOutcome, LinkUpdate, Notice

# Little goes out ahead, so that little has to be taken back.
SEND_AHEAD_S = 0.4
# What has less time than this on its way to the board is not sent.
LEAST_AHEAD_S = 0.008
# A board's slow clock on a cold night errs by some percent (`firmware/README.md`).
SLEEP_CLOCK_ERROR = 0.05
# Awake so long before it is wanted: greeted, its clock known, its battery read.
WAKE_BEFORE_S = 60.0
LEAST_SLEEP_S = 300
# Awake so long between sleeps, so that a status row of the log has what it read.
LEAST_AWAKE_S = 15.0
# A board that is called and has not answered by then is away.
WAKING_S = 10.0


class LiveSession:
    """One board on a line; bytes and times are the caller's.

    Parameters
    ----------
    session
        A number that tells this session from the one before.
    """

    def __init__(self, session: int) -> None:
        self._number = session
        self.session = self._opened()
        self.waits_s: list[float] = []
        self._ended: list[SentCommand] = []
        self._notices: list[Notice] = []
        self._state: Literal["awake", "told", "asleep"] = "awake"
        self._can_sleep = True
        # From when on it is wanted awake; while it sleeps, when it may wake by itself at the
        # earliest, from when on it is greeted, and at the latest.
        self._awake_from_s = self._greets_s = self._overdue_s = float("-inf")
        self._up_since_s: float | None = None
        self._asked_s = self._waking_until_s = float("-inf")
        self._seconds = 0
        self._deframer = Deframer()

    def _opened(self) -> Session:
        return Session(None, self._number, ahead_s=SEND_AHEAD_S, least_ahead_s=LEAST_AHEAD_S)

    def up(self, now_s: float) -> bool:
        """Whether the board is there and its clock is known."""
        session = self.session
        return session.hello_ack is not None and session.clock.known and not session.lost(now_s)

    def asleep(self, now_s: float) -> bool:
        """Whether it sleeps as it was told, or has just been called."""
        return self._state != "awake" or (now_s < self._waking_until_s and not self.up(now_s))

    def may_sleep(self, until_s: float | None) -> None:
        """The board is not wanted before `until_s`, or (`None`) is wanted now."""
        self._awake_from_s = float("-inf") if until_s is None else until_s - WAKE_BEFORE_S

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes from the line."""
        if self._state == "awake":
            self.session.receive(data, now_s)
            if self._waking_until_s > float("-inf") and self.up(now_s):
                self._waking_until_s = float("-inf")
                if self._can_sleep:
                    self._notices.append(Notice("the board is awake", fault=False))
            return
        for payload in self._deframer.feed(data):
            message = parse(payload)
            if isinstance(message, Sleeping) and self._state == "told":
                self._falls_asleep(message, now_s)

    def _falls_asleep(self, told: Sleeping, now_s: float) -> None:
        if told.seconds == 0:
            self._state, self._can_sleep = "awake", False
            # It is there: only its clock has to be learnt anew.
            self._waking_until_s = now_s + WAKING_S
            self._notices.append(Notice("this board can't sleep: it stays awake", fault=False))
            return
        self._state = "asleep"
        self._greets_s = now_s + told.seconds * (1 - SLEEP_CLOCK_ERROR)
        self._overdue_s = now_s + told.seconds * (1 + SLEEP_CLOCK_ERROR)
        hours, minutes = divmod(round(told.seconds / 60), 60)
        text = f"the board sleeps for {hours} h {minutes:02d} min, its drivers powered down"
        self._notices.append(Notice(text, fault=False))

    def poll(self, now_s: float) -> bytes:
        """Bytes that should go out by now."""
        if self._state == "awake":
            self._tell_to_sleep(now_s)
        if self._state != "awake" and now_s >= min(self._greets_s, self._awake_from_s):
            late_s = min(self._overdue_s, self._awake_from_s)
            self._state, self._waking_until_s = "awake", max(now_s, late_s) + WAKING_S
        if self._state == "awake":
            return self.session.poll(now_s)
        if self._state == "asleep" or now_s - self._asked_s < AGAIN_S:
            return b""
        self._asked_s = now_s
        return frame(SleepFor(self._seconds, 0).pack())

    def _tell_to_sleep(self, now_s: float) -> None:
        """Where it is there, has nothing to do, and is not wanted for long enough."""
        if not self.up(now_s):
            self._up_since_s = None
            return
        if self._up_since_s is None:
            self._up_since_s = now_s
        spare_s = (self._awake_from_s - now_s) / (1 + SLEEP_CLOCK_ERROR)
        rested = now_s - self._up_since_s >= LEAST_AWAKE_S
        if spare_s < LEAST_SLEEP_S or not rested or self.session.busy or not self._can_sleep:
            return
        known = self.session.hello_ack
        if known is not None and known.firmware < SLEEPS_SINCE_FIRMWARE:
            self._can_sleep = False
            text = "this board's firmware knows no sleep: it stays awake"
            self._notices.append(Notice(text, fault=False))
            return
        self._state, self._seconds = "told", int(min(spare_s, SLEEP_MOST_S))
        self._greets_s = self._overdue_s = now_s + ANSWER_S
        self._asked_s = float("-inf")
        self._ended += self.session.take_ended()
        self._number = self._number % 65535 + 1
        self.session, self._deframer, self._up_since_s = self._opened(), Deframer(), None

    def stop(self) -> bytes:
        """Stop everything: bytes that must go out now; a board that sleeps is not woken."""
        return self.session.stop() if self._state == "awake" else b""

    def take_update(
        self, now_s: float, zero_s: float, notices: tuple[Notice, ...] = ()
    ) -> LinkUpdate:
        """What happened since this was last asked; `zero_s` is the engine's 0 on this clock."""
        ended, self._ended = self._ended + self.session.take_ended(), []
        waits_s, self.waits_s = tuple(self.waits_s), []
        own, self._notices = tuple(self._notices), []
        asleep = self.asleep(now_s)
        return LinkUpdate(
            asleep or self.up(now_s),
            tuple(_outcome(sent, zero_s) for sent in ended),
            BoardState() if asleep else self._board(),
            self.session.credit,
            waits_s,
            notices + own,
        )

    def _board(self) -> BoardState | None:
        status = self.session.status
        if status is None:
            return None
        sensed = self.session.sensed
        return BoardState(
            supply_v=status.millivolts / 1000 if status.millivolts else None,
            coil_c=float(status.hottest_c),
            board_c=float(status.temperature_c),
            faults=self.session.report.faults,
            lux=sensed.lux,
            air_c=sensed.air_c,
            humidity_pct=sensed.humidity_pct,
        )


def _outcome(sent: SentCommand, zero_s: float) -> CommandOutcome:
    played_s = None if sent.played_s is None else sent.played_s - zero_s
    return CommandOutcome(sent.command, sent.outcome or "unknown", played_s)

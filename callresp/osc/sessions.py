"""Open Sound Control for what runs: a live session, and a stream."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from threading import Event
from typing import TYPE_CHECKING

from callresp.link.session import SentCommand, Session
from callresp.live.actions import Record, Sensed, command_kind
from callresp.osc import told
from callresp.osc.asked import (
    Asked,
    Gate,
    MuteAsked,
    RefusedError,
    RulesAsked,
    SettingAsked,
    StopAsked,
)
from callresp.osc.door import OscReceiver, OscSender, Place
from callresp.plan.auditions import with_setting
from callresp.reply.rules import load_rules
from callresp.reply.selection import missing

if TYPE_CHECKING:
    from callresp.live.runner import Runner

STATUS_EVERY_S = 1.0


class LiveDoor:
    """Tells of a live session, and takes requests for it.

    Parameters
    ----------
    runner
        Of the session.
    to
        Whom to tell.
    at
        Where to listen; `None` listens to nobody.
    word
        That who wants to move a striker must know.

    Attributes
    ----------
    stop : Event
        Set when the end was asked for.
    """

    def __init__(
        self, runner: Runner, to: Sequence[Place], at: Place | None, word: str | None
    ) -> None:
        self.stop = Event()
        self._runner = runner
        self._sender = OscSender(to)
        self._receiver = None if at is None else OscReceiver(at, Gate(word), self.grant)

    def sensed(self, sensed: Sensed) -> None:
        """Tell of a sound."""
        self._tell(told.of_sound(sensed.sound))

    def record(self, record: Record) -> None:
        """Tell of a row of the log."""
        for one in told.of_record(record, self._runner.engine.inhibited or "listening"):
            self._tell(one)

    def close(self) -> None:
        """Tell and listen no more."""
        if self._receiver is not None:
            self._receiver.close()
        self._sender.close()

    def _tell(self, one: told.Told) -> None:
        self._sender.send(one.message, self._runner.unix_s(one.at_s))

    def grant(self, asked: Asked) -> str:
        """Do what was asked; the engine takes it up in its own thread."""
        requests, engine = self._runner.requests, self._runner.engine
        if isinstance(asked, StopAsked):
            self.stop.set()
            return "it stops"
        if isinstance(asked, MuteAsked):
            why = "muted from outside: it listens on" if asked.on else None
            requests.put(lambda engine: engine.mute(why))
            return "it plays nothing" if asked.on else "it plays again"
        if isinstance(asked, RulesAsked):
            rules = load_rules(asked.name)
            lacks = missing(rules, engine.player.palette)
        else:
            assert isinstance(asked, SettingAsked)
            _, rules = with_setting(engine.rules, asked.key, asked.value)
            lacks = []
        requests.put(lambda engine: engine.change_rules(rules))
        return f"it answers by '{rules.name}'" + "".join(f"; {text}" for text in lacks)


class StreamDoor:
    """Tells of a stream, and lets it be stopped; a plan takes nothing else.

    Parameters
    ----------
    to, at, word
        As of `LiveDoor`.
    speed
        Of the stream's time.
    """

    def __init__(
        self, to: Sequence[Place], at: Place | None, word: str | None, speed: float = 1.0
    ) -> None:
        self.stop = Event()
        self._sender = OscSender(to)
        self._receiver = None if at is None else OscReceiver(at, Gate(word), self.grant)
        self._speed = speed
        self._read = self._strikes = 0
        self._status_s = float("-inf")
        self._now_s = 0.0

    def finish(self, session: Session) -> None:
        """Tell of what was stopped at the end."""
        self.watch(session, self._now_s)

    def watch(self, session: Session, now_s: float) -> None:
        """Tell of what has ended since this was last called."""
        self._now_s = now_s
        unix_s = self._clock(now_s)
        for sent in session.ended[self._read :]:
            self._read += 1
            self._stroke(sent, unix_s)
        if now_s - self._status_s >= STATUS_EVERY_S:
            self._status_s = now_s
            board = session.status
            volts = None if board is None else board.millivolts / 1000
            warm_c = None if board is None else float(board.hottest_c)
            state = "waiting" if session.start_s is None else "streaming"
            one = told.status(now_s, state, volts, warm_c, self._strikes)
            self._sender.send(one.message, unix_s(now_s))

    def _clock(self, now_s: float) -> Callable[[float], float]:
        host_s = time.time()
        return lambda at_s: host_s - (now_s - at_s) / self._speed

    def _stroke(self, sent: SentCommand, unix_s: Callable[[float], float]) -> None:
        command, at_s = sent.command, sent.played_s or sent.host_s
        kind = command_kind(command)
        outcome = sent.outcome or "unknown"
        self._strikes += kind == "strike" and outcome == "executed"
        one = told.stroke(at_s, command.instrument, kind, command.length_ms, outcome)
        self._sender.send(one.message, unix_s(at_s))

    def grant(self, asked: Asked) -> str:
        """Stop; anything else a plan can't do.

        Raises
        ------
        RefusedError
            For anything else.
        """
        if not isinstance(asked, StopAsked):
            raise RefusedError("a plan is played as it is; it can only be stopped")
        self.stop.set()
        return "it stops"

    def close(self) -> None:
        """Tell and listen no more."""
        if self._receiver is not None:
            self._receiver.close()
        self._sender.close()

"""Open Sound Control for what runs: a live session, and a stream."""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from queue import SimpleQueue
from threading import Event
from typing import TYPE_CHECKING

from callresp.link.session import SentCommand, Session
from callresp.live.actions import Record, SoundHeard, command_kind
from callresp.osc import told
from callresp.osc.asked import (
    Asked,
    Gate,
    MuteAsked,
    RefusedError,
    RulesAsked,
    SettingAsked,
    StopAsked,
    StrikerAsked,
)
from callresp.osc.codec import Message
from callresp.osc.udp import NetAddress, OscReceiver, OscSender
from callresp.palette.model import Palette
from callresp.plan.auditions import with_setting
from callresp.reply.rules import load_rules
from callresp.reply.selection import missing, strikers_for, turner_for

if TYPE_CHECKING:
    from callresp.live.runner import Runner

STATUS_EVERY_S = 1.0


class LeftOutInstruments:
    """Which instruments of a palette are left out.

    Attributes
    ----------
    names : frozenset of str
    """

    def __init__(self, palette: Palette) -> None:
        self._palette = palette
        self.names: frozenset[str] = frozenset()

    def change(self, asked: StrikerAsked) -> str:
        """Leave out what is asked, or play it again; returns a line that says so.

        Raises
        ------
        RefusedError
            Where the palette has nothing of that name or kind.
        """
        found = {striker.name for striker in strikers_for(asked.name, self._palette)}
        turner = turner_for(asked.name, self._palette)
        if not found and turner is not None:
            found = {turner.name}
        if not found:
            raise RefusedError(f"{self._palette.name} has no '{asked.name}'")
        self.names = self.names | found if asked.on else self.names - found
        left_out = ", ".join(sorted(self.names))
        return f"left out: {left_out}" if left_out else "nothing is left out"


class OscSession(ABC):
    """Tells other software of what runs, and takes its requests.

    Parameters
    ----------
    palette
        What is played on.
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
        self, palette: Palette, to: Sequence[NetAddress], at: NetAddress | None, word: str | None
    ) -> None:
        self.stop = Event()
        self._left_out = LeftOutInstruments(palette)
        self._sender = OscSender(to)
        self._receiver = None if at is None else OscReceiver(at, Gate(word), self.grant)

    def grant(self, asked: Asked) -> str:
        """Do what was asked; who runs takes it up in a thread of its own.

        Raises
        ------
        UserError, RefusedError
            Where it can't be done.
        """
        if isinstance(asked, StopAsked):
            self.stop.set()
            return "it stops"
        return self._grant(asked)

    @abstractmethod
    def _grant(self, asked: Asked) -> str:
        """Do what was asked, but for the end."""

    def close(self) -> None:
        """Tell and listen no more."""
        if self._receiver is not None:
            self._receiver.close()
        self._sender.close()


class LiveOsc(OscSession):
    """Tells of a live session, and takes requests for it: see `OscSession`."""

    def __init__(
        self, runner: Runner, to: Sequence[NetAddress], at: NetAddress | None, word: str | None
    ) -> None:
        self._runner = runner
        super().__init__(runner.engine.player.palette, to, at, word)

    def sensed(self, sensed: SoundHeard) -> None:
        """Tell of a sound."""
        self._tell(told.of_sound(sensed.sound))

    def record(self, record: Record) -> None:
        """Tell of a row of the log."""
        for one in told.of_record(record, self._runner.engine.inhibited or "listening"):
            self._tell(one)

    def _tell(self, one: told.TimedMessage) -> None:
        self._sender.send(one.message, self._runner.unix_s(one.at_s))

    def _grant(self, asked: Asked) -> str:
        requests, engine = self._runner.requests, self._runner.engine
        if isinstance(asked, MuteAsked):
            why = "muted from outside: it listens on" if asked.on else None
            requests.put(lambda engine: engine.mute(why))
            return "it plays nothing" if asked.on else "it plays again"
        if isinstance(asked, StrikerAsked):
            told_line, names = self._left_out.change(asked), self._left_out.names
            requests.put(lambda engine: engine.mute_instruments(names))
            return told_line
        if isinstance(asked, RulesAsked):
            rules = load_rules(asked.name)
            lacks = missing(rules, engine.player.palette)
        else:
            assert isinstance(asked, SettingAsked)
            _, rules = with_setting(engine.rules, asked.key, asked.value)
            lacks = []
        requests.put(lambda engine: engine.change_rules(rules))
        return f"it answers by '{rules.name}'" + "".join(f"; {text}" for text in lacks)


class StreamOsc(OscSession):
    """Tells of a stream, lets it be stopped, and strikers be left out.

    Parameters
    ----------
    palette, to, at, word
        As of `OscSession`; the palette is the plan's.
    speed
        Of the stream's time.
    """

    def __init__(
        self,
        palette: Palette,
        to: Sequence[NetAddress],
        at: NetAddress | None,
        word: str | None,
        speed: float = 1.0,
    ) -> None:
        strikers = frozenset(striker.name for striker in palette.striker)
        self._all = strikers | {turner.name for turner in palette.turner}
        self._muted = False
        # Of each: who is silent, and whether what sounds is to end at once.
        self._requests = SimpleQueue[tuple[frozenset[str], bool]]()
        self._faults: frozenset[str] = frozenset()
        self._speed = speed
        self._read = self._strikes = 0
        self._status_s = float("-inf")
        self._now_s = 0.0
        super().__init__(palette, to, at, word)

    def finish(self, session: Session) -> None:
        """Tell of what was stopped at the end."""
        self.watch(session, self._now_s)

    def watch(self, session: Session, now_s: float) -> None:
        """Do what was asked for, and tell of what has ended, since this was last called."""
        self._now_s = now_s
        while not self._requests.empty():
            names, release = self._requests.get()
            session.mute(names, now_s, release)
        unix_s = self._clock(now_s)
        for sent in session.ended[self._read :]:
            self._read += 1
            self._stroke(sent, unix_s)
        faults = frozenset(session.report.faults)
        for fault in sorted(faults - self._faults):
            self._sender.send(Message("/callresp/fault", (fault, "board")), unix_s(now_s))
        self._faults = faults
        if now_s - self._status_s >= STATUS_EVERY_S:
            self._status_s = now_s
            board = session.status
            volts = None if board is None else board.millivolts / 1000
            warm_c = None if board is None else float(board.hottest_c)
            state = "waiting" if session.start_s is None else "streaming"
            one = told.status(
                now_s, "muted" if self._muted else state, volts, warm_c, self._strikes
            )
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

    def _grant(self, asked: Asked) -> str:
        if isinstance(asked, MuteAsked):
            self._muted = asked.on
            told_line = "it plays nothing" if asked.on else "it plays again"
        elif isinstance(asked, StrikerAsked):
            told_line = self._left_out.change(asked)
        else:
            raise RefusedError("a plan is finished, no rules are in force: reply and check anew")
        silent = self._all if self._muted else self._left_out.names
        self._requests.put((silent, isinstance(asked, MuteAsked) and asked.on))
        return told_line

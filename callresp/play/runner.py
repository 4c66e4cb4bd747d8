"""Runs a hand player: keys out of an inbox, commands to an output, in one thread.

One thread does it all, so that no key waits for another thread's turn: it waits
for the next key, a millisecond at most, then lets the line have its due.
"""

from __future__ import annotations

import queue
from collections.abc import Callable
from dataclasses import dataclass, field

from callresp.link.port import Clock
from callresp.palette.files import fingerprint
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan, check
from callresp.plan.model import Command, Plan, PlanHeader
from callresp.play.hand import PIECE_S, STALE_S, HandPlayer
from callresp.play.inputs import (
    END_KEY,
    SILENCE_KEY,
    USUAL_FORCE,
    Ended,
    Event,
    Inbox,
    Midi,
    Typed,
    key_table,
)
from callresp.play.outputs import DueCommands, Output

POLL_S = 0.001
# After the last key the last pieces are played out.
PLAY_OUT_S = 0.3


@dataclass(slots=True)
class PlayRunner:
    """Plays until it is stopped or nothing more comes in.

    Parameters
    ----------
    player, inbox, output, clock
    say
        Called with each line for a person.
    stop
        Returns why to end now, or `None`; asked a thousand times a second.

    Attributes
    ----------
    commands : list
        All that was sent.
    """

    player: HandPlayer
    inbox: Inbox
    output: Output
    clock: Clock
    say: Callable[[str], None] = lambda text: None
    stop: Callable[[], str | None] = lambda: None
    commands: list[Command] = field(default_factory=list)
    _force: float = USUAL_FORCE
    _turning: set[str] = field(default_factory=set)
    _ended: str | None = None

    def run(self) -> str:
        """Play to the end; everything is released however it ends.

        Returns
        -------
        str
            How it ended, in words.
        """
        warm_up(self.player.palette)
        try:
            while self._ended is None:
                self._ended = self.stop()
                self._step()
            self._play_out()
        finally:
            self.output.close()
        return self._ended

    def _play_out(self) -> None:
        now_s = self.clock.now_s()
        self._perform(self.player.silence(now_s))
        until_s = now_s + PLAY_OUT_S
        while self.clock.now_s() < until_s:
            self._step(takes=False)

    def _step(self, takes: bool = True) -> None:
        try:
            event: Event | None = self.inbox.get(timeout=POLL_S)
        except queue.Empty:
            event = None
        while event is not None:
            if takes:
                self._take(event)
            try:
                event = self.inbox.get_nowait()
            except queue.Empty:
                event = None
        now_s = self.clock.now_s()
        self._perform(self.player.tick(now_s))
        self._exchange(now_s)

    def _exchange(self, now_s: float) -> None:
        for lost in self.output.exchange(now_s):
            self.say(lost.why)
            if told := self.player.unplayed(lost.note):
                self.say(told)

    def _take(self, event: Event) -> None:
        now_s = self.clock.now_s()
        if isinstance(event, Ended):
            self._ended = "nothing more comes in"
        elif isinstance(event, Midi):
            self._perform(self.player.take(now_s, event.data, event.came_s))
        elif event.key == END_KEY:
            self._ended = "ended from the keyboard"
        elif event.key == SILENCE_KEY:
            self._turning.clear()
            self._perform(self.player.silence(now_s))
        elif event.key.isdigit():
            self._force = (int(event.key) or 10) / 10
        elif now_s - event.came_s <= STALE_S:
            self._typed(now_s, event)
        # The line first: what is behind this key may wait, a stroke may not.
        self._exchange(self.clock.now_s())

    def _typed(self, now_s: float, event: Typed) -> None:
        name = key_table(self.player.palette).get(event.key)
        if name is None:
            return
        pressed = ("typed", ord(event.key))
        if name in self._turning:
            # The computer tells of no key's end: a turner's key starts and stops it in turns.
            self._turning.discard(name)
            self._perform(self.player.let_go(now_s, pressed))
            return
        if self.player.palette.turner_named(name) is not None:
            self._turning.add(name)
        self._perform(self.player.strike(now_s, name, self._force, pressed))

    def _perform(self, out: DueCommands) -> None:
        for checked in out.checked:
            self.output.send(checked)
            self.commands += checked.plan.commands
        for text in out.said:
            self.say(text)

    def plan(self, title: str) -> CheckedPlan:
        """All that was sent as one plan, checked anew, for a rehearsal."""
        palette = self.player.palette
        commands = tuple(sorted(self.commands, key=lambda one: (one.at_s, one.channel)))
        end_s = max((c.at_s + c.length_ms / 1000 for c in commands), default=0.0)
        header = PlanHeader(
            palette=palette.name,
            palette_sha256=fingerprint(palette),
            recording=title,
            duration_s=end_s,
        )
        return check(Plan(header=header, commands=commands), palette)


def warm_up(palette: Palette) -> None:
    """Strike everything once on nothing, so that the first true stroke waits for no import."""
    trial = HandPlayer(palette)
    names = [item.name for item in palette.striker] + [item.name for item in palette.turner]
    for number, name in enumerate(names):
        trial.strike(float(number), name, USUAL_FORCE, ("warm", number))
        trial.tick(number + PIECE_S)
        trial.let_go(number + 2 * PIECE_S, ("warm", number))

"""A plan that follows another's MIDI clock: its commands at the clock's beats, judged anew.

Conventions
-----------
- A beat of the clock is `60 / tempo_bpm` seconds of the plan; by default a second,
  as in the MIDI files that `export` writes.
- What a stroke sounds like is on the beat: its coil goes on by its latency before.
- A hold or a run keeps its length at the plan's own tempo, and never grows past
  it by more than the clock slows down.
- A plan was checked at its own tempo. At another each command is checked anew, a
  little before its time, with all that went before it; what breaks a limit is
  left out and said, and nothing waits.
"""

from __future__ import annotations

import contextlib
import queue
from collections import Counter
from collections.abc import Callable, Sequence

import msgspec

from callresp.link.port import Clock
from callresp.midi.clock import ClockFollower
from callresp.plan.checked_plan import CheckedPlan, Checker, PlanBreaksLimitError
from callresp.plan.model import Command, Hold, Light, Strike, Turn
from callresp.play.inputs import Inbox, Midi
from callresp.play.outputs import DueCommands, Output

# Commands are placed this long before their time: no change of tempo after that reaches them.
AHEAD_S = 0.15
POLL_S = 0.001
AFTER_S = 0.1


class FollowedPlan:
    """Hands out a plan's commands as a clock reaches them.

    Parameters
    ----------
    checked
        The plan.
    follower
        Of the clock.
    tempo_bpm
        At which the plan's seconds are the clock's.

    Attributes
    ----------
    follower : ClockFollower
    left_out : Counter
        Commands that were left out, by palette key.
    dropped : list of (Command, str)
        The same, one by one, each with that key.
    plan_s : dict
        Of each command that was handed out: its time in the plan, on the plan's own clock.
    sounds_until_s : float
        When the last of what was handed out is off.
    """

    def __init__(
        self, checked: CheckedPlan, follower: ClockFollower, tempo_bpm: float = 60.0
    ) -> None:
        self.left_out: Counter[str] = Counter()
        self.dropped: list[tuple[Command, str]] = []
        self.plan_s: dict[Command, float] = {}
        self.follower = follower
        self._beat_s = 60 / tempo_bpm
        self._checker = Checker(checked.palette)
        self._latency_s = {
            item.coil.channel: item.latency_ms / 1000 for item in checked.palette.striker
        }
        commands = [c for c in checked.plan.commands if not isinstance(c, Light)]
        self._commands = sorted(commands, key=self._sounds_s)
        self.sounds_until_s = 0.0
        self._next = 0
        self._beat = 0.0

    def _sounds_s(self, command: Command) -> float:
        latency_s = (
            self._latency_s.get(command.channel, 0.0) if isinstance(command, Strike) else 0.0
        )
        return command.at_s + latency_s

    @property
    def total(self) -> int:
        """How many commands there are to be handed out."""
        return len(self._commands)

    @property
    def finished(self) -> bool:
        """Whether all has been handed out."""
        return self._next >= len(self._commands)

    @property
    def not_reached(self) -> Sequence[Command]:
        """What the clock has not come to."""
        return self._commands[self._next :]

    def due(self, now_s: float) -> DueCommands:
        """What is due soon, by the clock's beats at a time."""
        out = DueCommands()
        beat = self.follower.beat_at(now_s + AHEAD_S)
        if beat is None or not self.follower.alive(now_s):
            return out
        if beat < self._beat - 1:
            # It was started anew, or its song position moved back.
            self._next = sum(self._sounds_s(c) / self._beat_s < beat for c in self._commands)
        self._beat = beat
        while (
            not self.finished and self._sounds_s(self._commands[self._next]) <= beat * self._beat_s
        ):
            self._place(self._commands[self._next], now_s, out)
            self._next += 1
        return out

    def _place(self, command: Command, now_s: float, out: DueCommands) -> None:
        sounds_s = self.follower.time_of(self._sounds_s(command) / self._beat_s)
        assert sounds_s is not None
        at_s = sounds_s - (self._sounds_s(command) - command.at_s)
        if at_s < now_s:
            # It lies before the clock's own beginning, or the clock jumped over it.
            self._leave_out(command, "it came too late", "latency", out)
            return
        moved = self._moved(command, at_s)
        try:
            out.checked.append(self._checker.admit([moved]))
        except PlanBreaksLimitError as fault:
            self._leave_out(command, fault.what, fault.limit, out)
            return
        self.plan_s[moved] = command.at_s

    def _moved(self, command: Command, at_s: float) -> Command:
        stretch = self._stretch()
        if isinstance(command, Hold):
            hold_ms = command.hold_ms * stretch
            pull_ms = min(command.pull_ms, hold_ms)
            return msgspec.structs.replace(command, at_s=at_s, hold_ms=hold_ms, pull_ms=pull_ms)
        if isinstance(command, Turn):
            return msgspec.structs.replace(command, at_s=at_s, run_ms=command.run_ms * stretch)
        return msgspec.structs.replace(command, at_s=at_s)

    def _stretch(self) -> float:
        """How much longer than the plan's the clock's beats are now."""
        tempo_bpm = self.follower.tempo_bpm
        return 1.0 if tempo_bpm is None else 60 / tempo_bpm / self._beat_s

    def _leave_out(self, command: Command, why: str, limit: str, out: DueCommands) -> None:
        self.left_out[limit] += 1
        self.dropped.append((command, limit))
        out.said.append(f"{command.instrument} at {command.at_s:.2f} s left out: {why} [{limit}]")


def follow(
    followed: FollowedPlan,
    inbox: Inbox,
    output: Output,
    clock: Clock,
    say: Callable[[str], None],
    stop: Callable[[], bool],
) -> None:
    """Play a plan by a clock until it is over or stopped; everything is released at the end.

    Parameters
    ----------
    followed
        The plan, which knows the clock that it follows.
    inbox
        Where the clock's messages come in.
    output, clock
        Where it plays, and the host's clock.
    say
        Called with each line for a person.
    stop
        Asked a thousand times a second whether to end now.
    """
    ends_s = float("inf")
    try:
        while not stop() and clock.now_s() < ends_s:
            with contextlib.suppress(queue.Empty):
                event = inbox.get(timeout=POLL_S)
                if isinstance(event, Midi):
                    followed.follower.take(event.came_s, event.data)
            now_s = clock.now_s()
            out = followed.due(now_s)
            for checked in out.checked:
                output.send(checked)
                last_s = max(c.at_s + c.length_ms / 1000 for c in checked.plan.commands)
                followed.sounds_until_s = max(followed.sounds_until_s, last_s)
            for text in (*out.said, *(lost.why for lost in output.exchange(now_s))):
                say(text)
            if followed.finished:
                ends_s = followed.sounds_until_s + AFTER_S
    finally:
        output.close()

"""The player: reply notes in, checked commands out, no sooner than they must be.

Goal
----
What has gone out can only be revoked by releasing everything, and what
was planned has used up a striker's time. So a note is planned only when its
first coil is due within `PLAN_AHEAD_S`: a reply that is cut short simply has no
more notes.

Conventions
-----------
A reply that is to sound now needs a moment for its dampers to rise and its
hammers to travel: the whole of it is shifted by what its first coil needs, so
that its rhythm stays whole.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from callresp.io.score import ReplyNote
from callresp.live.self_masking import SelfMask
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan, Checker, PlanBreaksLimitError
from callresp.plan.electrical.loads import LoadModel
from callresp.plan.intents import intent_of
from callresp.plan.model import Change, Command, Strike
from callresp.plan.planner import Planner

# From a decision to the first coil: the way over the line, and some to spare.
LINK_LEAD_S = 0.03
PLAN_AHEAD_S = 0.5
# Own sound is told of a stroke this much before it may be heard.
TELL_AHEAD_S = 0.02


@dataclass(slots=True)
class PlayerOutput:
    """What the player made of a moment."""

    checked: list[CheckedPlan] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    refused: list[PlanBreaksLimitError] = field(default_factory=list)


class Player:
    """Plans and checks a reply as it comes due.

    Parameters
    ----------
    palette
    own
        Told of each command when it is about to sound.
    """

    def __init__(self, palette: Palette, own: SelfMask) -> None:
        self.palette = palette
        self.strikes = 0
        self.energy_j = 0.0
        # A runner that runs late itself, as on a busy computer, asks for more.
        self.lead_s = LINK_LEAD_S
        # When a reply that could sound at a time is to sound: on a beat, where one is followed.
        self.align: Callable[[float], float] = lambda at_s: at_s
        # Instruments that are left out for now.
        self.muted: frozenset[str] = frozenset()
        # When the first coil of the last reply goes on; None until it is known.
        self.first_s: float | None = None
        self._own = own
        self._planner = Planner(palette)
        self._checker = Checker(palette)
        self._wiring = LoadModel(palette, palette.supply.nominal_v)
        self._count = itertools.count()
        self._notes: list[tuple[float, int, ReplyNote]] = []
        self._coming: list[tuple[float, int, Command]] = []
        self._latency_s = {
            striker.coil.channel: striker.latency_ms / 1000 for striker in palette.striker
        }

    @property
    def waiting(self) -> bool:
        """Whether notes wait to be planned."""
        return bool(self._notes)

    def ask(self, notes: Iterable[ReplyNote], now_s: float) -> list[ReplyNote]:
        """Take a reply; returns it as it will be played."""
        starts = [
            (intent.starts_s if (intent := intent_of(n, self.palette)) else n.onset_s, n)
            for n in notes
        ]
        if not starts:
            return []
        late_s = max(now_s + self.lead_s - min(at_s for at_s, _ in starts), 0.0)
        first_s = min(note.onset_s for _, note in starts) + late_s
        late_s += max(self.align(first_s) - first_s, 0.0)
        played = []
        for starts_s, note in starts:
            moved = note.later(late_s)
            played.append(moved)
            heapq.heappush(self._notes, (starts_s + late_s, next(self._count), moved))
        self.first_s = None
        return played

    def cancel(self) -> None:
        """Forget what is not planned yet, and what will now not sound."""
        self._notes.clear()
        self._coming.clear()

    def due(self, now_s: float) -> PlayerOutput:
        """Plan and check what is due soon; tell own sound of what is due now."""
        made = PlayerOutput()
        while self._notes and self._notes[0][0] <= now_s + PLAN_AHEAD_S:
            note = heapq.heappop(self._notes)[2]
            if note.instrument in self.muted:
                continue
            commands, changes = self._planner.add(note, now_s + self.lead_s)
            made.changes += changes
            self._admit(commands, made)
        self._admit(self._planner.settle(now_s + self.lead_s + TELL_AHEAD_S), made)
        while self._coming and self._coming[0][0] <= now_s + TELL_AHEAD_S:
            command = heapq.heappop(self._coming)[2]
            self._own.add_command(command, command.at_s)
        return made

    def played(self, command: Command) -> None:
        """Count a command that has been played."""
        self.strikes += isinstance(command, Strike)
        volts = self.palette.supply.nominal_v
        for load in self._wiring.loads_of(command):
            self.energy_j += load.amps * volts * (load.until_s - load.from_s)

    def _admit(self, commands: list[Command], made: PlayerOutput) -> None:
        if not commands:
            return
        try:
            made.checked.append(self._checker.admit(commands))
        except PlanBreaksLimitError as fault:
            made.refused.append(fault)
            return
        for command in commands:
            # By the stroke, not the pulse: its damper, which rises before, must be known.
            sounds_s = command.at_s
            if isinstance(command, Strike):
                sounds_s += self._latency_s.get(command.channel, 0.0)
            heapq.heappush(self._coming, (sounds_s, next(self._count), command))
        first_s = min(command.at_s for command in commands)
        self.first_s = first_s if self.first_s is None else min(self.first_s, first_s)

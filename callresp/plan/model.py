"""The strike plan: timed commands for channels, as plain values.

Conventions
-----------
- `at_s` is when the channel is switched, on the score's clock (seconds from
  the start of the recording): latency is already taken off, so the first
  command may lie a little before 0.
- Every command carries its own end. A coil is never switched on without the
  time at which the board itself will switch it off. Lights alone have none.

A `Plan` is what a file holds. A `CheckedPlan` is one that passed every limit of
its palette; only that type can be turned into bytes for a board, and only
`callresp.plan.checked_plan` makes one. What a plan does otherwise than the reply
asked is listed in its `changes`, each with the limit that forced it.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Literal

import msgspec

from callresp.io.score import LATEST_S, ReplyNote, check_recording

# A stroke at the very beginning needs its latency and its damper's lift before it, never more.
EARLIEST_S = -2.0


def _check(at_s: float, length_ms: float, share: float) -> None:
    if not math.isfinite(at_s):
        raise ValueError(f"at_s must be a finite number, not {at_s}")
    if at_s < EARLIEST_S:
        raise ValueError(f"at_s {at_s:g} lies before the start")
    if at_s > LATEST_S:
        raise ValueError(f"at_s {at_s:g} lies more than three years after the start")
    if not (math.isfinite(length_ms) and length_ms > 0):
        raise ValueError(f"a command must last more than 0 ms, not {length_ms}")
    if not 0.0 < share <= 1.0:
        raise ValueError(f"duty must lie above 0 and up to 1, not {share}")


class Strike(msgspec.Struct, frozen=True, kw_only=True, tag_field="do", tag="strike"):
    """Pulse a striker's coil: full power for `pulse_ms`."""

    at_s: float
    channel: int
    pulse_ms: float
    instrument: str = ""
    reply: int | None = None

    def __post_init__(self) -> None:
        _check(self.at_s, self.pulse_ms, 1.0)

    @property
    def length_ms(self) -> float:
        """How long the channel is on."""
        return self.pulse_ms


class Hold(msgspec.Struct, frozen=True, kw_only=True, tag_field="do", tag="hold"):
    """Move a damper and hold it: full power for `pull_ms`, then `hold_duty`.

    What holding means (lifted or pressed) is the damper's `rest` in the
    palette: holding always moves it away from rest.
    """

    at_s: float
    channel: int
    hold_ms: float
    pull_ms: float
    hold_duty: float
    instrument: str = ""
    reply: int | None = None

    def __post_init__(self) -> None:
        _check(self.at_s, self.hold_ms, max(self.hold_duty, 1e-9))
        if not 0.0 <= self.pull_ms <= self.hold_ms:
            raise ValueError(f"pull_ms {self.pull_ms} must lie in 0 to hold_ms {self.hold_ms}")

    @property
    def length_ms(self) -> float:
        """How long the channel is on."""
        return self.hold_ms

    @property
    def end_s(self) -> float:
        """When its power goes."""
        return self.at_s + self.hold_ms / 1000


class Turn(msgspec.Struct, frozen=True, kw_only=True, tag_field="do", tag="turn"):
    """Run a motor at `speed_rps` for `run_ms`, then let it stop."""

    at_s: float
    channel: int
    speed_rps: float
    run_ms: float
    instrument: str = ""
    reply: int | None = None

    def __post_init__(self) -> None:
        _check(self.at_s, self.run_ms, 1.0)
        if not (math.isfinite(self.speed_rps) and self.speed_rps > 0):
            raise ValueError(f"speed_rps must be above 0, not {self.speed_rps}")

    @property
    def length_ms(self) -> float:
        """How long the motor runs."""
        return self.run_ms


class Light(msgspec.Struct, frozen=True, kw_only=True, tag_field="do", tag="light"):
    """Set a light of the board to `level`, 0 (dark) to 1, until its next such command.

    `channel` 0 is the status light.
    """

    at_s: float
    channel: int = 0
    level: float = 0.0
    instrument: str = "light"
    reply: int | None = None

    def __post_init__(self) -> None:
        _check(self.at_s, 1.0, 1.0)
        if not 0.0 <= self.level <= 1.0:
            raise ValueError(f"level must lie in 0 to 1, not {self.level}")

    @property
    def length_ms(self) -> float:
        """0: nothing is on that would have to go off again."""
        return 0.0


Command = Strike | Hold | Turn | Light
ChangeKind = Literal["dropped", "moved", "softened", "shortened", "damped", "slowed"]


class Change(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that the plan does otherwise than the reply asked.

    `asked` and `given` are in `unit`; `limit` is the palette key that forced
    it; `why` is for a person.
    """

    change: ChangeKind
    reply: int
    at_s: float
    limit: str
    why: str
    asked: float | None = None
    given: float | None = None
    unit: str = ""


class PlanHeader(msgspec.Struct, frozen=True, kw_only=True):
    """What the plan plays and on which palette.

    `stop_s` says when the battery must stop, where it must before the end.
    `heard_file` and `reply_file` name the files that it came from; `lines` is
    told in files only: how many lines follow the header.
    """

    score: str = "plan"
    version: int = 1
    palette: str = ""
    palette_sha256: str = ""
    recording: str = ""
    start: str | None = None
    duration_s: float = 0.0
    stop_s: float | None = None
    heard_file: str = ""
    reply_file: str = ""
    lines: int | None = None

    def __post_init__(self) -> None:
        check_recording(self.start, self.duration_s)


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """Commands in order of `at_s`, and what was changed on the way."""

    header: PlanHeader
    commands: tuple[Command, ...]
    changes: tuple[Change, ...] = ()

    def __post_init__(self) -> None:
        for before, after in pairwise(self.commands):
            if after.at_s < before.at_s:
                raise ValueError(f"the command at {after.at_s} s is out of order")

    @property
    def strikes(self) -> tuple[Strike, ...]:
        """The strokes among the commands."""
        return tuple(command for command in self.commands if isinstance(command, Strike))

    @property
    def holds(self) -> tuple[Hold, ...]:
        """The damper moves among the commands."""
        return tuple(command for command in self.commands if isinstance(command, Hold))

    @property
    def end_s(self) -> float:
        """When the last channel goes off; 0 for a plan without commands."""
        return max((c.at_s + c.length_ms / 1000 for c in self.commands), default=0.0)


PREFERENCE = (
    "Order of preference. What can't be played as asked is (1) moved, up to 30 ms later, to where"
    " its striker, driver or supply is free; else (2) softened, where its coil's duty or heat"
    " allows a shorter pulse only; a damper that may not do as asked is (3) damped earlier, or"
    " not lifted, but the stroke stays; a turner is (3) shortened or slowed; else the note is (4)"
    " dropped. Earlier notes go before later ones. Where the battery must stop, all later notes"
    " are dropped."
)


class ChangeList(list[Change]):
    """Changes as they are made while planning."""

    def add(
        self,
        kind: ChangeKind,
        note: ReplyNote,
        limit: str,
        why: str,
        asked: float | None = None,
        given: float | None = None,
        unit: str = "",
    ) -> None:
        """Add one change to a note; for a dropped one, `given` is what would be allowed."""
        self.append(
            Change(
                change=kind,
                reply=note.id,
                at_s=note.onset_s,
                limit=limit,
                why=why,
                asked=None if asked is None else round(asked, 6),
                given=None if given is None else round(given, 6),
                unit=unit,
            )
        )

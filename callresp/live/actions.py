"""What passes between the live engine and what runs it: plain values.

Actions are what the engine wants done; a `LinkUpdate` is what the link reports.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NotRequired, TypedDict

from callresp.field.log import Kind
from callresp.io.score import Note, ReplyNote
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.model import Command, Hold, Strike, Turn

if TYPE_CHECKING:
    from callresp.listen.online import NoteOnset


@dataclass(frozen=True, slots=True)
class Send:
    """Send these commands; their times are on the engine's clock."""

    checked: CheckedPlan


@dataclass(frozen=True, slots=True)
class Release:
    """Release everything now, and forget what waits."""

    why: str


@dataclass(frozen=True, slots=True)
class BoardMaySleep:
    """The machine is not wanted before `until_s` on the engine's clock, or (`None`) is now."""

    until_s: float | None


@dataclass(frozen=True, slots=True)
class Record:
    """A row for the field log."""

    at_s: float
    kind: Kind
    body: object


class ReplyRow(TypedDict):
    """Body of a "reply" row: the notes that answer a phrase, or why nothing does."""

    phrase: int
    rule: str
    notes: NotRequired[Sequence[ReplyNote]]
    unanswered: NotRequired[str]


class StatusRow(TypedDict):
    """Body of a "status" row; `None` where the board does not tell."""

    supply_v: float | None
    coil_c: float | None
    board_c: float | None
    lux: float | None
    air_c: float | None
    humidity_pct: float | None
    credit: int | None
    strikes: int
    overruns: int
    latency_ms: dict[str, float]
    energy_j: float


@dataclass(frozen=True, slots=True)
class Notify:
    """A line for a person."""

    text: str


@dataclass(frozen=True, slots=True)
class SaveSnippet:
    """Keep this stretch of sound as a snippet of that name."""

    from_s: float
    until_s: float
    name: str


@dataclass(frozen=True, slots=True)
class SoundHeard:
    """A sound that is not the machine's own has begun, or has turned out to be a note."""

    sound: NoteOnset | Note


Action = Send | Release | BoardMaySleep | Record | Notify | SaveSnippet | SoundHeard


@dataclass(frozen=True, slots=True)
class Notice:
    """What a thread has to report: a fault, or (`fault` False) the end of one."""

    text: str
    fault: bool = True


@dataclass(frozen=True, slots=True)
class CommandOutcome:
    """What became of a command; `played_s` is on the engine's clock."""

    command: Command
    outcome: str
    played_s: float | None = None


@dataclass(frozen=True, slots=True)
class BoardState:
    """What the board reports of itself and of what its sensors read; `None` where it doesn't."""

    supply_v: float | None = None
    coil_c: float | None = None
    board_c: float | None = None
    faults: tuple[str, ...] = ()
    lux: float | None = None
    air_c: float | None = None
    humidity_pct: float | None = None


@dataclass(frozen=True, slots=True)
class LinkUpdate:
    """What the link reports since it was last asked.

    A board that sleeps as it was told is `up`, too. `waits_s` are the times that commands waited
    for the link's thread.
    """

    up: bool
    outcomes: tuple[CommandOutcome, ...] = ()
    board: BoardState | None = None
    credit: int | None = None
    waits_s: tuple[float, ...] = ()
    notices: tuple[Notice, ...] = ()


def command_kind(command: Command) -> str:
    """The kind of a command in the log's words."""
    if isinstance(command, Strike):
        return "strike"
    if isinstance(command, Hold):
        return "hold"
    return "turn" if isinstance(command, Turn) else "light"


def outcome_row(outcome: CommandOutcome) -> dict[str, object]:
    """A command and its outcome as a row of the log."""
    command = outcome.command
    return {
        "at_s": round(command.at_s, 6),
        "channel": command.channel,
        "instrument": command.instrument,
        "what": command_kind(command),
        "length_ms": round(command.length_ms, 3),
        "reply": command.reply,
        "fate": outcome.outcome,
        "played_s": None if outcome.played_s is None else round(outcome.played_s, 6),
    }

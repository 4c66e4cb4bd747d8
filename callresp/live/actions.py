"""What the engine wants done: plain values that the shell carries out."""

from __future__ import annotations

from dataclasses import dataclass

from callresp.field.log import Kind
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.model import Command, Hold, Strike, Turn


@dataclass(frozen=True, slots=True)
class Send:
    """Send these commands; their times are on the engine's clock."""

    checked: CheckedPlan


@dataclass(frozen=True, slots=True)
class Release:
    """Let go of everything now, and forget what waits."""

    why: str


@dataclass(frozen=True, slots=True)
class Record:
    """A row for the field log."""

    at_s: float
    kind: Kind
    body: object


@dataclass(frozen=True, slots=True)
class Say:
    """A line for a person."""

    text: str


@dataclass(frozen=True, slots=True)
class Keep:
    """Keep this stretch of sound as a snippet of that name."""

    from_s: float
    until_s: float
    name: str


Thing = Send | Release | Record | Say | Keep


@dataclass(frozen=True, slots=True)
class Fate:
    """What became of a command; `played_s` is on the engine's clock."""

    command: Command
    fate: str
    played_s: float | None = None


@dataclass(frozen=True, slots=True)
class BoardState:
    """What the board says of itself; `None` where it doesn't."""

    supply_v: float | None = None
    coil_c: float | None = None
    board_c: float | None = None
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LinkNews:
    """What the link has to tell since it was last asked."""

    up: bool
    fates: tuple[Fate, ...] = ()
    board: BoardState | None = None
    credit: int | None = None
    # How long commands waited for the link, each time.
    waits_s: tuple[float, ...] = ()
    says: tuple[str, ...] = ()


def what(command: Command) -> str:
    """The kind of a command in the log's words."""
    if isinstance(command, Strike):
        return "strike"
    if isinstance(command, Hold):
        return "hold"
    return "turn" if isinstance(command, Turn) else "light"


def fate_row(fate: Fate) -> dict[str, object]:
    """A command and its fate as a row of the log."""
    command = fate.command
    return {
        "at_s": round(command.at_s, 6),
        "channel": command.channel,
        "instrument": command.instrument,
        "what": what(command),
        "length_ms": round(command.length_ms, 3),
        "reply": command.reply,
        "fate": fate.fate,
        "played_s": None if fate.played_s is None else round(fate.played_s, 6),
    }

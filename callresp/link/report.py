"""What becomes of commands that are streamed."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from callresp.plan.model import Command


@dataclass(slots=True)
class Sent:
    """A command under way or done."""

    command: Command
    host_s: float
    sequence: int | None = None
    sent_s: float = float("-inf")
    acknowledged: bool = False
    fate: str | None = None
    played_s: float | None = None
    revoked: bool = False


@dataclass(slots=True)
class Report:
    """What became of a plan."""

    commands: int = 0
    fates: Counter[str] = field(default_factory=Counter)
    errors_ms: list[float] = field(default_factory=list)
    resent: int = 0
    damaged: int = 0
    resets: int = 0
    drift_ppm: float = 0.0
    faults: tuple[str, ...] = ()

    @property
    def played(self) -> int:
        """How many commands the board executed."""
        return self.fates["executed"]

"""What an online listener tells: that a sound begins, and how it has ended.

Apart from the listener, so that whoever only passes events on need not load
its compiled loops.
"""

from __future__ import annotations

from dataclasses import dataclass

from callresp.score import Note


@dataclass(frozen=True, slots=True)
class Began:
    """A sound begins; `voice` is a guess until it has ended."""

    key: int
    onset_s: float
    pitch_hz: float | None
    low_hz: float
    high_hz: float
    level_db: float
    voice: str


@dataclass(frozen=True, slots=True)
class Ended:
    """A sound has ended: as a note, or (`None`) as nothing."""

    key: int
    note: Note | None


Event = Began | Ended

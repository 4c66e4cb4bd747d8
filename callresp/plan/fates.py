"""The words in which a plan says what it does otherwise than asked."""

from __future__ import annotations

from typing import Literal

from callresp.plan.model import Change
from callresp.score import ReplyNote

Kind = Literal["dropped", "moved", "softened", "shortened", "damped", "slowed"]

PREFERENCE = (
    "Order of preference. What can't be played as asked is (1) moved, up to 30 ms later, to where"
    " its striker, driver or supply is free; else (2) softened, where its coil's duty or heat"
    " allows a shorter pulse only; a damper that may not do as asked is (3) damped earlier, or"
    " not lifted, but the stroke stays; a turner is (3) shortened or slowed; else the note is (4)"
    " dropped. Earlier notes go before later ones. Where the battery must stop, all later notes"
    " are dropped."
)


def change(
    kind: Kind,
    note: ReplyNote,
    limit: str,
    why: str,
    asked: float | None = None,
    given: float | None = None,
    unit: str = "",
) -> Change:
    """One change to a note; for a dropped one, `given` is what would have been allowed."""
    return Change(
        change=kind,
        reply=note.id,
        at_s=note.onset_s,
        limit=limit,
        why=why,
        asked=None if asked is None else round(asked, 6),
        given=None if given is None else round(given, 6),
        unit=unit,
    )

"""A setting swept over its range, and one striker more: what is worked out while one waits."""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from callresp.desk.answers import Cancelled
from callresp.desk.messages import SweepRow
from callresp.desk.session import DeskSession
from callresp.plan.advice.pitch_coverage import pitch_coverage
from callresp.plan.advice.what_if import try_adding
from callresp.plan.auditions import audition, swept

STEPS_MAX = 25
TRIES = 8
# A sweep of a long recording is made on so many of its notes, about the playhead.
NOTES_MAX = 3000


def sweep(
    session: DeskSession,
    key: str,
    low: float,
    high: float,
    steps: int,
    around_s: float,
    cancelled: Callable[[], bool] = lambda: False,
) -> tuple[list[SweepRow], str]:
    """The measures at some values of a setting; and what they are of, "" for the whole."""
    heard = session.need_heard()
    score, said = heard.score, ""
    if len(score.notes) > NOTES_MAX:
        half_s = score.header.duration_s * NOTES_MAX / len(score.notes) / 2
        score = heard.part(around_s - half_s, around_s + half_s)
        score = msgspec.structs.replace(
            score, header=msgspec.structs.replace(score.header, duration_s=2 * half_s)
        )
        said = f"of the {2 * half_s / 60:.0f} minutes about the playhead"
    tried = swept(session.slot.text.rules, f"{key}={low!r}..{high!r}", min(steps, STEPS_MAX))
    rows = []
    for label, rules in tried:
        if cancelled():
            raise Cancelled
        one = audition(label, score, session.palette, rules, None)
        rows.append(SweepRow(value=float(label.rpartition("=")[2]), row=one.row()))
    return rows, said


def one_more(session: DeskSession) -> dict[str, object]:
    """Which heard pitches no striker answers, and what each of some new strikers would do."""
    heard = session.need_heard()
    score = heard.score
    if len(score.notes) > NOTES_MAX:
        score = msgspec.structs.replace(score, notes=score.notes[:NOTES_MAX])
    now, added = try_adding(
        score, session.palette, session.slot.text.rules, TRIES, lambda share: None
    )
    return {
        "now": msgspec.to_builtins(now),
        "added": [msgspec.to_builtins(row) for row in added if row.fit_gain > 0 and row.strokes],
        "tried": len(added),
    }


def coverage(session: DeskSession) -> dict[str, object]:
    """How the heard pitches compare with the strikers'."""
    heard = session.need_heard()
    found = pitch_coverage(heard.score.notes, session.palette.striker)
    told: dict[str, object] = msgspec.to_builtins(found)
    return told

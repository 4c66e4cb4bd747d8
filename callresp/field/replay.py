"""The same day with other rules: how would it have gone?

What is compared
----------------
- What was played that day, by its log: the notes whose commands the board did.
- The same calls answered anew at the desk by some rules, and planned for the
  palette: the notes that the plan's limits leave.

The two were not made quite alike. In the field it is a guess who begins to sing,
calls that the machine's own sound covered were not heard, and what is heard
comes some hundredths of a second late. So the day's own rules are answered
anew too: the step from the log to them is the field's, the step from them to
other rules is the rules'.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

import msgspec

from callresp.field.day import FieldDay, FieldRun, Timed, shifted
from callresp.field.scores import reply_score
from callresp.io.score import HeardScore, ReplyNote, ReplyScore
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.model import Strike, Turn
from callresp.reply.metrics import measure, sounding_s


class VariantFigures(msgspec.Struct, frozen=True, kw_only=True):
    """How the day went, or would have gone, in figures.

    `answered` counts phrases of which something was played; `asked` counts the
    notes that the rules wanted, `played` those that were, or would be;
    `not_played` says why the others weren't. `time_share` is the machine's
    sounding time (to each damper's fall, or a second of a free ring), of the
    day; `overlap_share` that of it in which somebody sings too.
    """

    label: str
    answered: int
    answered_share: float
    asked: int
    played: int
    not_played: dict[str, int]
    time_share: float
    overlap_share: float
    delay_s: float | None
    strokes_per_minute: float
    contour: float | None
    work: dict[str, int]


@dataclass(frozen=True, slots=True)
class Variant:
    """The day as it went or would have gone: what it answered, and the notes that sounded.

    `reply` and `checked` are what was made anew; `None` of what was played that day.
    """

    figures: VariantFigures
    answered: frozenset[int]
    notes: tuple[ReplyNote, ...]
    reply: ReplyScore | None = None
    checked: CheckedPlan | None = None


class Overlap(msgspec.Struct, frozen=True, kw_only=True):
    """Phrases that two variants answer: both, one of them, or neither."""

    one: str
    other: str
    both: int
    only_one: int
    only_other: int
    neither: int


def as_played(day: FieldDay, heard: HeardScore, palette: Palette) -> Variant:
    """The day as its log tells it.

    Parameters
    ----------
    day
        What was logged.
    heard
        What was heard on it.
    palette
        The machine.

    Returns
    -------
    Variant
        As it went.
    """
    score = reply_score(day)
    played = day.sounded()
    refused = Counter(c.fate for c in day.commands if not c.played and c.what != "hold")
    unsent = len(score.notes) - len(played) - sum(refused.values())
    if unsent > 0:
        refused["never sent"] += unsent
    return _variant("as played", heard, score, played, dict(refused.most_common()), palette)


def answered_anew(
    label: str, heard: HeardScore, reply: ReplyScore, checked: CheckedPlan
) -> Variant:
    """A reply made at the desk, as far as its plan plays it.

    Parameters
    ----------
    label
        What the variant is called.
    heard
        What was heard on the day.
    reply, checked
        The reply, and its plan.

    Returns
    -------
    Variant
        As it would have gone.
    """
    plan = checked.plan
    sounding = {c.reply for c in plan.commands if isinstance(c, Strike | Turn)}
    played = [note for note in reply.notes if note.id in sounding]
    dropped = Counter(change.limit for change in plan.changes if change.change == "dropped")
    found = _variant(label, heard, reply, played, dict(dropped.most_common()), checked.palette)
    return replace(found, reply=reply, checked=checked)


def _variant(
    label: str,
    heard: HeardScore,
    asked: ReplyScore,
    played: Sequence[ReplyNote],
    not_played: dict[str, int],
    palette: Palette,
) -> Variant:
    sounded = msgspec.structs.replace(asked, notes=tuple(played))
    found = measure(heard, sounded, palette)
    known = {note.phrase for note in heard.notes}
    answered = frozenset(note.heard_phrase for note in played) & known
    figures = VariantFigures(
        label=label,
        answered=len(answered),
        answered_share=round(len(answered) / max(len(known), 1), 4),
        asked=len(asked.notes),
        played=len(played),
        not_played=not_played,
        time_share=round(sounding_s(played) / max(heard.header.duration_s, 1.0), 5),
        overlap_share=found.overlap_share,
        delay_s=found.delay_s,
        strokes_per_minute=found.strokes_per_minute,
        contour=found.contour,
        work=found.work,
    )
    return Variant(figures, answered, tuple(played))


def overlap_of(heard: HeardScore, one: Variant, other: Variant) -> Overlap:
    """Which phrases two variants answer.

    Parameters
    ----------
    heard
        What was heard on the day.
    one, other
        The two variants.

    Returns
    -------
    Overlap
        How many phrases both answer, either alone, or neither.
    """
    phrases = len({note.phrase for note in heard.notes})
    return Overlap(
        one=one.figures.label,
        other=other.figures.label,
        both=len(one.answered & other.answered),
        only_one=len(one.answered - other.answered),
        only_other=len(other.answered - one.answered),
        neither=phrases - len(one.answered | other.answered),
    )


def cut_day(day: FieldDay, from_s: float, to_s: float) -> FieldDay:
    """A spell of a day as a day of its own: what begins in it, from a start of its own.

    Parameters
    ----------
    day
        The day.
    from_s, to_s
        The spell, in seconds of the day.

    Returns
    -------
    FieldDay
        Its times count from `from_s`.
    """

    def inside(at_s: float) -> bool:
        return from_s <= at_s < to_s

    def cut(rows: Iterable[Timed]) -> tuple[Timed, ...]:
        return tuple(shifted(row, -from_s) for row in rows)

    phrases = {phrase.id: phrase for phrase in day.phrases if inside(phrase.onset_s)}
    replies = [reply for reply in day.replies if reply.phrase in phrases]
    kept = {note.id for reply in replies for note in reply.notes}
    return replace(
        day,
        start=day.moment(from_s),
        duration_s=max(min(to_s, day.duration_s) - from_s, 1.0),
        runs=tuple(
            _run(run, from_s) for run in day.runs if run.begins_s < to_s and run.ends_s > from_s
        ),
        phrases=cut(phrases.values()),
        replies=cut(replies),
        commands=cut(
            c for c in day.commands if (c.reply in kept if c.reply is not None else inside(c.at_s))
        ),
        statuses=cut(row for row in day.statuses if inside(row.at_s)),
        faults=cut(row for row in day.faults if inside(row.at_s)),
        remarks=cut(row for row in day.remarks if inside(row.at_s)),
        clock_steps=cut(row for row in day.clock_steps if inside(row.at_s)),
    )


def _run(run: FieldRun, by_s: float) -> FieldRun:
    """A run as of `by_s`: what is left of it, where it began before."""
    begins_s = max(run.begins_s - by_s, 0.0)
    start = run.start + timedelta(seconds=max(by_s - run.begins_s, 0.0))
    return replace(run, begins_s=begins_s, ends_s=run.ends_s - by_s, start=start)

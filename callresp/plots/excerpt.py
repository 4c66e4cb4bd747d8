"""What a picture of a passage shows, as plain values: marks, links, a stretch.

Goal
----
Work out everything that is drawn before any of it is drawn, so that it can be
tested, and so that the drawing is only drawing.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from callresp.errors import UserError
from callresp.io.score import HeardScore, ReplyNote, ReplyScore, phrases
from callresp.midi.notes import requested_notes
from callresp.palette.model import Palette, Striker, Turner
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.model import Change, Plan
from callresp.synthesis.execution import execute, force_of, rings_until_s

WHOLE_UP_TO_S = 75.0
# A damper that falls when less than a twentieth of the decay is left ends nothing to be seen.
AUDIBLE = 0.95
DETAIL_S = 40.0


@dataclass(frozen=True, slots=True)
class StrokeMark:
    """A stroke on a lane.

    `free_s` is the T60 that its tail is drawn by; `until_s` where the tail
    stops; `damped` whether a damper stops it there.
    """

    instrument: str
    at_s: float
    force: float
    free_s: float
    until_s: float
    damped: bool
    reply: int | None


@dataclass(frozen=True, slots=True)
class TurnMark:
    """A turner's speed over time: (seconds, share of its fastest)."""

    instrument: str
    curve: tuple[tuple[float, float], ...]
    grains_per_rev: float


@dataclass(frozen=True, slots=True)
class AnswerLink:
    """A heard phrase and the reply phrase that answers it."""

    voice: str
    heard_from_s: float
    heard_to_s: float
    reply_from_s: float
    reply_to_s: float
    lane: str


@dataclass(frozen=True)
class Excerpt:
    """All that is drawn between `from_s` and `to_s` of `whole_s` seconds."""

    from_s: float
    to_s: float
    whole_s: float
    marks: tuple[StrokeMark, ...]
    runs: tuple[TurnMark, ...]
    links: tuple[AnswerLink, ...]
    changes: tuple[tuple[Change, str], ...]
    answers: dict[int, str]

    @property
    def partial(self) -> bool:
        """Whether this is not the whole recording."""
        return self.to_s - self.from_s < self.whole_s - 0.5


def marks_of(
    plan: Plan | CheckedPlan | None, reply: ReplyScore | None, palette: Palette | None
) -> tuple[list[StrokeMark], list[TurnMark]]:
    """Strokes and runs: as planned, or else as asked."""
    if palette is None or (plan is None and reply is None):
        return [], []
    if plan is None:
        assert reply is not None
        return _asked_marks(reply, palette)
    parts = execute(plan, palette)
    marks = []
    for part in parts.strikers:
        for index, stroke in enumerate(part.strokes):
            rings_s = rings_until_s(part.striker, stroke)
            until_s = min(rings_s, stroke.damped_s) if not stroke.muted else rings_s
            damped = stroke.damped_s < stroke.at_s + AUDIBLE * part.striker.t60_s
            if index + 1 < len(part.strokes) and part.strokes[index + 1].at_s < until_s:
                until_s, damped = part.strokes[index + 1].at_s, False
            marks.append(
                StrokeMark(
                    part.striker.name,
                    stroke.at_s,
                    stroke.force,
                    rings_s - stroke.at_s if stroke.muted else part.striker.t60_s,
                    until_s,
                    damped and not stroke.muted,
                    stroke.reply,
                )
            )
    runs = [
        TurnMark(
            turning.turner.name,
            tuple((at_s, speed / turning.turner.fastest_rps) for at_s, speed in turning.curve),
            turning.turner.grains_per_rev,
        )
        for turning in parts.turners
        if turning.curve
    ]
    return sorted(marks, key=lambda mark: mark.at_s), runs


def _asked_marks(reply: ReplyScore, palette: Palette) -> tuple[list[StrokeMark], list[TurnMark]]:
    marks, runs = [], []
    ids = {(note.instrument, note.onset_s): note.id for note in reply.notes}
    for sounding in requested_notes(reply, palette):
        item = sounding.instrument
        if isinstance(item, Striker):
            damped = item.damper is not None and (
                sounding.until_s - sounding.from_s < item.t60_s - 1e-9
            )
            marks.append(
                StrokeMark(
                    item.name,
                    sounding.from_s,
                    force_of(item, sounding.level_db),
                    item.t60_s,
                    sounding.until_s,
                    damped,
                    ids.get((item.name, sounding.from_s)),
                )
            )
        else:
            runs.append(_asked_run(item, sounding.from_s, sounding.until_s))
    return marks, runs


def _asked_run(turner: Turner, from_s: float, until_s: float) -> TurnMark:
    up, down = turner.spin_up_s / 2, turner.slow_down_s / 2
    curve = ((from_s - up, 0.0), (from_s + up, 0.7), (until_s - down, 0.7), (until_s + down, 0.0))
    return TurnMark(turner.name, tuple(sorted(curve)), turner.grains_per_rev)


def links_of(heard: HeardScore | None, reply: ReplyScore | None) -> list[AnswerLink]:
    """Which heard phrase each reply phrase answers."""
    if heard is None or reply is None:
        return []
    calls = {phrase.id: phrase for phrase in phrases(heard.notes)}
    groups: dict[int, list[ReplyNote]] = {}
    for note in reply.notes:
        groups.setdefault(note.phrase, []).append(note)
    found = []
    for notes in groups.values():
        call = calls.get(notes[0].heard_phrase)
        if call is None:
            continue
        ends = [note.onset_s if note.offset_s is None else note.offset_s for note in notes]
        found.append(
            AnswerLink(
                call.voice,
                call.onset_s,
                call.offset_s,
                notes[0].onset_s,
                max(ends),
                notes[0].instrument,
            )
        )
    return sorted(found, key=lambda link: link.reply_from_s)


def excerpt_of(
    heard: HeardScore | None,
    reply: ReplyScore | None,
    plan: Plan | CheckedPlan | None,
    palette: Palette | None,
    duration_s: float | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
) -> Excerpt:
    """Gather what a picture shows.

    Without `from_s` and `to_s` a recording of up to 75 s is shown whole; of a
    longer one, the 40 s with most strokes (or heard notes, if none).

    Raises
    ------
    UserError
        When there is nothing to draw, or the stretch is empty.
    """
    if heard is None and reply is None and plan is None and duration_s is None:
        raise UserError("nothing to draw", remedy="give a recording, a score or a plan")
    marks, runs = marks_of(plan, reply, palette)
    whole_s = _whole_s(heard, reply, plan, marks, duration_s)
    start_s, end_s = _stretch(heard, marks, whole_s, from_s, to_s)
    bare = plan.plan if isinstance(plan, CheckedPlan) else plan
    lanes = {note.id: note.instrument for note in reply.notes} if reply else {}
    lanes.update({mark.reply: mark.instrument for mark in marks if mark.reply is not None})
    changes = bare.changes if bare is not None else ()
    voices = {} if heard is None else {p.id: p.voice for p in phrases(heard.notes)}
    answers = {} if reply is None else {n.id: voices.get(n.heard_phrase, "") for n in reply.notes}
    return Excerpt(
        from_s=start_s,
        to_s=end_s,
        whole_s=whole_s,
        marks=tuple(mark for mark in marks if mark.at_s < end_s and mark.until_s > start_s),
        runs=tuple(runs),
        links=tuple(links_of(heard, reply)),
        changes=tuple((change, lanes.get(change.reply, "")) for change in changes),
        answers=answers,
    )


def _whole_s(
    heard: HeardScore | None,
    reply: ReplyScore | None,
    plan: Plan | CheckedPlan | None,
    marks: Sequence[StrokeMark],
    duration_s: float | None,
) -> float:
    bare = plan.plan if isinstance(plan, CheckedPlan) else plan
    headers = [item.header.duration_s for item in (heard, reply, bare) if item is not None]
    ends = [duration_s or 0.0, *headers, *(mark.at_s + 1.0 for mark in marks)]
    if heard is not None:
        ends += [note.offset_s for note in heard.notes]
    return max(max(ends), 0.5)


def _stretch(
    heard: HeardScore | None,
    marks: Sequence[StrokeMark],
    whole_s: float,
    from_s: float | None,
    to_s: float | None,
) -> tuple[float, float]:
    if from_s is None and to_s is None:
        if whole_s <= WHOLE_UP_TO_S:
            return 0.0, whole_s
        times_s = [mark.at_s for mark in marks]
        if not times_s and heard is not None:
            times_s = [note.onset_s for note in heard.notes]
        return busiest_stretch(times_s, whole_s)
    start_s = 0.0 if from_s is None else from_s
    end_s = min(whole_s, start_s + DETAIL_S) if to_s is None else to_s
    start_s, end_s = max(start_s, 0.0), min(end_s, whole_s)
    if not (math.isfinite(start_s) and math.isfinite(end_s) and end_s - start_s >= 0.05):
        raise UserError(
            f"nothing lies from {start_s:g} s to {end_s:g} s",
            remedy=f"choose a stretch within 0 to {whole_s:.1f} s",
        )
    return start_s, end_s


def busiest_stretch(
    times_s: Sequence[float], whole_s: float, length_s: float = DETAIL_S
) -> tuple[float, float]:
    """The stretch of `length_s` with most events, from two seconds before its first.

    Examples
    --------
    >>> busiest_stretch([10.0, 200.0, 203.0, 210.0], 300.0)
    (198.0, 238.0)
    """
    length_s = min(length_s, whole_s)
    times = sorted(times_s)
    if not times:
        return 0.0, length_s
    best_s, most = times[0], 0
    for index, at_s in enumerate(times):
        count = bisect_left(times, at_s + length_s - 2.0) - index
        if count > most:
            best_s, most = at_s, count
    start_s = min(max(best_s - 2.0, 0.0), whole_s - length_s)
    return start_s, start_s + length_s

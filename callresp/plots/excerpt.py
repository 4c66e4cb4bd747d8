"""What a picture of an excerpt shows, as plain values: strokes, answers, a stretch of time.

All that is drawn is worked out here first, so that it can be tested and so that
the drawing is only drawing.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import msgspec

from callresp.errors import UserError
from callresp.io.place import Echo
from callresp.io.score import HeardScore, ReplyNote, ReplyScore, phrases
from callresp.midi.notes import requested_notes
from callresp.palette.model import Palette, Striker, Turner
from callresp.plan.model import Change, Plan
from callresp.synthesis.execution import Execution, execute, force_of, rings_until_s

WHOLE_UP_TO_S = 75.0
DETAIL_S = 40.0
# A damper that falls when less than a twentieth of the decay is left ends nothing to be seen.
AUDIBLE = 0.95
LANES_MAX = 24
# A stroke joins a return so near to it; one so much fainter than the loudest hardly shows.
JOINS_S, FAINT_DB = 0.010, 30.0


@dataclass(frozen=True, slots=True)
class StrokeMark:
    """A stroke on a lane.

    `free_s` is the T60 that its decay is drawn by; `until_s` where the decay
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


@dataclass(frozen=True, slots=True)
class AnswerLink:
    """A heard phrase and the reply phrase that answers it."""

    voice: str
    heard_from_s: float
    heard_to_s: float
    reply_from_s: float
    reply_to_s: float
    lane: str


@dataclass(frozen=True, slots=True)
class ReturnMark:
    """What a wall gives back of a stroke: when, how loud among the place's echoes (0 to 1), and
    whether another stroke joins it."""

    stroke: StrokeMark
    at_s: float
    ink: float
    joined: bool


@dataclass(frozen=True)
class Excerpt:
    """All that is drawn between `from_s` and `to_s` of `whole_s` seconds.

    `changes` are the plan's changes with the lane that each belongs to;
    `answers` the voice that each reply note answers, by the note's number.
    """

    from_s: float
    to_s: float
    whole_s: float
    marks: tuple[StrokeMark, ...]
    turns: tuple[TurnMark, ...]
    links: tuple[AnswerLink, ...]
    changes: tuple[tuple[Change, str], ...]
    answers: dict[int, str]
    returns: tuple[ReturnMark, ...] = ()

    @property
    def partial(self) -> bool:
        """Whether this is not the whole recording."""
        return self.to_s - self.from_s < self.whole_s - 0.5

    def voice_of(self, mark: StrokeMark) -> str:
        """The voice that a stroke answers; empty where it is not known."""
        return "" if mark.reply is None else self.answers.get(mark.reply, "")

    def begun(self) -> list[StrokeMark]:
        """The strokes that fall within the excerpt, without those that only ring into it."""
        return [mark for mark in self.marks if mark.at_s >= self.from_s]


def with_returns(shown: Excerpt, echoes: Sequence[Echo]) -> Excerpt:
    """The excerpt with what a place's walls give back of its strokes.

    A stroke joins a return of its own striker that comes within `JOINS_S` of it.
    """
    loudest_db = max((echo.level_db for echo in echoes), default=0.0)
    struck: dict[str, list[float]] = {}
    for mark in shown.marks:
        struck.setdefault(mark.instrument, []).append(mark.at_s)
    returns = []
    for mark in shown.marks:
        own = struck[mark.instrument]
        for echo in echoes:
            at_s = mark.at_s + echo.delay_s
            if not shown.from_s <= at_s <= shown.to_s:
                continue
            later = bisect_left(own, at_s - JOINS_S)
            joined = later < len(own) and own[later] <= at_s + JOINS_S
            ink = max(1 - (loudest_db - echo.level_db) / FAINT_DB, 0.15)
            returns.append(ReturnMark(mark, at_s, ink, joined))
    return replace(shown, returns=tuple(returns))


def marks_of(
    plan: Plan | None, reply: ReplyScore | None, palette: Palette | None
) -> tuple[list[StrokeMark], list[TurnMark]]:
    """Strokes in order of time, and turns: as planned, or else as asked for."""
    if palette is None or (plan is None and reply is None):
        return [], []
    if plan is None:
        assert reply is not None
        return _requested_marks(reply, palette)
    return marks_in(execute(plan, palette))


def marks_in(execution: Execution) -> tuple[list[StrokeMark], list[TurnMark]]:
    """The strokes, in order of time, and the turns of a plan as it is acted out."""
    marks = []
    for part in execution.strikers:
        free_s = part.striker.t60_s
        ends_s = [stroke.at_s for stroke in part.strokes[1:]] + [math.inf]
        for stroke, next_s in zip(part.strokes, ends_s, strict=False):
            rings_s = rings_until_s(part.striker, stroke)
            until_s = rings_s if stroke.muted else min(rings_s, stroke.damped_s)
            damped = not stroke.muted and stroke.damped_s < stroke.at_s + AUDIBLE * free_s
            mark = StrokeMark(
                instrument=part.striker.name,
                at_s=stroke.at_s,
                force=stroke.force,
                free_s=rings_s - stroke.at_s if stroke.muted else free_s,
                until_s=min(until_s, next_s),
                damped=damped and until_s <= next_s,
                reply=stroke.reply,
            )
            marks.append(mark)
    turns = [
        TurnMark(
            part.turner.name, tuple((at_s, v / part.turner.fastest_rps) for at_s, v in part.curve)
        )
        for part in execution.turners
        if part.curve
    ]
    return sorted(marks, key=lambda mark: mark.at_s), turns


def _requested_marks(
    reply: ReplyScore, palette: Palette
) -> tuple[list[StrokeMark], list[TurnMark]]:
    marks, turns = [], []
    ids = {(note.instrument, note.onset_s): note.id for note in reply.notes}
    for note in requested_notes(reply, palette):
        item = note.instrument
        if isinstance(item, Turner):
            turns.append(_requested_turn(item, note.from_s, note.until_s))
            continue
        mark = StrokeMark(
            instrument=item.name,
            at_s=note.from_s,
            force=force_of(item, note.level_db),
            free_s=item.t60_s,
            until_s=note.until_s,
            damped=item.damper is not None and note.until_s - note.from_s < item.t60_s - 1e-9,
            reply=ids.get((item.name, note.from_s)),
        )
        marks.append(mark)
    return marks, turns


def _requested_turn(turner: Turner, from_s: float, until_s: float) -> TurnMark:
    up, down = turner.spin_up_s / 2, turner.slow_down_s / 2
    curve = ((from_s - up, 0.0), (from_s + up, 0.7), (until_s - down, 0.7), (until_s + down, 0.0))
    return TurnMark(turner.name, tuple(sorted(curve)))


def links_of(heard: HeardScore | None, reply: ReplyScore | None) -> list[AnswerLink]:
    """Find which heard phrase each reply phrase answers, in order of the replies."""
    if heard is None or reply is None:
        return []
    calls = {phrase.id: phrase for phrase in phrases(heard.notes)}
    groups: dict[int, list[ReplyNote]] = {}
    for note in reply.notes:
        groups.setdefault(note.phrase, []).append(note)
    found = []
    for notes in groups.values():
        if (call := calls.get(notes[0].heard_phrase)) is None:
            continue
        until_s = max(n.onset_s if n.offset_s is None else n.offset_s for n in notes)
        first = notes[0]
        link = AnswerLink(
            call.voice, call.onset_s, call.offset_s, first.onset_s, until_s, first.instrument
        )
        found.append(link)
    return sorted(found, key=lambda link: link.reply_from_s)


def excerpt_of(
    heard: HeardScore | None,
    reply: ReplyScore | None,
    plan: Plan | None,
    palette: Palette | None,
    duration_s: float | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
) -> Excerpt:
    """Gather what a picture shows of what there is of a job.

    By default a recording of up to 75 s is shown whole; of a longer one, the 40 s with most
    strokes (or heard notes, if none).

    Raises
    ------
    UserError
        When there is nothing to draw, or the stretch is empty.
    """
    if heard is None and reply is None and plan is None and duration_s is None:
        raise UserError("nothing to draw", remedy="give a recording, a score or a plan")
    marks, turns = marks_of(plan, reply, palette)
    whole_s = whole_length_s(heard, reply, plan, marks, duration_s)
    onsets_s = [mark.at_s for mark in marks] or [n.onset_s for n in (heard.notes if heard else ())]
    start_s, end_s = choose_stretch(onsets_s, whole_s, from_s, to_s)
    lanes = {note.id: note.instrument for note in reply.notes} if reply else {}
    lanes.update({mark.reply: mark.instrument for mark in marks if mark.reply is not None})
    voices = {} if heard is None else {p.id: p.voice for p in phrases(heard.notes)}
    answers = {} if reply is None else {n.id: voices.get(n.heard_phrase, "") for n in reply.notes}
    return Excerpt(
        from_s=start_s,
        to_s=end_s,
        whole_s=whole_s,
        marks=tuple(mark for mark in marks if mark.at_s < end_s and mark.until_s > start_s),
        turns=tuple(turns),
        links=tuple(links_of(heard, reply)),
        changes=tuple((c, lanes.get(c.reply, "")) for c in (plan.changes if plan else ())),
        answers=answers,
    )


def whole_length_s(
    heard: HeardScore | None,
    reply: ReplyScore | None,
    plan: Plan | None,
    marks: Iterable[StrokeMark],
    duration_s: float | None,
) -> float:
    """Length that holds the recording, every heard note, and a second of every stroke."""
    headers = [item.header.duration_s for item in (heard, reply, plan) if item is not None]
    ends = [duration_s or 0.0, *headers, *(mark.at_s + 1.0 for mark in marks), 0.5]
    return max(ends + [note.offset_s for note in (heard.notes if heard else ())])


def choose_stretch(
    onsets_s: Sequence[float], whole_s: float, from_s: float | None, to_s: float | None
) -> tuple[float, float]:
    """Choose the stretch to draw: the one asked for, all of a short one, or where most begins.

    Raises
    ------
    UserError
        When the stretch is empty.
    """
    if from_s is None and to_s is None:
        return (0.0, whole_s) if whole_s <= WHOLE_UP_TO_S else busiest_stretch(onsets_s, whole_s)
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
    """Find the stretch of `length_s` with most events, from two seconds before its first.

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


def lanes_of(palette: Palette, shown: Excerpt) -> Palette:
    """A palette with those strikers that get a lane: of many, `LANES_MAX` that are heard of."""
    struck = {mark.instrument for mark in shown.marks} | {lane for _, lane in shown.changes}
    kept = tuple(item for item in palette.striker if item.name in struck)
    if len(palette.striker) <= LANES_MAX or not kept:
        return palette
    return msgspec.structs.replace(palette, striker=kept)


def lane_order(palette: Palette) -> list[Striker | Turner]:
    """Pitched strikers from high to low, then those without pitch, then turners."""
    strikers = sorted(palette.striker, key=lambda item: (item.pitch_hz is None, -item.reference_hz))
    return [*strikers, *palette.turner]

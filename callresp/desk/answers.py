"""What a rule set answers, made ready for eye and ear: replies, plan, strokes, measures.

The same functions as the commands': `answer`, `make_plan`, `measured`. Of a long recording
the stretch around the playhead is answered first, from a run-up of `RUN_UP_S` on: it is
provisional, since what the machine remembers from before (novelty, weariness, heat) is
missing from it, and is replaced as soon as the whole is there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import msgspec

from callresp.io.score import HeardScore, Phrase, ReplyNote, ReplyScore, Unanswered, phrases
from callresp.palette.model import Palette
from callresp.plan.auditions import Audition, measured
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.model import Change
from callresp.plan.planner import make_plan
from callresp.plan.summary import grouped, workload
from callresp.plots.excerpt import StrokeMark, TurnMark, lane_order, marks_in
from callresp.reply.replier import answer
from callresp.reply.rules import RuleSet
from callresp.synthesis.execution import Execution, execute

# Notes up to which the whole is answered at once.
AT_ONCE_NOTES = 600
RUN_UP_S = 60.0
AHEAD_S = 30.0


class Cancelled(Exception):  # noqa: N818 - it is no error: a newer change has come
    """A newer change has come: nobody waits for this answer any more."""


@dataclass(frozen=True)
class HeardIndex:
    """What was heard, with what is looked up in it again and again."""

    score: HeardScore
    phrases: dict[int, Phrase] = field(init=False)

    def __post_init__(self) -> None:
        found = {phrase.id: phrase for phrase in phrases(self.score.notes)}
        object.__setattr__(self, "phrases", found)

    @cached_property
    def place(self) -> dict[int, int]:
        """Where each note stands in the score, by its number."""
        return {note.id: n for n, note in enumerate(self.score.notes)}

    @cached_property
    def voices(self) -> Counter[str]:
        """How many notes each singer sang."""
        return Counter(note.voice for note in self.score.notes)

    def part(self, from_s: float, to_s: float) -> HeardScore:
        """The notes that begin in a stretch."""
        notes = tuple(note for note in self.score.notes if from_s <= note.onset_s < to_s)
        return msgspec.structs.replace(self.score, notes=notes)


@dataclass(frozen=True)
class RuleAnswer:
    """One rule set's answer; `whole` says whether it is that of the whole recording."""

    number: int
    rules: RuleSet
    reply: ReplyScore
    checked: CheckedPlan
    execution: Execution
    whole: bool
    from_s: float
    to_s: float

    @cached_property
    def notes(self) -> dict[int, ReplyNote]:
        """Reply notes by number."""
        return {note.id: note for note in self.reply.notes}

    @cached_property
    def silences(self) -> dict[int, Unanswered]:
        """Phrases left alone, by number."""
        return {silence.unanswered: silence for silence in self.reply.unanswered}

    @cached_property
    def changes(self) -> dict[int, list[Change]]:
        """What the limits changed, by reply note."""
        found: dict[int, list[Change]] = {}
        for change in self.checked.plan.changes:
            found.setdefault(change.reply, []).append(change)
        return found

    @cached_property
    def drawn(self) -> tuple[list[StrokeMark], list[TurnMark]]:
        """Strokes, in order of time, and turns as they are drawn."""
        return marks_in(self.execution)

    @property
    def marks(self) -> list[StrokeMark]:
        """The strokes alone."""
        return self.drawn[0]


def make_answer(
    number: int,
    heard: HeardIndex,
    palette: Palette,
    rules: RuleSet,
    around_s: float | None = None,
    cancelled: Callable[[], bool] = lambda: False,
) -> RuleAnswer:
    """Answer, plan and act out; of a long score only the stretch around `around_s`, if given.

    `cancelled` is asked now and then whether nobody waits any more.

    Raises
    ------
    Cancelled
        When nobody does.
    """

    def go_on(share: float = 0.0) -> None:
        if cancelled():
            raise Cancelled

    whole = around_s is None or len(heard.score.notes) <= AT_ONCE_NOTES
    from_s, to_s = 0.0, heard.score.header.duration_s
    part = heard.score
    if around_s is not None and not whole:
        from_s, to_s = max(around_s - 2.0, 0.0), min(around_s + AHEAD_S, to_s)
        part = heard.part(from_s - RUN_UP_S, to_s)
    go_on()
    reply = answer(part, palette, rules, progress=go_on)
    go_on()
    checked = make_plan(reply, palette, go_on)
    go_on()
    execution = execute(checked.plan, palette)
    return RuleAnswer(number, rules, reply, checked, execution, whole, from_s, to_s)


def measures_of(heard: HeardIndex, answer: RuleAnswer) -> dict[str, object]:
    """The row of measures, as `callresp audition` tells them, and the work of each striker."""
    audition: Audition = measured(answer.rules.name, heard.score, answer.reply, answer.checked)
    strokes = Counter(mark.instrument for mark in answer.marks)
    work = [
        {**msgspec.to_builtins(row), "struck": strokes[row.striker]}
        for row in workload(answer.reply, answer.checked)
    ]
    limits = [msgspec.to_builtins(group) for group in grouped(answer.checked.plan.changes)]
    return {**audition.row(), "work": work, "limits": limits}


def strokes_of(heard: HeardIndex, answer: RuleAnswer, voices: dict[str, int]) -> dict[str, object]:
    """Strokes, turns, threads and silences as columns, for the page to draw."""
    palette = answer.checked.palette
    lanes = {item.name: n for n, item in enumerate(lane_order(palette))}
    owner = {n.id: heard.phrases.get(n.heard_phrase) for n in answer.reply.notes}
    marks = answer.marks

    def voice_of(reply: int | None) -> int:
        phrase = owner.get(reply) if reply is not None else None
        return -1 if phrase is None else voices.get(phrase.voice, -1)

    threads: dict[int, list[float]] = {}
    for mark in marks:
        phrase = owner.get(mark.reply) if mark.reply is not None else None
        if phrase is None:
            continue
        lane = lanes[mark.instrument]
        at = threads.setdefault(phrase.id, [mark.at_s, mark.at_s, lane])
        at[0], at[1] = min(at[0], mark.at_s), max(at[1], mark.at_s)
    dropped = [
        [c.at_s, lanes.get(answer.notes[c.reply].instrument, 0), c.reply]
        for c in answer.checked.plan.changes
        if c.change == "dropped" and c.reply in answer.notes
    ]
    return {
        "number": answer.number,
        "whole": answer.whole,
        "from_s": answer.from_s,
        "to_s": answer.to_s,
        "at_s": [round(mark.at_s, 5) for mark in marks],
        "until_s": [round(mark.until_s, 4) for mark in marks],
        "free_s": [round(mark.free_s, 3) for mark in marks],
        "damped": [int(mark.damped) for mark in marks],
        "force": [round(mark.force, 3) for mark in marks],
        "lane": [lanes[mark.instrument] for mark in marks],
        "reply": [-1 if mark.reply is None else mark.reply for mark in marks],
        "voice": [voice_of(mark.reply) for mark in marks],
        "changed": [int(mark.reply in answer.changes) for mark in marks],
        "threads": [[number, *at] for number, at in threads.items()],
        # What the run-up to a stretch left alone, knowing too little, is not told.
        "silent": [
            silence.unanswered
            for silence in answer.reply.unanswered
            if answer.whole or heard.phrases[silence.unanswered].offset_s >= answer.from_s
        ],
        "dropped": dropped,
        "turns": [[lanes[turn.instrument], turn.curve] for turn in answer.drawn[1]],
    }

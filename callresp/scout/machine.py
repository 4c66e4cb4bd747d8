"""What a machine would do in a recording: its replier run over it, as in a rehearsal."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

import msgspec

from callresp.io.audio import Recording
from callresp.palette.model import Palette
from callresp.reply.rules import RuleSet


@dataclass(frozen=True, slots=True)
class Machine:
    """Names of a palette and a rule set, as a user gives them."""

    palette: str
    rules: str


@dataclass(frozen=True, slots=True)
class Answered:
    """What the machine would do in one recording; nothing is known where there is none."""

    answers_s: tuple[float, ...] | None = None
    strokes_s: tuple[float, ...] | None = None
    overlap: float | None = None
    battery_h: float | None = None

    @staticmethod
    def count(times_s: tuple[float, ...] | None, first: int, last: int) -> int | None:
        """How many lie in a span of seconds."""
        return None if times_s is None else sum(first <= at < last for at in times_s)


def answered_in(recording: Recording, machine: Machine | None, start: datetime | None) -> Answered:
    """Run the replier over a recording, as a rehearsal would."""
    if machine is None:
        return Answered()
    from callresp.listen.offline import transcribe
    from callresp.plan.model import Strike, Turn
    from callresp.plan.planner import make_plan
    from callresp.plan.summary import summarise
    from callresp.reply.metrics import measure
    from callresp.reply.replier import answer

    palette, rules = _loaded(machine)
    heard = transcribe(recording)
    if start is not None:
        header = msgspec.structs.replace(heard.header, start=start.isoformat())
        heard = msgspec.structs.replace(heard, header=header)
    reply = answer(heard, palette, rules)
    checked = make_plan(reply, palette)
    first: dict[int, float] = {}
    played = {c.reply for c in checked.plan.commands if isinstance(c, Strike | Turn)}
    for note in reply.notes:
        if note.id in played:
            first.setdefault(note.heard_phrase, note.onset_s)
    return Answered(
        answers_s=tuple(first.values()),
        strokes_s=tuple(c.at_s for c in checked.plan.commands if isinstance(c, Strike)),
        overlap=measure(heard, reply, palette).overlap_share,
        battery_h=summarise(checked).battery_hours,
    )


@lru_cache(maxsize=4)
def _loaded(machine: Machine) -> tuple[Palette, RuleSet]:
    from callresp.palette.files import load_palette
    from callresp.reply.rules import load_rules

    return load_palette(machine.palette), load_rules(machine.rules)

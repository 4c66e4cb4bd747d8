"""Whether one can tell from a reply which call it answers.

Task
----
Each reply is held against every call that ended in the minute before it began.
The call whose line lies nearest is picked. The share of replies from which the
answered call is picked says whether the machine answers, or only plays; beside
it stands chance, the mean of one over the number of calls to pick from.

Conventions
-----------
- A line is a run of steps, from one onset to the next: the direction of pitch
  (none where a note has no pitch) and the time between the onsets. Key does not
  count, nor does tempo: a reply is held against each call at the tempo that
  suits it best, from a third to three times its own.
- A reply may leave notes out, above all at a call's ends. Its own steps must
  all be found: the distance is an edit distance (R. A. Wagner and M. J. Fischer
  1974) in which what a call has more costs little.
- Where several calls lie equally near, each counts its share of a pick.
- Replies with one call to pick from are left out.

The costs are our choice. They were set so that a plain echo is always picked
and a reply with another call's notes hardly ever (tests hold both).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from callresp.io.score import Phrase, ReplyNote
from callresp.palette.model import Palette
from callresp.reply.mapping import sign

MEMORY_S = 60.0
OWN_STEP = 0.6  # a step of the reply that the call has not
INNER_STEP = 0.3  # a step of the call that the reply leaves out
OUTER_STEP = 0.1  # the same, before or after what the reply took
UNPITCHED = 0.25  # a step without direction against one with
OCTAVES = 2.0  # of time; two steps this far apart have nothing in common in rhythm
TEMPOS = np.arange(-13, 14) / 8  # octaves
NEARLY = 1e-9

# As many replies are tried, spread evenly over a long score.
MOST = 200

Values = npt.NDArray[np.float64]
Step = tuple[int | None, float]
Line = tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Picked:
    """How often the answered call is picked, by chance, and of how many replies."""

    share: float
    chance: float
    replies: int


def line_of(notes: Sequence[tuple[float, float | None]]) -> Line:
    """Steps of onsets in seconds and pitches in hertz, in order of onset."""
    gaps_s = [max(after[0] - before[0], 0.005) for before, after in pairwise(notes)]
    return tuple(
        (
            None if before[1] is None or after[1] is None else sign(before[1], after[1]),
            math.log2(gap_s),
        )
        for (before, after), gap_s in zip(pairwise(notes), gaps_s, strict=True)
    )


def unlike(reply: Line, call: Line) -> Values:
    """How unlike each step of a reply is to each of a call, 0 to 1, at each tempo.

    Half by direction, half by time; shape ``(reply, call, tempo)``.
    """
    turned = np.array([[_turned(a, b) for b, _ in call] for a, _ in reply])
    own, other = (np.array([gap for _, gap in line]) for line in (reply, call))
    apart = np.abs(own[:, None, None] - other[None, :, None] + TEMPOS)
    return np.asarray(turned[..., None] + 0.5 * np.minimum(apart / OCTAVES, 1.0))


def _turned(first: int | None, second: int | None) -> float:
    if first is None or second is None:
        return 0.0 if first == second else UNPITCHED
    return 0.25 * abs(first - second)


def distance(reply: Line, call: Line) -> float:
    """How far a reply lies from a call, a step of the reply; 0 for an echo at any tempo."""
    if not reply or not call:
        return OUTER_STEP * len(call) + OWN_STEP * bool(reply)
    row = [np.full(len(TEMPOS), OUTER_STEP * place) for place in range(len(call) + 1)]
    for number, costs in enumerate(unlike(reply, call), start=1):
        before, row[0] = row[0], np.full(len(TEMPOS), OWN_STEP * number)
        inner = OUTER_STEP if number == len(reply) else INNER_STEP
        for place, cost in enumerate(costs, start=1):
            best = np.minimum(
                before + cost, np.minimum(row[place] + OWN_STEP, row[place - 1] + inner)
            )
            before, row[place] = row[place], best
    return float(row[-1].min()) / len(reply)


def picked(
    calls: Iterable[Phrase], strokes: Iterable[ReplyNote], palette: Palette
) -> Picked | None:
    """How often the call that a reply answers can be picked from it.

    `None` where no reply had two calls or more to pick from.
    """
    known = sorted(calls, key=lambda call: call.offset_s)
    ends_s = np.array([call.offset_s for call in known])
    lines = [line_of([(note.onset_s, note.pitch_hz) for note in call.notes]) for call in known]
    hits: list[float] = []
    chances: list[float] = []
    replies = _by_reply(strokes, palette)
    for own in replies[:: max(1, len(replies) // MOST)]:
        start_s = own[0].onset_s
        first, last = np.searchsorted(ends_s, (start_s - MEMORY_S, start_s), side="right")
        among = range(int(first), int(last))
        right = [k for k in among if known[k].id == own[0].heard_phrase]
        if len(among) < 2 or not right:
            continue
        line = line_of([(n.onset_s, palette.strike_pitch_hz(n.instrument)) for n in own])
        far = {k: distance(line, lines[k]) for k in among}
        nearest = [k for k in among if far[k] <= min(far.values()) + NEARLY]
        hits.append(1 / len(nearest) if right[0] in nearest else 0.0)
        chances.append(1 / len(among))
    if not hits:
        return None
    return Picked(statistics.fmean(hits), statistics.fmean(chances), len(hits))


def _by_reply(strokes: Iterable[ReplyNote], palette: Palette) -> list[list[ReplyNote]]:
    """The strokes of each reply, in order."""
    found: dict[int, list[ReplyNote]] = {}
    for note in sorted(strokes, key=lambda note: (note.onset_s, note.id)):
        if palette.striker_named(note.instrument) is not None:
            found.setdefault(note.phrase, []).append(note)
    return list(found.values())

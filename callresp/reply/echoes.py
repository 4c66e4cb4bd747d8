"""Joining the echoes of a place: a rule's strokes fall where a return comes back.

Conventions
-----------
- A return is known by its delay behind a stroke, as it comes back to the machine,
  and its level against the stroke. It is the loudest that ``callresp ask-place``
  heard, or what the rule itself states.
- Times are when strokes sound: what a striker's coil needs is taken off by the
  plan, as for every stroke.
"""

from __future__ import annotations

import math
import statistics
from collections import defaultdict, deque
from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

from callresp.io.place import PlaceReport
from callresp.io.score import Phrase
from callresp.palette.model import Palette, Striker
from callresp.reply.compose import Stroke
from callresp.reply.rules import Rule
from callresp.reply.transformations import ONE_TONE_S

# A return this far below its stroke is heard no more.
HEARD_DB = -60.0
# Parts that a delay may be cut into where a phrase is quicker than its echo.
PARTS_MOST = 8
# A singer's rests are known by the last few; it is taken to be as quick as its quicker ones.
RESTS_KEPT, RESTS_NEEDED = 8, 3
# An echo that ends so shortly before a bird begins falls on it all the same.
SPARE_S = 0.1


@dataclass(frozen=True, slots=True)
class KnownEcho:
    """A return: its delay, and its level against the stroke where that is known (dB)."""

    delay_s: float
    level_db: float | None = None


def loudest(report: PlaceReport) -> KnownEcho | None:
    """The loudest return of a place; `None` where it gives nothing back."""
    if not report.echoes:
        return None
    echo = max(report.echoes, key=lambda one: one.level_db)
    return KnownEcho(echo.delay_s, echo.level_db)


def echo_for(rule: Rule, known: KnownEcho | None) -> KnownEcho | None:
    """The return that a rule acts on; `None` where it acts on none, or none is known."""
    if rule.echo == "none":
        return None
    if known is not None:
        return known
    return KnownEcho(rule.echo_s) if rule.echo_s > 0 else None


def joined(
    strokes: list[Stroke], rule: Rule, echo: KnownEcho | None, palette: Palette
) -> list[Stroke]:
    """The strokes of a reply, with those that join their echoes, or set to its pulse.

    `rule.echo` says which; without an echo they stay as they are.
    """
    if echo is None or not strokes:
        return strokes
    if rule.echo == "pulse":
        return _on_pulse(strokes, echo.delay_s, palette)
    if rule.echo not in ("once", "repeating"):
        return strokes
    most = 1 if rule.echo == "once" else rule.echo_most
    added = [one for stroke in strokes for one in _returns(stroke, rule, echo, palette, most)]
    return _apart(strokes, added, palette)


def _returns(
    stroke: Stroke, rule: Rule, echo: KnownEcho, palette: Palette, most: int
) -> Iterable[Stroke]:
    """A stroke at each return of a stroke, softer each time."""
    striker = palette.striker_named(stroke.instrument)
    if striker is None:
        return
    for number in range(1, most + 1):
        fallen_db = -number * (echo.level_db or 0.0)
        if -fallen_db < HEARD_DB:
            return
        down_db = fallen_db + number * rule.echo_softer_db
        again = "" if number == 1 else f", repeat {number}"
        yield replace(
            stroke,
            at_s=stroke.at_s + number * echo.delay_s,
            force=_softer(striker, stroke.force, down_db),
            why=f"{stroke.why}; joins its echo{again}, {1000 * number * echo.delay_s:.0f} ms later",
        )


def _softer(striker: Striker, force: float, down_db: float) -> float:
    """The force of a stroke so much softer; the softest that it has where that is softer yet."""
    range_db = striker.force[-1].level_db - striker.force[0].level_db
    return 0.0 if range_db <= 0 else max(force - down_db / range_db, 0.0)


def _apart(strokes: list[Stroke], added: list[Stroke], palette: Palette) -> list[Stroke]:
    """Both in order of time, without returns that their striker is not free for."""
    kept = list(strokes)
    for one in sorted(added, key=lambda stroke: stroke.at_s):
        striker = palette.striker_named(one.instrument)
        least_s = striker.restrike_ms / 1000 if striker is not None else ONE_TONE_S
        same = (other.at_s for other in kept if other.instrument == one.instrument)
        if all(abs(one.at_s - at_s) >= least_s for at_s in same):
            kept.append(one)
    return sorted(kept, key=lambda stroke: stroke.at_s)


def _on_pulse(strokes: list[Stroke], delay_s: float, palette: Palette) -> list[Stroke]:
    """The strokes on multiples of the delay, or of a whole part of it that fits their pace."""
    steps = [b.at_s - a.at_s for a, b in pairwise(strokes) if b.at_s - a.at_s > ONE_TONE_S]
    usual_s = statistics.median(steps) if steps else delay_s
    parts = min(max(1, round(delay_s / usual_s)), PARTS_MOST)
    slow_s = max(
        (s.restrike_ms / 1000 for one in strokes if (s := palette.striker_named(one.instrument))),
        default=0.0,
    )
    while parts > 1 and delay_s / parts < slow_s:
        parts -= 1
    step_s = delay_s / parts
    placed, beat = [], -1
    first_s = strokes[0].at_s
    for stroke in strokes:
        beat = max(round((stroke.at_s - first_s) / step_s), beat + 1)
        why = f"{stroke.why}; on the echo's pulse of {1000 * step_s:.0f} ms"
        placed.append(replace(stroke, at_s=first_s + beat * step_s, why=why))
    return placed


class SingersRests:
    """How long each singer rests between its phrases: when it may begin again."""

    def __init__(self) -> None:
        self._rests: defaultdict[str, deque[float]] = defaultdict(lambda: deque(maxlen=RESTS_KEPT))
        self._ended_s: dict[str, float] = {}

    def closed(self, phrase: Phrase) -> None:
        """Take note of a phrase that has ended, in order of ends."""
        before_s = self._ended_s.get(phrase.voice)
        if before_s is not None and phrase.onset_s > before_s:
            self._rests[phrase.voice].append(phrase.onset_s - before_s)
        self._ended_s[phrase.voice] = phrase.offset_s

    def begins_s(self, phrase: Phrase) -> float:
        """When the singer of a phrase may begin again, by its own rests; `inf` if unknown."""
        rests = self._rests.get(phrase.voice, ())
        if len(rests) < RESTS_NEEDED:
            return math.inf
        return phrase.offset_s + statistics.quantiles(rests, n=4)[0]


def falls_on(
    phrase: Phrase, strokes: list[Stroke], start_s: float, echo: KnownEcho, rests: SingersRests
) -> float | None:
    """By how much the echo of a reply from `start_s` on would fall on the singer's next phrase, s.

    `None` where it would not.
    """
    last_s = start_s + max(stroke.at_s for stroke in strokes) + echo.delay_s + SPARE_S
    over_s = last_s - rests.begins_s(phrase)
    return over_s if over_s > 0 else None

"""What one more striker would do, found by trying it.

Candidates come from the heard pitches; each is added to the palette, the whole
recording is answered and planned anew, and the result is measured as
`callresp.reply.mapping` measures mappings: how much of the calls' contour is
kept, how many of their different pitches stay apart, how near the strokes are to
the heard pitch, octaves aside. Notes that the limits drop count as lost.

Conventions
-----------
A candidate is a copy of the nearest pitched striker (its coil, action and
damper), tuned to its pitch, on channels of its own. Only pitches that can be
built are tried: from an octave below the lowest striker to an octave above the
highest. Rules choose at random, so each trial is a mean over some seeds.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence

import msgspec

from callresp.io.score import HeardScore, ReplyScore
from callresp.io.wording import counted
from callresp.palette.model import Driver, Palette, Striker
from callresp.plan.advice.pitch_coverage import NEAR_CENTS
from callresp.plan.planner import make_plan
from callresp.reply.mapping import fit_of, lines_fit, octave_off_cents
from callresp.reply.replier import answer
from callresp.reply.rules import RuleSet

NEW = "new striker"
GRID_CENTS = 25.0
CHANNELS = 64
SEEDS = 3
# A long recording makes so many random choices that one seed is enough.
LONG_NOTES = 5000


class AnswerFit(msgspec.Struct, frozen=True, kw_only=True):
    """How well a palette answers a recording.

    `fit` is 0 to 1: that of `callresp.reply.mapping`, times the share of
    notes that are played. `on_pitch` is the share of played notes within half a
    semitone of the heard pitch, octaves aside.
    """

    fit: float
    contour: float
    distinct: float
    near: float
    on_pitch: float
    asked: int
    played: int


class TriedStriker(msgspec.Struct, frozen=True, kw_only=True):
    """One candidate that was tried: its pitch and the result."""

    pitch_hz: float
    like: str
    outcome: AnswerFit
    fit_gain: float
    strokes: int
    needs: str


class _Tally:
    """Counts over the replies of several seeds."""

    def __init__(self) -> None:
        self.asked = self.played = self.on_pitch = 0
        self.strokes: dict[str, int] = defaultdict(int)
        self.lines: list[list[tuple[float, Striker]]] = []

    def count(self, reply: ReplyScore, palette: Palette) -> None:
        """Plan a reply and count what is played of it."""
        changes = make_plan(reply, palette).plan.changes
        dropped = {change.reply for change in changes if change.change == "dropped"}
        strikers = {striker.name: striker for striker in palette.striker}
        lines: dict[int, list[tuple[float, Striker]]] = defaultdict(list)
        for note in reply.notes:
            striker = strikers.get(note.instrument)
            if striker is None or striker.pitch_hz is None or note.asked_hz is None:
                continue
            self.asked += 1
            if note.id in dropped:
                continue
            self.played += 1
            self.strokes[striker.name] += 1
            lines[note.phrase].append((note.asked_hz, striker))
            off_cents = octave_off_cents(note.asked_hz, striker.pitch_hz)
            self.on_pitch += abs(off_cents) <= NEAR_CENTS
        self.lines += lines.values()

    def outcome(self) -> AnswerFit:
        """The figures over all that was counted."""
        shares = contour, distinct, near = lines_fit(
            [([hz for hz, _ in line], [striker for _, striker in line]) for line in self.lines]
        )
        share = self.played / self.asked if self.asked else 0.0
        return AnswerFit(
            fit=round(share * fit_of(shares), 4),
            contour=round(contour, 4),
            distinct=round(distinct, 4),
            near=round(near, 4),
            on_pitch=round(self.on_pitch / self.played, 4) if self.played else 0.0,
            asked=self.asked,
            played=self.played,
        )


def answer_fit(
    heard: HeardScore, palette: Palette, rules: RuleSet, seeds: int = SEEDS
) -> tuple[AnswerFit, dict[str, int]]:
    """Answer and plan a recording with some seeds; also counts strokes by striker."""
    tally = _Tally()
    for number in range(seeds):
        tally.count(answer(heard, palette, rules, rules.seed + number), palette)
    return tally.outcome(), dict(tally.strokes)


def with_striker(palette: Palette, pitch_hz: float) -> tuple[Palette, str, str]:
    """A palette with one striker more.

    Returns
    -------
    palette, like, needs
        `like` names the striker that it is a copy of; `needs` says what the
        board lacks for it, if anything.
    """
    able = [striker for striker in palette.striker if striker.pitch_hz is not None]
    like = min(able, key=lambda s: abs(math.log2((s.pitch_hz or 1.0) / pitch_hz)))
    used = set(palette.coils())
    free = [channel for channel in range(CHANNELS) if channel not in used]
    wanted = 1 if like.damper is None else 2
    channels = free[:wanted]
    coil = msgspec.structs.replace(like.coil, channel=channels[0])
    damper = like.damper
    if damper is not None:
        moved = msgspec.structs.replace(damper.coil, channel=channels[1])
        damper = msgspec.structs.replace(damper, coil=moved)
    new = msgspec.structs.replace(
        like, name=NEW, pitch_hz=pitch_hz, base_hz=None, coil=coil, damper=damper
    )
    beyond = sum(channel >= palette.board.coil_channels for channel in channels)
    needs = f"{counted(beyond, 'coil channel')} more than the board has" if beyond else ""
    most = max(palette.board.coil_channels, channels[-1] + 1)
    drivers = tuple(_without(driver, channels) for driver in palette.driver)
    most_a = max(driver.current_max_a for driver in palette.driver)
    own = Driver(name="of the new striker", channels=tuple(channels), current_max_a=most_a)
    grown = msgspec.structs.replace(
        palette,
        board=msgspec.structs.replace(palette.board, coil_channels=most),
        driver=(*(driver for driver in drivers if driver.channels), own),
        striker=(*palette.striker, new),
    )
    return grown, like.name, needs


def _without(driver: Driver, channels: Sequence[int]) -> Driver:
    left = tuple(channel for channel in driver.channels if channel not in channels)
    return msgspec.structs.replace(driver, channels=left)


def candidates(heard: HeardScore, palette: Palette, most: int) -> list[float]:
    """Pitches worth trying: near the most unanswered notes, in an octave that can be built."""
    pitches = [s.pitch_hz for s in palette.striker if s.pitch_hz is not None]
    notes = [note.pitch_hz for note in heard.notes if note.pitch_hz is not None]
    if not pitches or not notes:
        return []
    low, high = math.log2(min(pitches)) - 1, math.log2(max(pitches)) + 1
    weights = _weights(notes, pitches)
    found: dict[int, float] = {}
    step = GRID_CENTS / 1200
    for number in range(math.ceil((high - low) / step)):
        at = low + number * step
        found[number] = sum(
            weight * max(0.0, 1 - abs(octave_off_cents(hz, 2**at)) / (2 * NEAR_CENTS))
            for hz, weight in weights
        )
    # Its own octave counts a little more: there a striker matches the call best.
    best: list[float] = []
    for number in sorted(
        found, key=lambda n: -found[n] - 0.1 * _own(weights, 2 ** (low + n * step))
    ):
        at = low + number * step
        if found[number] > 0 and all(abs(at - other) * 1200 > NEAR_CENTS for other in best):
            best.append(at)
        if len(best) >= most:
            break
    return [round(2**at, 1) for at in best]


def _weights(notes: Sequence[float], pitches: Sequence[float]) -> list[tuple[float, float]]:
    """Heard pitches on the grid, each weighted by how far the strikers are from its notes."""
    missed: dict[int, float] = defaultdict(float)
    for hz in notes:
        off = min(abs(octave_off_cents(hz, pitch)) for pitch in pitches)
        missed[round(math.log2(hz) * 1200 / GRID_CENTS)] += min(off / (2 * NEAR_CENTS), 1.0)
    return [(2 ** (place * GRID_CENTS / 1200), weight) for place, weight in missed.items()]


def _own(weights: Sequence[tuple[float, float]], pitch_hz: float) -> float:
    return sum(w for hz, w in weights if abs(math.log2(hz / pitch_hz)) * 1200 <= NEAR_CENTS)


def _with_new_striker_allowed(rules: RuleSet) -> RuleSet:
    """The rules, with the new striker added wherever strikers are named."""
    rule = tuple(
        msgspec.structs.replace(rule, strikers=(*rule.strikers, NEW)) if rule.strikers else rule
        for rule in rules.rule
    )
    return msgspec.structs.replace(rules, rule=rule)


def try_adding(
    heard: HeardScore,
    palette: Palette,
    rules: RuleSet,
    most: int,
    progress: Callable[[float], None],
) -> tuple[AnswerFit, tuple[TriedStriker, ...]]:
    """Answer the recording as it is, and with each candidate; best gain first.

    Strokes and notes are summed over the seeds.

    Parameters
    ----------
    heard
        What is to be answered.
    palette, rules
        The machine as it is, and how it answers.
    most
        Candidates tried.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    now, tried
        How well it answers as it is, and with each candidate.
    """
    seeds = SEEDS if len(heard.notes) < LONG_NOTES else 1
    now, _ = answer_fit(heard, palette, rules, seeds)
    found = []
    pitches = candidates(heard, palette, most)
    if len(palette.coils()) > CHANNELS - 2:
        pitches = []
    rules = _with_new_striker_allowed(rules)
    for number, pitch_hz in enumerate(pitches):
        progress(number / len(pitches))
        grown, like, needs = with_striker(palette, pitch_hz)
        then, strokes = answer_fit(heard, grown, rules, seeds)
        found.append(
            TriedStriker(
                pitch_hz=pitch_hz,
                like=like,
                outcome=then,
                fit_gain=round(then.fit - now.fit, 4),
                strokes=strokes.get(NEW, 0),
                needs=needs,
            )
        )
    return now, tuple(sorted(found, key=lambda added: -added.fit_gain))

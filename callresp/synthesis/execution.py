"""What the machine does when a board executes a plan: strokes, dampers, speeds.

Goal
----
One reading of a plan's commands that the sound, the MIDI file and the pictures
share, so that they can't disagree about what was played.

Conventions
-----------
- Times are when something happens at the striker: a stroke falls `latency_ms`
  after its pulse starts; a damper that is held is clear (or pressed) `lift_ms`
  after power, and back at rest `fall_ms` after power goes.
- A pulse shorter than the softest measured one does not reach the striker.
- A motor comes up to its speed in a straight line within `spin_up_s`, and to
  rest within `slow_down_s`.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

from callresp.palette.model import Damper, Palette, Striker, Turner
from callresp.plan.model import Hold, Plan, Strike, Turn


@dataclass(frozen=True, slots=True)
class PlayedStroke:
    """A stroke: when it falls, how loud (dB SPL at 1 m), its share of the force range.

    `damped_s` is when a damper next ends it, or `inf`; `muted` says that it
    falls on a striker whose damper lies on it.
    """

    at_s: float
    level_db: float
    force: float
    reply: int | None
    damped_s: float = math.inf
    muted: bool = False


@dataclass(frozen=True, slots=True)
class DamperMove:
    """A damper arrives: from then on the striker is damped, or free."""

    at_s: float
    damped: bool


@dataclass(frozen=True, slots=True)
class StrikerPart:
    """All that one striker does, in order of time."""

    striker: Striker
    strokes: tuple[PlayedStroke, ...]
    moves: tuple[DamperMove, ...]

    @property
    def rests_damped(self) -> bool:
        """Whether the damper lies on the striker before anything moves."""
        damper = self.striker.damper
        return damper is not None and damper.rest == "on"


@dataclass(frozen=True, slots=True)
class PlayedMotorRun:
    """A motor's run: command on, command off, the speed asked."""

    from_s: float
    until_s: float
    speed_rps: float
    reply: int | None


@dataclass(frozen=True, slots=True)
class TurnerPart:
    """All that one turner does.

    `curve` is its speed over time: (seconds, revolutions a second), straight
    lines between.
    """

    turner: Turner
    spells: tuple[PlayedMotorRun, ...]
    curve: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Execution:
    """A plan as it is acted out on a palette."""

    strikers: tuple[StrikerPart, ...]
    turners: tuple[TurnerPart, ...]

    @property
    def end_s(self) -> float:
        """When the last sound has fallen by 60 dB."""
        ends = [0.0]
        for part in self.strikers:
            ends += [rings_until_s(part.striker, stroke) for stroke in part.strokes]
        for turning in self.turners:
            ends += [time_s for time_s, _ in turning.curve]
        return max(ends)


def level_of(striker: Striker, pulse_ms: float) -> float | None:
    """Level in dB SPL at 1 m of a pulse, along the force curve.

    `None` for a pulse shorter than the softest that speaks.

    The planner's `pulse_for` is its inverse.
    """
    points = striker.force
    if pulse_ms < points[0].pulse_ms * (1 - 1e-9):
        return None
    for low, high in pairwise(points):
        if pulse_ms <= high.pulse_ms:
            share = max((pulse_ms - low.pulse_ms) / (high.pulse_ms - low.pulse_ms), 0.0)
            return low.level_db + share * (high.level_db - low.level_db)
    return points[-1].level_db


def force_of(striker: Striker, level_db: float) -> float:
    """Share of the striker's range of level, 0 (softest) to 1 (hardest)."""
    low, high = striker.force[0].level_db, striker.force[-1].level_db
    return 1.0 if high <= low else min(max((level_db - low) / (high - low), 0.0), 1.0)


def strike_partial(striker: Striker) -> int:
    """Index of the partial that carries the strike pitch: the one nearest ratio 1.

    Where none lies within 3 % (a strike pitch that only the ear makes), the
    loudest.
    """
    partials = striker.partials
    nearest = min(range(len(partials)), key=lambda i: abs(partials[i].ratio - 1.0))
    if abs(partials[nearest].ratio - 1.0) <= 0.03:
        return nearest
    return max(range(len(partials)), key=lambda i: partials[i].level_db)


def rings_until_s(striker: Striker, stroke: PlayedStroke) -> float:
    """When a stroke has fallen by 60 dB, its damper considered."""
    free_s = stroke.at_s + striker.t60_s
    if striker.damper is None:
        return free_s
    damped_t60_s = min(striker.damper.damped_t60_s, striker.t60_s)
    if stroke.muted:
        return stroke.at_s + damped_t60_s
    if stroke.damped_s >= free_s:
        return free_s
    left = 1 - (stroke.damped_s - stroke.at_s) / striker.t60_s
    return stroke.damped_s + left * damped_t60_s


def execute(plan: Plan, palette: Palette) -> Execution:
    """Read a plan as the machine acts it out."""
    strikes: dict[int, list[Strike]] = defaultdict(list)
    holds: dict[int, list[Hold]] = defaultdict(list)
    turns: dict[int, list[Turn]] = defaultdict(list)
    for command in plan.commands:
        if isinstance(command, Strike):
            strikes[command.channel].append(command)
        elif isinstance(command, Hold):
            holds[command.channel].append(command)
        elif isinstance(command, Turn):
            turns[command.channel].append(command)
    return Execution(
        strikers=tuple(
            _striker_part(
                item,
                strikes[item.coil.channel],
                holds[item.damper.coil.channel] if item.damper else [],
            )
            for item in palette.striker
        ),
        turners=tuple(_turner_part(item, turns[item.channel]) for item in palette.turner),
    )


def _striker_part(striker: Striker, strikes: Iterable[Strike], holds: list[Hold]) -> StrikerPart:
    moves = tuple(_moves(striker.damper, holds)) if striker.damper else ()
    strokes = []
    for strike in strikes:
        level_db = level_of(striker, strike.pulse_ms)
        if level_db is None:
            continue
        at_s = strike.at_s + striker.latency_ms / 1000
        strokes.append(PlayedStroke(at_s, level_db, force_of(striker, level_db), strike.reply))
    strokes.sort(key=lambda stroke: stroke.at_s)
    part = StrikerPart(striker, (), moves)
    return StrikerPart(striker, tuple(_with_dampers(strokes, part)), moves)


def _moves(damper: Damper, holds: Iterable[Hold]) -> Iterable[DamperMove]:
    """Arrivals of a damper; one that is held again before it is back never arrives."""
    lift_s, fall_s = damper.lift_ms / 1000, damper.fall_ms / 1000
    held_is_damped = damper.rest == "off"
    spans: list[list[float]] = []
    for hold in sorted(holds, key=lambda item: item.at_s):
        end_s = hold.at_s + hold.hold_ms / 1000
        if spans and hold.at_s < spans[-1][1] + fall_s:
            spans[-1][1] = max(spans[-1][1], end_s)
        else:
            spans.append([hold.at_s, end_s])
    for start_s, end_s in spans:
        if end_s - start_s < lift_s:
            continue
        yield DamperMove(start_s + lift_s, held_is_damped)
        yield DamperMove(end_s + fall_s, not held_is_damped)


def _with_dampers(strokes: list[PlayedStroke], part: StrikerPart) -> Iterable[PlayedStroke]:
    """Give each stroke the state of its damper and when that next falls."""
    times_s = [move.at_s for move in part.moves]
    for stroke in strokes:
        at = bisect_right(times_s, stroke.at_s)
        damped = part.moves[at - 1].damped if at else part.rests_damped
        if damped:
            yield replace(stroke, muted=True, damped_s=stroke.at_s)
        else:
            # Moves alternate, so the next one of a free striker is its damper falling.
            yield replace(stroke, damped_s=times_s[at] if at < len(times_s) else math.inf)


def _turner_part(turner: Turner, turns: list[Turn]) -> TurnerPart:
    turns = sorted(turns, key=lambda turn: turn.at_s)
    curve: list[tuple[float, float]] = []
    spells = []
    for turn in turns:
        end_s = turn.at_s + turn.run_ms / 1000
        spells.append(PlayedMotorRun(turn.at_s, end_s, turn.speed_rps, turn.reply))
        now = _cut(curve, turn.at_s)
        curve.append((turn.at_s, now))
        up_s = min(turner.spin_up_s, turn.run_ms / 1000)
        reached = now + (turn.speed_rps - now) * up_s / turner.spin_up_s
        curve.append((turn.at_s + up_s, reached))
        if end_s > turn.at_s + up_s:
            curve.append((end_s, reached))
        curve.append((end_s + turner.slow_down_s, 0.0))
    return TurnerPart(turner, tuple(spells), tuple(curve))


def _cut(curve: list[tuple[float, float]], at_s: float) -> float:
    """Speed at `at_s`; what lies later is taken off the curve."""
    after: tuple[float, float] | None = None
    while curve and curve[-1][0] > at_s:
        after = curve.pop()
    if after is None or not curve:
        return 0.0
    (from_s, slow), (until_s, fast) = curve[-1], after
    return slow + (fast - slow) * (at_s - from_s) / (until_s - from_s)

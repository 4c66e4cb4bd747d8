"""The strike test itself: which strokes, in which order, how far apart.

For every striker, alone, one after another:

1. ring-outs: hard strokes left to ring;
2. soft to hard: each pulse length several times, damped between where there is
   a damper, which times its fall as well;
3. strokes on the lying damper, strokes in the moment it lifts, the damper alone;
4. runs that grow faster by a few per cent a stroke, free and damped, until they
   are shorter than any striker can follow.

The whole starts and ends with a few strokes at uneven distances, by which the
plan's clock is found in the recording.

What a coil may stand goes before all: longest on-time and relative on-time are
kept here with a margin, and the plan is held against every limit before it is
written. Only `restrike_ms` is set aside, since it is what the runs find out.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np

from callresp.palette.model import Coil, Palette, Striker
from callresp.strike_test.schedule import HoldAt, Schedule, StrikeAt

SYNC_GAPS_S = (0.45, 0.7, 0.55)
LIFT_ALLOWED_S = 0.13
# A ring that nobody knows yet is damped after this: a short one is still well over the noise,
# and a long one has shown what it is.
RING_UNKNOWN_S = 0.28
RUN_STEP = 0.04
RUN_FROM_MS, RUN_TO_MS = 300.0, 30.0
_MARGIN = 0.95


@dataclass(frozen=True, slots=True)
class StrikeTestSettings:
    """How thorough a test is.

    `repeats` strokes of each kind; `pulses` lengths from soft to hard;
    `runs` faster and faster; `pace` stretches all pauses (a coil that must
    cool needs a slower test); `known` says that the palette's force, ring
    and repeat figures are worth starting from.
    """

    repeats: int = 3
    pulses: int = 6
    runs: int = 3
    pace: float = 1.0
    known: bool = True
    lifts: bool = True


@dataclass
class _Clock:
    """Lays commands one after another, within each coil's on-times."""

    pace: float
    at_s: float = 1.0
    strikes: list[StrikeAt] = field(default_factory=list)
    holds: list[HoldAt] = field(default_factory=list)
    spans: dict[int, list[tuple[float, float]]] = field(default_factory=lambda: defaultdict(list))

    def wait(self, seconds: float) -> None:
        self.at_s += seconds * self.pace

    def make_room(self, coil: Coil, length_s: float) -> None:
        """Wait until the coil may be on for `length_s` more within its cycle."""
        allowed_s = _MARGIN * coil.duty_max * coil.cycle_s
        length_s = min(length_s, allowed_s)
        spans = self.spans[coil.channel]
        while True:
            since_s = self.at_s + length_s - coil.cycle_s
            inside = [(max(a, since_s), b) for a, b in spans if b > since_s]
            if sum(b - a for a, b in inside) + length_s <= allowed_s + 1e-9:
                return
            self.at_s = inside[0][1] + coil.cycle_s - length_s + 1e-3

    def strike(self, striker: Striker, pulse_ms: float, at_s: float | None = None) -> None:
        at_s = self.at_s if at_s is None else at_s
        self.strikes.append(StrikeAt(at_s, striker.coil.channel, pulse_ms))
        self.spans[striker.coil.channel].append((at_s, at_s + pulse_ms / 1000))

    def hold(self, striker: Striker, hold_s: float, at_s: float | None = None) -> None:
        damper = striker.damper
        assert damper is not None
        at_s = self.at_s if at_s is None else at_s
        self.holds.append(HoldAt(at_s, damper.coil.channel, hold_s))
        self.spans[damper.coil.channel].append((at_s, at_s + hold_s))


def lay_out(palette: Palette, course: StrikeTestSettings) -> Schedule:
    """The strike test of a palette, on a clock that starts at 0."""
    clock = _Clock(course.pace)
    if palette.striker:
        _sync(clock, palette.striker[0], course)
    for striker in palette.striker:
        clock.wait(1.0)
        _ring_outs(clock, striker, course)
        _soft_to_hard(clock, striker, course)
        if striker.damper is not None:
            _damper(clock, striker, course)
        for run in range(course.runs):
            _run(clock, striker, course, run)
        clock.wait(0.5)
    if palette.striker:
        _sync(clock, palette.striker[0], course)
    strikes = sorted(clock.strikes, key=lambda s: s.at_s)
    return Schedule(tuple(strikes), tuple(sorted(clock.holds, key=lambda h: h.at_s)))


def pulses(striker: Striker, course: StrikeTestSettings) -> list[float]:
    """Pulse lengths to try, softest first: a little below the softest known one as well."""
    softest, hardest = striker.force[0].pulse_ms, striker.force[-1].pulse_ms
    low = softest * (0.85 if course.known else 1.0)
    high = min(hardest, striker.coil.on_max_ms)
    steps = [float(p) for p in np.geomspace(low, high, course.pulses)]
    if course.known:
        # The known points themselves, so that old and new figures can be compared.
        steps = sorted(
            {round(low, 2), *(round(p.pulse_ms, 2) for p in striker.force), *steps[1:-1]}
        )
    return [round(p, 2) for p in steps]


def _ring_s(striker: Striker, course: StrikeTestSettings) -> float:
    """How long a ring-out is left alone."""
    ring_s = min(max(1.05 * striker.t60_s, 0.6), 9.0) if course.known else 6.0
    damper = striker.damper
    if damper is not None and damper.rest == "on":
        longest_s = min(damper.coil.on_max_ms / 1000, damper.coil.duty_max * damper.coil.cycle_s)
        ring_s = min(ring_s, _MARGIN * longest_s - LIFT_ALLOWED_S)
    return ring_s


def _sync(clock: _Clock, striker: Striker, course: StrikeTestSettings) -> None:
    pulse_ms = pulses(striker, course)[-1]
    for gap_s in (0.0, *SYNC_GAPS_S):
        clock.at_s += gap_s
        clock.make_room(striker.coil, pulse_ms / 1000)
        clock.strike(striker, pulse_ms)
    clock.wait(1.0)


def _free_stroke(clock: _Clock, striker: Striker, pulse_ms: float, ring_s: float) -> None:
    """One stroke that rings for `ring_s`, then is damped where it can be."""
    damper = striker.damper
    clock.make_room(striker.coil, pulse_ms / 1000)
    if damper is None:
        clock.strike(striker, pulse_ms)
        clock.wait(ring_s)
        return
    if damper.rest == "on":
        hold_s = LIFT_ALLOWED_S + ring_s
        clock.make_room(damper.coil, hold_s)
        clock.hold(striker, hold_s)
        clock.strike(striker, pulse_ms, clock.at_s + LIFT_ALLOWED_S)
        clock.at_s += hold_s
    else:
        clock.make_room(damper.coil, ring_s + 0.4)
        clock.strike(striker, pulse_ms)
        clock.hold(striker, _press_s(striker), clock.at_s + ring_s)
        clock.at_s += ring_s + _press_s(striker)
    clock.wait(_quiet_s(striker, course_known=True))


def _press_s(striker: Striker) -> float:
    assert striker.damper is not None
    return min(0.4, striker.damper.coil.on_max_ms / 1000)


def _quiet_s(striker: Striker, *, course_known: bool) -> float:
    """Until a damped striker is quiet."""
    damper = striker.damper
    t60_s = damper.damped_t60_s if damper is not None and course_known else 0.4
    return min(max(0.35, 1.4 * t60_s + 0.1), 1.5)


def _ring_outs(clock: _Clock, striker: Striker, course: StrikeTestSettings) -> None:
    ring_s = _ring_s(striker, course)
    for _ in range(course.repeats):
        _free_stroke(clock, striker, pulses(striker, course)[-1], ring_s)
        clock.wait(0.1)


def _soft_to_hard(clock: _Clock, striker: Striker, course: StrikeTestSettings) -> None:
    # The damper should fall while there is still something to damp.
    ring_s = min(0.45, max(0.07, 0.35 * striker.t60_s)) if course.known else RING_UNKNOWN_S
    if striker.damper is None:
        t60_s = striker.t60_s if course.known else 3.0
        ring_s = min(max(0.35, 0.5 * t60_s), 2.5)
    for repeat in range(course.repeats):
        for pulse_ms in pulses(striker, course):
            _free_stroke(clock, striker, pulse_ms, ring_s)
            # Uneven pauses, so that the test can't be mistaken for itself shifted.
            clock.wait(0.02 * ((len(clock.strikes) * 7 + repeat) % 5))


def _damper(clock: _Clock, striker: Striker, course: StrikeTestSettings) -> None:
    damper = striker.damper
    assert damper is not None
    hard_ms = pulses(striker, course)[-1]
    for _ in range(course.repeats):
        # On the lying damper. One that rests off is pressed on first.
        clock.make_room(striker.coil, hard_ms / 1000)
        if damper.rest == "off":
            clock.make_room(damper.coil, 0.6)
            clock.hold(striker, min(0.6, damper.coil.on_max_ms / 1000))
            clock.strike(striker, hard_ms, clock.at_s + 0.15)
            clock.wait(0.6)
        else:
            clock.strike(striker, hard_ms)
        clock.wait(_quiet_s(striker, course_known=course.known) + 0.3)
    for _ in range(course.repeats if course.lifts and damper.rest == "on" else 0):
        # In the moment it lifts: the sound dies fast until the felt is clear.
        clock.make_room(striker.coil, hard_ms / 1000)
        clock.make_room(damper.coil, 0.5)
        clock.strike(striker, hard_ms)
        clock.hold(striker, 0.5, clock.at_s + striker.latency_ms / 1000)
        clock.wait(0.5 + _quiet_s(striker, course_known=course.known) + 0.3)
    for _ in range(course.repeats):
        clock.make_room(damper.coil, 0.5)
        clock.hold(striker, 0.5)
        clock.wait(1.1)


def _run(clock: _Clock, striker: Striker, course: StrikeTestSettings, number: int) -> None:
    """Strokes that come faster by `RUN_STEP` each; runs lie between each other's steps."""
    slow_ms, fast_ms = RUN_FROM_MS, RUN_TO_MS
    if course.known:
        slow_ms = min(max(2.0 * striker.restrike_ms, 90.0), 600.0)
        fast_ms = max(0.45 * striker.restrike_ms, 18.0)
    steps = pulses(striker, course)
    pulse_ms = steps[len(steps) // 2]
    fast_ms = max(fast_ms, pulse_ms + 8.0)
    gaps = [slow_ms / (1 + RUN_STEP) ** (number / course.runs)]
    while gaps[-1] > fast_ms:
        gaps.append(gaps[-1] / (1 + RUN_STEP))
    span_s = sum(gaps) / 1000
    on_s = (len(gaps) + 1) * pulse_ms / 1000
    coil = striker.coil
    # A run that fills the cycle's on-time by itself is cut where it would.
    while on_s > _MARGIN * coil.duty_max * coil.cycle_s and len(gaps) > 8:
        gaps.pop(0)
        on_s -= pulse_ms / 1000
        span_s = sum(gaps) / 1000
    clock.make_room(coil, on_s)
    damper = striker.damper
    lift = damper is not None and damper.rest == "on" and number % 2 == 0
    if lift and damper is not None:
        hold_s = LIFT_ALLOWED_S + span_s + 0.3
        longest_s = min(damper.coil.on_max_ms / 1000, damper.coil.duty_max * damper.coil.cycle_s)
        lift = hold_s < _MARGIN * longest_s
        if lift:
            clock.make_room(damper.coil, hold_s)
            clock.make_room(coil, on_s)
            clock.hold(striker, hold_s)
            clock.at_s += LIFT_ALLOWED_S
    for gap_ms in (*gaps, 0.0):
        clock.strike(striker, pulse_ms)
        clock.at_s += gap_ms / 1000
    clock.at_s += 0.3
    free_s = 0.3 * striker.t60_s if course.known and damper is None else 0.6
    clock.wait(min(max(free_s, 0.6), 2.0))

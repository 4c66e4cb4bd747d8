"""The strike test itself: which strokes, in which order, how far apart.

For every striker, alone, one after another:

1. ring-outs: hard strokes left to ring;
2. soft to hard: each pulse length several times, damped between where there is
   a damper, which times its fall as well;
3. strokes with the damper on, strokes while it lifts, the damper alone;
4. runs whose strokes come a few per cent faster each, free and damped, until
   they are faster than any striker can follow.

The whole starts and ends with a few strokes at uneven distances, by which the
plan's clock is found in the recording.

The limits of the coils come first: longest on-time and relative on-time are
kept here with a margin, and the plan is checked against every limit before it
is written. Only `restrike_ms` is set aside, since it is what the runs find out.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import msgspec
import numpy as np

from callresp.palette.files import fingerprint
from callresp.palette.model import Coil, Palette, Striker
from callresp.plan.checked_plan import CheckedPlan, PlanBreaksLimitError, check
from callresp.plan.model import Command, Hold, Plan, PlanHeader, Strike

SYNC_GAPS_S = (0.45, 0.7, 0.55)
LIFT_ALLOWED_S = 0.13
# An unknown ring is damped after this: a short one is still well over the noise by then, and
# a long one has shown what it is.
RING_UNKNOWN_S = 0.28
RUN_STEP = 0.04
RUN_FROM_MS, RUN_TO_MS = 300.0, 30.0
# A coil that gets too hot needs longer pauses; with longer ones than these a test is no use.
PACES = (1.0, 1.6, 2.5, 4.0, 6.5)
_MARGIN = 0.95


@dataclass(frozen=True, slots=True)
class StrikeTestSettings:
    """How thorough a test is.

    `repeats` strokes of each kind; `pulses` lengths from soft to hard; `runs`
    that get faster; `pace` stretches all pauses (a coil that must cool needs a
    slower test); `known` says that the palette's force, ring and repeat figures
    are measured, not placeholders; `lifts` whether strokes fall while the
    damper lifts.
    """

    repeats: int = 3
    pulses: int = 6
    runs: int = 3
    pace: float = 1.0
    known: bool = True
    lifts: bool = True


def strike_command(striker: Striker, at_s: float, pulse_ms: float) -> Strike:
    """A stroke of a test, its time rounded to whole microseconds.

    Parameters
    ----------
    striker
        What is struck.
    at_s
        When its coil goes on.
    pulse_ms
        For how long.
    """
    return Strike(
        at_s=round(at_s, 6),
        channel=striker.coil.channel,
        pulse_ms=pulse_ms,
        instrument=striker.name,
    )


def hold_command(striker: Striker, at_s: float, hold_s: float) -> Hold:
    """A move of a striker's damper, times rounded to whole microseconds.

    Parameters
    ----------
    striker
        One with a damper.
    at_s
        When its damper's coil goes on.
    hold_s
        For how long.
    """
    damper = striker.damper
    assert damper is not None
    hold_ms = round(1000 * hold_s, 3)
    return Hold(
        at_s=round(at_s, 6),
        channel=damper.coil.channel,
        hold_ms=hold_ms,
        pull_ms=min(damper.pull_ms, hold_ms),
        hold_duty=damper.hold_duty,
        instrument=striker.name,
    )


def as_plan(commands: Iterable[Command], palette: Palette, name: str = "") -> Plan:
    """Commands as an unchecked plan for a palette.

    Parameters
    ----------
    commands
        In any order.
    palette
        The machine.
    name
        How the plan refers to it.
    """
    ordered = tuple(sorted(commands, key=lambda command: (command.at_s, command.channel)))
    plan = Plan(
        header=PlanHeader(palette=name, palette_sha256=fingerprint(palette)), commands=ordered
    )
    header = msgspec.structs.replace(plan.header, duration_s=round(plan.end_s, 3))
    return msgspec.structs.replace(plan, header=header)


@dataclass
class _Commands:
    """Collects commands one after another, within each coil's on-times; `at_s` is now."""

    pace: float
    at_s: float = 1.0
    commands: list[Strike | Hold] = field(default_factory=list)
    strikes: int = 0
    on: dict[int, list[tuple[float, float]]] = field(default_factory=lambda: defaultdict(list))

    def wait(self, seconds: float) -> None:
        self.at_s += seconds * self.pace

    def make_room(self, coil: Coil, length_s: float) -> None:
        """Wait until the coil may be on for `length_s` more within its cycle."""
        allowed_s = _MARGIN * coil.duty_max * coil.cycle_s
        length_s = min(length_s, allowed_s)
        while True:
            since_s = self.at_s + length_s - coil.cycle_s
            inside = [(max(a, since_s), b) for a, b in self.on[coil.channel] if b > since_s]
            if sum(b - a for a, b in inside) + length_s <= allowed_s + 1e-9:
                return
            self.at_s = inside[0][1] + coil.cycle_s - length_s + 1e-3

    def strike(self, striker: Striker, pulse_ms: float, at_s: float | None = None) -> None:
        at_s = self.at_s if at_s is None else at_s
        self.commands.append(strike_command(striker, at_s, pulse_ms))
        self.strikes += 1
        self.on[striker.coil.channel].append((at_s, at_s + pulse_ms / 1000))

    def hold(self, striker: Striker, hold_s: float, at_s: float | None = None) -> None:
        at_s = self.at_s if at_s is None else at_s
        command = hold_command(striker, at_s, hold_s)
        self.commands.append(command)
        self.on[command.channel].append((at_s, at_s + hold_s))


def plan_strike_test(
    known: Palette, palette: Palette, settings: StrikeTestSettings, name: str
) -> tuple[CheckedPlan, StrikeTestSettings]:
    """The strike test as a checked plan, slower where coils would get too hot.

    Parameters
    ----------
    known
        What is known of the machine.
    palette
        The same with its repeat limits out of the way: the plan is for that.
    settings
        How thorough.
    name
        How the plan refers to the palette.

    Returns
    -------
    checked, settings
        The plan, and the settings with the pace that it took.

    Raises
    ------
    PlanBreaksLimitError
        No pace keeps every limit.
    """
    refused: PlanBreaksLimitError | None = None
    for pace in PACES:
        for lifts in (True, False):
            tried = replace(settings, pace=pace * settings.pace, lifts=lifts and settings.lifts)
            plan = as_plan(lay_out(known, tried).commands, palette, name)
            try:
                return check(plan, palette), tried
            except PlanBreaksLimitError as fault:
                refused = fault
    assert refused is not None
    raise refused


def lay_out(palette: Palette, settings: StrikeTestSettings) -> Plan:
    """The strokes and damper moves of a strike test, unchecked, on a clock that starts at 0."""
    out = _Commands(settings.pace)
    if palette.striker:
        _sync(out, palette.striker[0], settings)
    for striker in palette.striker:
        out.wait(1.0)
        _ring_outs(out, striker, settings)
        _soft_to_hard(out, striker, settings)
        if striker.damper is not None:
            _damper(out, striker, settings)
        for run in range(settings.runs):
            _run(out, striker, settings, run)
        out.wait(0.5)
    if palette.striker:
        _sync(out, palette.striker[0], settings)
    return as_plan(out.commands, palette)


def pulses(striker: Striker, settings: StrikeTestSettings) -> list[float]:
    """Pulse lengths to try, softest first: a little below the softest known one as well."""
    softest, hardest = striker.force[0].pulse_ms, striker.force[-1].pulse_ms
    low = softest * (0.85 if settings.known else 1.0)
    high = min(hardest, striker.coil.on_max_ms)
    steps = [float(p) for p in np.geomspace(low, high, settings.pulses)]
    if settings.known:
        # The known points themselves, so that old and new figures can be compared.
        steps = sorted(
            {round(low, 2), *(round(p.pulse_ms, 2) for p in striker.force), *steps[1:-1]}
        )
    return [round(p, 2) for p in steps]


def _ring_s(striker: Striker, settings: StrikeTestSettings) -> float:
    """How long a ring-out is left alone."""
    ring_s = min(max(1.05 * striker.t60_s, 0.6), 9.0) if settings.known else 6.0
    damper = striker.damper
    if damper is not None and damper.rest == "on":
        longest_s = min(damper.coil.on_max_ms / 1000, damper.coil.duty_max * damper.coil.cycle_s)
        ring_s = min(ring_s, _MARGIN * longest_s - LIFT_ALLOWED_S)
    return ring_s


def _sync(out: _Commands, striker: Striker, settings: StrikeTestSettings) -> None:
    pulse_ms = pulses(striker, settings)[-1]
    for gap_s in (0.0, *SYNC_GAPS_S):
        out.at_s += gap_s
        out.make_room(striker.coil, pulse_ms / 1000)
        out.strike(striker, pulse_ms)
    out.wait(1.0)


def _free_stroke(out: _Commands, striker: Striker, pulse_ms: float, ring_s: float) -> None:
    """One stroke that rings for `ring_s`, then is damped where it can be."""
    damper = striker.damper
    out.make_room(striker.coil, pulse_ms / 1000)
    if damper is None:
        out.strike(striker, pulse_ms)
        out.wait(ring_s)
        return
    if damper.rest == "on":
        hold_s = LIFT_ALLOWED_S + ring_s
        out.make_room(damper.coil, hold_s)
        out.hold(striker, hold_s)
        out.strike(striker, pulse_ms, out.at_s + LIFT_ALLOWED_S)
        out.at_s += hold_s
    else:
        out.make_room(damper.coil, ring_s + 0.4)
        out.strike(striker, pulse_ms)
        out.hold(striker, _press_s(striker), out.at_s + ring_s)
        out.at_s += ring_s + _press_s(striker)
    out.wait(_quiet_s(striker, ring_known=True))


def _press_s(striker: Striker) -> float:
    assert striker.damper is not None
    return min(0.4, striker.damper.coil.on_max_ms / 1000)


def _quiet_s(striker: Striker, *, ring_known: bool) -> float:
    """Until a damped striker is quiet."""
    damper = striker.damper
    t60_s = damper.damped_t60_s if damper is not None and ring_known else 0.4
    return min(max(0.35, 1.4 * t60_s + 0.1), 1.5)


def _ring_outs(out: _Commands, striker: Striker, settings: StrikeTestSettings) -> None:
    ring_s = _ring_s(striker, settings)
    for _ in range(settings.repeats):
        _free_stroke(out, striker, pulses(striker, settings)[-1], ring_s)
        out.wait(0.1)


def _soft_to_hard(out: _Commands, striker: Striker, settings: StrikeTestSettings) -> None:
    # The damper should fall while there is still something to damp.
    ring_s = min(0.45, max(0.07, 0.35 * striker.t60_s)) if settings.known else RING_UNKNOWN_S
    if striker.damper is None:
        t60_s = striker.t60_s if settings.known else 3.0
        ring_s = min(max(0.35, 0.5 * t60_s), 2.5)
    for repeat in range(settings.repeats):
        for pulse_ms in pulses(striker, settings):
            _free_stroke(out, striker, pulse_ms, ring_s)
            # Uneven pauses, so that the test can't be mistaken for itself shifted.
            out.wait(0.02 * ((out.strikes * 7 + repeat) % 5))


def _damper(out: _Commands, striker: Striker, settings: StrikeTestSettings) -> None:
    damper = striker.damper
    assert damper is not None
    hard_ms = pulses(striker, settings)[-1]
    for _ in range(settings.repeats):
        # With the damper on. One that rests off is pressed on first.
        out.make_room(striker.coil, hard_ms / 1000)
        if damper.rest == "off":
            out.make_room(damper.coil, 0.6)
            out.hold(striker, min(0.6, damper.coil.on_max_ms / 1000))
            out.strike(striker, hard_ms, out.at_s + 0.15)
            out.wait(0.6)
        else:
            out.strike(striker, hard_ms)
        out.wait(_quiet_s(striker, ring_known=settings.known) + 0.3)
    for _ in range(settings.repeats if settings.lifts and damper.rest == "on" else 0):
        # While it lifts: the sound decays fast until the felt is clear.
        out.make_room(striker.coil, hard_ms / 1000)
        out.make_room(damper.coil, 0.5)
        out.strike(striker, hard_ms)
        out.hold(striker, 0.5, out.at_s + striker.latency_ms / 1000)
        out.wait(0.5 + _quiet_s(striker, ring_known=settings.known) + 0.3)
    for _ in range(settings.repeats):
        out.make_room(damper.coil, 0.5)
        out.hold(striker, 0.5)
        out.wait(1.1)


def _run(out: _Commands, striker: Striker, settings: StrikeTestSettings, number: int) -> None:
    """Strokes whose gaps shrink by `RUN_STEP` each; the gaps of several runs interleave."""
    slow_ms, fast_ms = RUN_FROM_MS, RUN_TO_MS
    if settings.known:
        slow_ms = min(max(2.0 * striker.restrike_ms, 90.0), 600.0)
        fast_ms = max(0.45 * striker.restrike_ms, 18.0)
    steps = pulses(striker, settings)
    pulse_ms = steps[len(steps) // 2]
    fast_ms = max(fast_ms, pulse_ms + 8.0)
    gaps = [slow_ms / (1 + RUN_STEP) ** (number / settings.runs)]
    while gaps[-1] > fast_ms:
        gaps.append(gaps[-1] / (1 + RUN_STEP))
    span_s = sum(gaps) / 1000
    on_s = (len(gaps) + 1) * pulse_ms / 1000
    coil = striker.coil
    # A run that would fill its coil's duty cycle by itself is cut short.
    while on_s > _MARGIN * coil.duty_max * coil.cycle_s and len(gaps) > 8:
        gaps.pop(0)
        on_s -= pulse_ms / 1000
        span_s = sum(gaps) / 1000
    out.make_room(coil, on_s)
    damper = striker.damper
    lift = damper is not None and damper.rest == "on" and number % 2 == 0
    if lift and damper is not None:
        hold_s = LIFT_ALLOWED_S + span_s + 0.3
        longest_s = min(damper.coil.on_max_ms / 1000, damper.coil.duty_max * damper.coil.cycle_s)
        lift = hold_s < _MARGIN * longest_s
        if lift:
            out.make_room(damper.coil, hold_s)
            out.make_room(coil, on_s)
            out.hold(striker, hold_s)
            out.at_s += LIFT_ALLOWED_S
    for gap_ms in (*gaps, 0.0):
        out.strike(striker, pulse_ms)
        out.at_s += gap_ms / 1000
    out.at_s += 0.3
    free_s = 0.3 * striker.t60_s if settings.known and damper is None else 0.6
    out.wait(min(max(free_s, 0.6), 2.0))

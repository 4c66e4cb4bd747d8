"""The self-test's strokes: each striker once, alone, and long enough to hear it out.

It goes by the palette alone, so the same palette gives the same strokes: a
recording made with any recorder can be judged afterwards. Pauses are uneven,
that the test can't be mistaken for itself a stroke later.
"""

from __future__ import annotations

import math

from callresp.palette.model import Damper, Palette, Striker
from callresp.plan.model import Hold, Plan, Strike
from callresp.strike_test.protocol import as_plan, hold_command, strike_command

FIRST_S = 1.0
RING_SHARE, RING_LEAST_S, RING_MOST_S = 0.6, 0.45, 3.0
# Longer than any damper takes to lift, and than the measuring takes one to be moving.
LIFT_ALLOWED_S = 0.13
PRESS_S = 0.4
QUIET_MOST_S = 2.5
UNEVEN_S = 0.047
_MARGIN = 0.95


def self_test_schedule(palette: Palette, only: tuple[str, ...] = (), name: str = "") -> Plan:
    """The strokes and damper moves of a self-test, on a clock that starts at 0.

    Parameters
    ----------
    palette
        Each striker is struck at its hardest known pulse: the one whose level
        is best known.
    only
        Names of strikers; all when empty.
    name
        How the plan refers to the palette.
    """
    commands: list[Strike | Hold] = []
    at_s = FIRST_S
    chosen = [striker for striker in palette.striker if not only or striker.name in only]
    for number, striker in enumerate(chosen):
        pulse_ms = min(striker.force[-1].pulse_ms, striker.coil.on_max_ms)
        ring_s = ring_of(striker)
        damper = striker.damper
        if damper is not None and damper.rest == "on":
            lift_s = lift_of(damper)
            commands.append(hold_command(striker, at_s, lift_s + ring_s))
            at_s += lift_s
        commands.append(strike_command(striker, at_s, pulse_ms))
        at_s += ring_s
        if damper is not None and damper.rest == "off":
            # Down to the microsecond that a command is rounded to: up, it might pass the limit.
            press_s = min(PRESS_S, math.floor(1000 * damper.coil.on_max_ms) / 1e6)
            commands.append(hold_command(striker, at_s, press_s))
            at_s += press_s
        left_s = striker.t60_s - ring_s if damper is None else 1.4 * damper.damped_t60_s
        at_s += min(max(left_s, 0.35), QUIET_MOST_S) + UNEVEN_S * (number * number % 11)
    return as_plan(commands, palette, name)


def ring_of(striker: Striker) -> float:
    """How long a stroke is left to ring: most of its decay, as its damper's coil may stand."""
    ring_s = min(max(RING_SHARE * striker.t60_s, RING_LEAST_S), RING_MOST_S)
    damper = striker.damper
    if damper is not None and damper.rest == "on":
        ring_s = min(ring_s, _longest_s(damper) - lift_of(damper))
    return ring_s


def lift_of(damper: Damper) -> float:
    """How long before the stroke its damper is lifted; less where the coil can't be on so long."""
    wanted_s = max(LIFT_ALLOWED_S, damper.lift_ms / 1000 + 0.05)
    return min(wanted_s, 0.5 * _longest_s(damper))


def _longest_s(damper: Damper) -> float:
    coil = damper.coil
    return _MARGIN * min(coil.on_max_ms / 1000, coil.duty_max * coil.cycle_s)

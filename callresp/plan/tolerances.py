"""What a plan keeps free, so that the board's own reckoning agrees with it.

Goal
----
Plan and board judge by the same laws, but not with the same numbers: the board
counts in ticks of its own clock. A plan that used a limit up to the last
microsecond would now and then be refused a stroke for a rounding. So the plan
stays this far inside; the board holds the palette's limits themselves, and is
never laxer than they are.

Conventions
-----------
`TICK_S` is the board's tick; a start is rounded to it, an end so too. `CLOCK`
is what crystals of host and board may differ by: ±100 ppm each (common
practice for cheap ones, no source).
"""

from __future__ import annotations

TICK_S = 1e-4
CLOCK = 200e-6
# The board's coil heat is in whole numbers: it may lie this far from the plan's.
HEAT_K = 0.5


def duty_guard_s(cycle_s: float) -> float:
    """On-time of a cycle to leave unused: both its ends are rounded, its length is drifted.

    Examples
    --------
    >>> round(duty_guard_s(10.0), 6)
    0.0023
    """
    return 3 * TICK_S + CLOCK * cycle_s


def off_by_s(from_s: float, length_s: float) -> float:
    """When a load that lasts `length_s` from `from_s` is surely off on the board.

    Examples
    --------
    >>> round(off_by_s(1.0, 20.0), 6)
    21.0042
    """
    return from_s + length_s * (1 + CLOCK) + 2 * TICK_S


def joined_run_s(run_max_s: float) -> float:
    """How long several runs that follow each other closely may last together.

    Examples
    --------
    >>> round(spell_s(10.0), 6)
    9.9977
    """
    return run_max_s - duty_guard_s(run_max_s)


def longest_s(from_s: float, off_s: float) -> float:
    """How long a load may last from `from_s` to be surely off by `off_s`; 0 where it may not.

    Examples
    --------
    >>> round(longest_s(1.0, 21.0042), 6)
    20.0
    """
    return max((off_s - from_s - 2 * TICK_S) / (1 + CLOCK), 0.0)

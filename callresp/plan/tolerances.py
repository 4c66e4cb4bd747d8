"""How far a plan stays inside the limits, so that the board's own checks agree with it.

Plan and board check the same limits, but the board counts in ticks of its own
clock. A plan that used a limit up to the last microsecond would now and then
have a stroke refused because of rounding. So the plan keeps this far inside;
the board checks the palette's limits themselves.

Conventions
-----------
`TICK_S` is the board's tick; starts and ends are rounded to it. `CLOCK` is the
largest difference in rate between the host's and the board's crystals: ±100 ppm
each (common practice for cheap ones, no source).
"""

from __future__ import annotations

TICK_S = 1e-4
CLOCK = 200e-6
_SLOWER, _TWO_TICKS_S = 1 + CLOCK, 2 * TICK_S
# The board reckons coil heat in whole numbers, which may be this far from the plan's.
HEAT_K = 0.5


def duty_guard_s(cycle_s: float) -> float:
    """On-time of a cycle to leave unused, for rounded ends and clocks that differ, in s.

    Examples
    --------
    >>> round(duty_guard_s(10.0), 6)
    0.0023
    """
    return 3 * TICK_S + CLOCK * cycle_s


def off_by_s(from_s: float, length_s: float) -> float:
    """The time by which a load of `length_s` from `from_s` is certainly off on the board.

    Examples
    --------
    >>> round(off_by_s(1.0, 20.0), 6)
    21.0042
    """
    return from_s + length_s * _SLOWER + _TWO_TICKS_S


def joined_run_s(run_max_s: float) -> float:
    """The longest that runs which follow each other closely may last together, in s.

    Examples
    --------
    >>> round(joined_run_s(10.0), 6)
    9.9977
    """
    return run_max_s - duty_guard_s(run_max_s)


def longest_s(from_s: float, off_s: float) -> float:
    """The longest load from `from_s` that is certainly off by `off_s`; 0 where there is none.

    Examples
    --------
    >>> round(longest_s(1.0, 21.0042), 6)
    20.0
    """
    return max((off_s - from_s - _TWO_TICKS_S) / _SLOWER, 0.0)

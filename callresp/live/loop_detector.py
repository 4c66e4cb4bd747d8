"""The loop detector: stands the machine down if it feeds on itself after all.

Goal
----
Masks can fail: a wall nearer than was thought, a bell gone out of tune, a
loudspeaker. Whatever the cause, a machine in a loop shows one sign: what it has
just played reaches it again, reply after reply, with one and the same lag.
Birds, too, repeat what the machine took from them, but not to a few hundredths
of a second from its strokes, and not each time the same.

Conventions
-----------
A reply *comes back* with lag d when at least `alike` of its strokes have a heard
onset within `tolerance_s` of stroke + d. It is a loop when `count` of the last
`of` replies came back with lags that agree within `tolerance_s`, and when that is
no chance: among many birds some onset lies near every stroke at some lag or
other. With heard onsets at a rate r, a stroke meets one by chance with
``p = 1 - exp(-2 r tolerance)`` (a Poisson process); the strokes of all replies
must meet more at this lag than their binomial mean by `unlikely` standard
deviations.
"""

from __future__ import annotations

import math
from bisect import bisect_left, insort
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class LoopRule:
    """When to call it a loop."""

    count: int = 4
    of: int = 6
    longest_lag_s: float = 1.0
    tolerance_s: float = 0.02
    alike: float = 0.75
    least_strokes: int = 3
    unlikely: float = 5.0


@dataclass(slots=True)
class _Played:
    strokes_s: tuple[float, ...]
    heard_s: list[float] = field(default_factory=list)


def lags(strokes_s: Sequence[float], heard_s: Sequence[float], rule: LoopRule) -> list[float]:
    """Lags with which enough of the strokes recur among the heard onsets.

    Parameters
    ----------
    strokes_s, heard_s
        Times in rising order.

    Returns
    -------
    list of float
        Rising; neighbours lie more than the tolerance apart.

    Examples
    --------
    >>> lags([0.0, 0.2, 0.5], [0.1, 0.3, 0.6], LoopRule())
    [0.1]
    """
    found: list[float] = []
    candidates = sorted(
        heard - stroke
        for stroke in strokes_s
        for heard in heard_s
        if 0.0 <= heard - stroke <= rule.longest_lag_s
    )
    for lag in candidates:
        if found and lag - found[-1] <= rule.tolerance_s:
            continue
        hits = sum(_near(heard_s, stroke + lag, rule.tolerance_s) for stroke in strokes_s)
        if hits >= rule.alike * len(strokes_s):
            found.append(round(lag, 6))
    return found


def _near(times_s: Sequence[float], at_s: float, tolerance_s: float) -> bool:
    number = bisect_left(times_s, at_s - tolerance_s)
    return number < len(times_s) and times_s[number] <= at_s + tolerance_s


class LoopDetector:
    """Watches replies and heard onsets that passed the masks.

    Examples
    --------
    >>> watch = LoopDetector(LoopRule(count=2, of=3))
    >>> for start in (0.0, 10.0):
    ...     watch.replied([start, start + 0.2, start + 0.5])
    ...     for onset in (start + 0.03, start + 0.23, start + 0.53):
    ...         watch.heard(onset)
    >>> watch.loops
    True
    """

    def __init__(self, rule: LoopRule | None = None) -> None:
        self.rule = rule or LoopRule()
        self._played: deque[_Played] = deque(maxlen=self.rule.of)

    def replied(self, strokes_s: Sequence[float]) -> None:
        """Take note of the strokes of a reply."""
        if len(strokes_s) >= self.rule.least_strokes:
            self._played.append(_Played(tuple(sorted(strokes_s))))

    def heard(self, onset_s: float) -> None:
        """Take note of a heard note."""
        for played in self._played:
            last_s = played.strokes_s[-1] + self.rule.longest_lag_s
            if played.strokes_s[0] <= onset_s <= last_s:
                insort(played.heard_s, onset_s)

    @property
    def lag_s(self) -> float | None:
        """The lag that enough replies came back with, or `None`."""
        rule = self.rule
        every = [lags(played.strokes_s, played.heard_s, rule) for played in self._played]
        for lag in sorted(lag for some in every for lag in some):
            agree = sum(_near(some, lag + rule.tolerance_s / 2, rule.tolerance_s) for some in every)
            if agree >= rule.count and self._no_chance(lag):
                return lag
        return None

    def _no_chance(self, lag_s: float) -> bool:
        """Whether strokes meet heard onsets at a lag far more often than by chance."""
        tolerance_s = self.rule.tolerance_s
        met = mean = variance = 0.0
        for played in self._played:
            strokes = played.strokes_s
            span_s = strokes[-1] - strokes[0] + self.rule.longest_lag_s
            chance = 1 - math.exp(-2 * tolerance_s * len(played.heard_s) / span_s)
            met += sum(_near(played.heard_s, s + lag_s, tolerance_s) for s in strokes)
            mean += chance * len(strokes)
            variance += chance * (1 - chance) * len(strokes)
        return met - 0.5 - mean > self.rule.unlikely * math.sqrt(variance)

    @property
    def loops(self) -> bool:
        """Whether the machine should stand down."""
        return self.lag_s is not None

    def reset(self) -> None:
        """Forget all; call after standing down."""
        self._played.clear()

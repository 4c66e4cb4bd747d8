"""Which two groups are joined next: the likeliest first, then what is too little for a singer.

Goal
----
Each group remembers whom it would join best, so that after a joining only those are asked anew
whose best one has changed.

Conventions
-----------
`odds` holds nats for one singer of each two groups, shape ``(k, k)``, and the same both ways.
Of each group `best` is whom it would join best, and `nats` by how much; where `best` is -1 it is
not known, and `nats` is the most that it can be.
"""

from __future__ import annotations

import math

from callresp.listen.kernels._jit import noalloc
from callresp.listen.voices.looks import Flags, Floats, Ints

FEW = 2.0  # notes' worth: less is too little for a singer


@noalloc
def next_to_join(
    best: Ints,
    nats: Floats,
    alive: Flags,
    odds: Floats,
    size: Floats,
    least: float,
    any_two: bool,
) -> int:
    """The group that is joined with its best one next: -1 for none."""
    chosen = -1
    while chosen < 0 or best[chosen] < 0:
        if chosen >= 0:
            _find_best(chosen, best, nats, odds, alive)
        chosen = -1
        for a in range(len(alive)):
            if alive[a] and (chosen < 0 or nats[a] > nats[chosen]):
                chosen = a
    if nats[chosen] > least:
        return chosen
    smallest = -1
    for a in range(len(alive)):
        if alive[a] and (smallest < 0 or size[a] < size[smallest]):
            smallest = a
    if size[smallest] < FEW:
        _find_best(smallest, best, nats, odds, alive)
        return smallest
    return chosen if any_two else -1


@noalloc
def follow_up(a: int, b: int, best: Ints, nats: Floats, odds: Floats) -> None:
    """Whom each group would join best, after group `b` went into group `a`, whose `odds` are new.

    These are of shape ``(k,)``.
    """
    best[a], nats[a] = -1, math.inf
    for k in range(len(odds)):
        if k == a:
            continue
        if odds[k] > nats[k] or (best[k] == a and odds[k] == nats[k]):
            best[k], nats[k] = a, odds[k]
        elif best[k] == a or best[k] == b:
            best[k] = -1


@noalloc
def _find_best(a: int, best: Ints, nats: Floats, odds: Floats, alive: Flags) -> None:
    best[a] = -1
    for b in range(len(alive)):
        if alive[b] and b != a and (best[a] < 0 or odds[a, b] > nats[a]):
            best[a], nats[a] = b, odds[a, b]

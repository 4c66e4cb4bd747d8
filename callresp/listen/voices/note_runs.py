"""Runs: notes that plainly follow one another, the pieces that singers are told apart by.

Goal
----
A single note says little of who sang it; a handful in a row say much more:
their mean place and level stray far less. A run goes on while the next note
comes soon, at a like level, and near in pitch to the note before and to the
run's middle. It may break too often (the next step mends that), but should
not hold two singers.

Conventions
-----------
Looks as in `callresp.listen.voices.voice_model`; seconds and log2 hertz. Each note is
compared with at most `OPEN` runs, so the cost is linear in the notes.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from callresp.listen.kernels._jit import inner, kernel
from callresp.listen.voices.voice_model import END, LEVEL, START, TONAL

OPEN = 32  # runs that may go on at one time
REST_S = 0.35  # a run ends after this rest
OVERLAP_S = 0.012  # edges are no surer than this
STEP_OCT = 0.7  # from note to note
SPAN_OCT = 0.5  # from the run's middle
STEP_DB = 6.0
TWIN_S = 0.015  # parts of one sound begin together


@inner
def _strain(look: Any, before: Any, middle: float, rest_s: float) -> float:
    """How ill a note goes on from the last of a run; below 1 it may."""
    place = 0.5 * (look[START] + look[END])
    step = min(abs(look[START] - before[END]), abs(place - 0.5 * (before[START] + before[END])))
    apart = (step / STEP_OCT) ** 2 + ((place - middle) / SPAN_OCT) ** 2
    apart += ((look[LEVEL] - before[LEVEL]) / STEP_DB) ** 2
    tonal = look[TONAL] - before[TONAL]
    if not math.isnan(tonal):
        apart += tonal**2
    return 0.5 * math.sqrt(apart) + 0.5 * max(rest_s, 0.0) / REST_S


@inner
def _best_run(
    look: Any, onset_s: float, looks: Any, last: Any, until_s: Any, middle: Any
) -> tuple[int, int]:
    """The open run that the note goes on with, or -1, and a free place."""
    best = 1.0
    chosen = -1
    free = -1
    for a in range(OPEN):
        if last[a] >= 0 and onset_s - until_s[a] > REST_S:
            last[a] = -1
        if last[a] < 0:
            free = a
            continue
        if until_s[a] - onset_s > OVERLAP_S:
            continue
        strain = _strain(look, looks[last[a]], middle[a], onset_s - until_s[a])
        if strain < best:
            best = strain
            chosen = a
    return chosen, free


@kernel
def form_runs(looks: Any, onset_s: Any, offset_s: Any) -> Any:
    """Number the runs: an array of int64 in the order of the notes, from 0."""
    run = np.zeros(len(looks), np.int64)
    runs = 0
    last = np.full(OPEN, -1, np.int64)
    number = np.zeros(OPEN, np.int64)
    until_s = np.full(OPEN, -1e9)
    middle = np.zeros(OPEN)
    size = np.zeros(OPEN)
    for i in range(len(looks)):
        a, free = _best_run(looks[i], onset_s[i], looks, last, until_s, middle)
        if a < 0:
            a = free if free >= 0 else int(np.argmin(until_s))
            number[a] = runs
            runs += 1
            size[a] = 0.0
            until_s[a] = -1e9
        place = 0.5 * (looks[i, START] + looks[i, END])
        size[a] += 1
        middle[a] += (place - middle[a]) / size[a] if size[a] > 1 else place - middle[a]
        last[a] = i
        until_s[a] = max(until_s[a], offset_s[i])
        run[i] = number[a]
    return run


@inner
def at_once(i: int, j: int, looks: Any, onset_s: Any, offset_s: Any) -> float:
    """Share of the shorter of two notes that sounds under the other, 0 to 1.

    Parts of one sound (a note and its own overtone, heard apart) count as 0.
    """
    over = min(offset_s[i], offset_s[j]) - max(onset_s[i], onset_s[j]) - OVERLAP_S
    if over <= 0:
        return 0.0
    if abs(onset_s[i] - onset_s[j]) < TWIN_S:
        ratio = 2.0 ** abs(looks[i, START] - looks[j, START])
        if abs(ratio - round(ratio)) < 0.02 * ratio:
            return 0.0
    shorter = min(offset_s[i] - onset_s[i], offset_s[j] - onset_s[j])
    return min(1.0, over / max(shorter, 1e-3))


@kernel
def clashes(looks: Any, onset_s: Any, offset_s: Any, run: Any) -> Any:
    """Pairs of runs that sound at once: rows of (run, other run, shared notes)."""
    found = np.empty((8 * len(looks) + 8, 3))
    n = 0
    longest = 0.0
    for i in range(len(looks)):
        longest = max(longest, offset_s[i] - onset_s[i])
    for i in range(len(looks)):
        j = i - 1
        while j >= 0 and onset_s[j] > onset_s[i] - longest and i - j <= 4 * OPEN:
            if run[i] != run[j]:
                share = at_once(i, j, looks, onset_s, offset_s)
                if share > 0 and n + 2 <= len(found):
                    found[n, 0], found[n, 1], found[n, 2] = run[i], run[j], share
                    found[n + 1, 0], found[n + 1, 1], found[n + 1, 2] = run[j], run[i], share
                    n += 2
            j -= 1
    return found[:n]


@kernel
def move(
    start: int, costs: Any, first: Any, other: Any, clash: Any, sizes: Any, owner: Any
) -> None:
    """Give runs `start` and on to their cheapest singers, each seeing the moves before it.

    To `costs`, shape ``(runs, singers)``, comes what a run's notes sing against a singer's,
    a note: `clash` of the rows first[r] : first[r + 1].
    """
    against = np.zeros(costs.shape[1])
    for i in range(len(costs)):
        r = start + i
        against[:] = 0.0
        for n in range(first[r], first[r + 1]):
            against[owner[other[n]]] += clash[n]
        owner[r] = np.argmin(costs[i] + against / sizes[r])

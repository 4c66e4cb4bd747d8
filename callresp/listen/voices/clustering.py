"""Gather runs into singers.

Goal
----
Each run has a middle place, level, tonality, hardness and length of notes. A
singer is a cluster of runs in these; how many there are is not known
beforehand. We start with too many: a run that lies too far from every cluster
opens a new one (DP-means; Kulis & Jordan, ICML 2012, from memory). Then
clusters join while one singer describes both about as well as two do
(`callresp.listen.voices.merge_evidence`). Runs that sound at once can't be one singer's, and
that weighs more than any likeness.

Conventions
-----------
A run of n notes is as firm as n / (n + `ONE_NOTE`): the mean of many strays
less, but a long run is still one phrase. As evidence of what its singer sings
it weighs less, since a phrase sung again is no new sample of that: n runs at
one place together weigh n to the power of 1 - `SUNG_AGAIN`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.listen.voices import merge_evidence, note_runs
from callresp.listen.voices.merge_evidence import SPREAD, Sums
from callresp.listen.voices.voice_model import END, HARD, LENGTH, LEVEL, MOST, START, TONAL

Values = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

ONE_NOTE = 1.5
SUNG_AGAIN = 0.6  # 0: every rendition is a new sample; 1: only the first counts
SAME_OCT = 0.05  # apart, and a run may be the same phrase again
NEW = 6.0
CLASH = 12.0
SWEEPS = 4
SOON_S = 1.0  # the least that most singers rest between phrases
WHILE_S = 20.0  # that singers are about as busy as at any one time within
_AT_ONCE = 1024  # runs compared at once
_LOOK_BACK = 12  # runs; how far back one may have ended just now


@dataclass(frozen=True, slots=True)
class Runs:
    """All runs of a recording: their means, what these are worth, and who sounds at once."""

    means: Values
    sizes: Values
    firm: Values
    weights: Values
    start_s: Values
    end_s: Values
    first: Numbers  # clashes of run r are rows first[r] : first[r + 1]
    other: Numbers
    share: Values

    def __len__(self) -> int:
        return len(self.sizes)


def gather(looks: Values, onset_s: Values, offset_s: Values, run: Numbers) -> Runs:
    """Sum up the runs of all notes."""
    count = int(run.max()) + 1
    sizes = np.bincount(run, minlength=count).astype(np.float64)
    place = 0.5 * (looks[:, START] + looks[:, END])
    columns = (place, *(looks[:, look] for look in (LEVEL, TONAL, HARD, LENGTH)))
    means = np.stack([np.bincount(run, c, count) / sizes for c in columns], axis=1)
    firm = sizes / (sizes + ONE_NOTE)
    weights = firm / np.maximum(_at_one_place(means[:, 0], firm), 1.0) ** SUNG_AGAIN
    pairs = note_runs.clashes(looks, onset_s, offset_s, run)
    numbers = pairs[:, :2].astype(np.int64)
    both, at = np.unique(numbers[:, 0] * count + numbers[:, 1], return_inverse=True)
    share = np.bincount(at, pairs[:, 2], len(both)).astype(np.float64)
    first = np.searchsorted(both // count, np.arange(count + 1))
    start_s, end_s = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(start_s, run, onset_s)
    np.maximum.at(end_s, run, offset_s)
    return Runs(means, sizes, firm, weights, start_s, end_s, first, both % count, share)


def _at_one_place(place: Values, weights: Values) -> Values:
    """The weight of all runs about each run's place, by a histogram with soft edges."""
    at = place / SAME_OCT
    at -= np.floor(at.min())
    low = at.astype(np.int64)
    high_part = at - low
    bins = int(low.max()) + 2
    heap = np.bincount(low, weights * (1 - high_part), bins)
    heap += np.bincount(low + 1, weights * high_part, bins)
    return np.asarray(heap[low] * (1 - high_part) + heap[low + 1] * high_part)


def settle(found: Runs) -> Numbers:
    """The singer of every run, numbered from 0 in no order."""
    owner = _opened(found)
    for _ in range(SWEEPS):
        owner, flock = _measured(found, owner)
        owner, flock = _joined(owner, flock)
        before = owner.copy()
        _moved(found, owner, flock)
        if np.array_equal(before, owner):
            break
    return owner


def _opened(found: Runs) -> Numbers:
    """A first cut into too many clusters, longest runs first."""
    owner = np.full(len(found), -1, np.int64)
    centre = np.zeros((MOST, SPREAD.size))
    weight = np.zeros(MOST)
    used = 0
    for r in np.argsort(-found.sizes, kind="stable"):
        gap = (found.means[r] - centre[:used]) / SPREAD
        cost = found.firm[r] * (gap**2).sum(axis=1) + _against(found, r, owner, used)
        k = int(cost.argmin()) if used else 0
        if used == 0 or (cost[k] > NEW and used < MOST):
            k, used = used, used + 1
        weight[k] += found.firm[r]
        centre[k] += (found.means[r] - centre[k]) * found.firm[r] / weight[k]
        owner[r] = k
    return owner


def _against(found: Runs, r: int, owner: Numbers, used: int) -> Values:
    """Cost of giving run `r` to each singer, by what the singer sings at the time."""
    mine = slice(found.first[r], found.first[r + 1])
    if mine.start == mine.stop:
        return np.zeros(used)
    sung = owner[found.other[mine]]
    known = sung >= 0
    shared = np.bincount(sung[known], found.share[mine][known], used)
    return np.asarray(CLASH * shared / found.sizes[r])


def _measured(found: Runs, owner: Numbers) -> tuple[Numbers, Sums]:
    """Number the clusters that have runs from 0, and sum each up."""
    kept, owner = np.unique(owner, return_inverse=True)
    owner, used = owner.astype(np.int64), len(kept)
    weight = np.bincount(owner, found.weights, used).astype(np.float64)
    total = _sums(owner, found.weights[:, None] * found.means, used)
    square = _sums(owner, found.weights[:, None] * found.means**2, used)
    count = np.bincount(owner, minlength=used).astype(np.float64)
    mine = np.repeat(owner, np.diff(found.first))
    pairs = mine * used + owner[found.other]
    together = np.bincount(pairs, np.minimum(found.share, 1.0), used**2).astype(np.float64)
    together = together.reshape(used, used)
    soon, chance = _followed(found, owner, used)
    return owner, Sums(weight, total, square, count, together, soon, chance)


def _followed(found: Runs, owner: Numbers, used: int) -> tuple[Values, Values]:
    """Pairs of runs with hardly a rest between, for each two clusters: seen, and by chance."""
    order = np.argsort(found.start_s, kind="stable")
    start_s, end_s, who = found.start_s[order], found.end_s[order], owner[order]
    soon = np.zeros(used**2)
    for back in range(1, min(_LOOK_BACK, len(order) - 1) + 1):
        rest_s = start_s[back:] - end_s[:-back]
        near = (rest_s >= note_runs.REST_S) & (rest_s < SOON_S)
        soon += np.bincount(who[back:][near] * used + who[:-back][near], minlength=used**2)
    seen = soon.reshape(used, used)
    whiles = int((start_s[-1] - start_s[0]) / WHILE_S) + 1
    while_s = max((start_s[-1] - start_s[0]) / whiles, SOON_S)
    when = np.minimum(((start_s - start_s[0]) / while_s).astype(np.int64), whiles - 1)
    busy = np.bincount(when * used + who, minlength=whiles * used).reshape(whiles, used)
    chance = 2 * (SOON_S - note_runs.REST_S) / while_s * (busy.T @ busy)
    return seen + seen.T, np.asarray(chance, np.float64)


def _sums(owner: Numbers, values: Values, count: int) -> Values:
    return np.stack([np.bincount(owner, column, count) for column in values.T], axis=1)


def _joined(owner: Numbers, flock: Sums) -> tuple[Numbers, Sums]:
    """Join two clusters at a time while it is likelier that one singer sang both."""
    while len(flock) > 1:
        cost = merge_evidence.evidence_for_two(flock)
        np.fill_diagonal(cost, np.inf)
        a, b = sorted(divmod(int(cost.argmin()), len(flock)))
        if cost[a, b] > 0.0:
            break
        owner = np.where(owner == b, a, owner)
        owner, flock = owner - (owner > b), flock.joined(a, b)
    return owner, flock


def _moved(found: Runs, owner: Numbers, flock: Sums) -> None:
    """Give every run to the cluster that it fits best, in place."""
    centre, variance = flock.centre, flock.variance
    width = np.log(variance / SPREAD**2).sum(axis=1)
    for start in range(0, len(found), _AT_ONCE):
        some = slice(start, start + _AT_ONCE)
        gap = (found.means[some, None] - centre) ** 2 / variance
        costs = found.firm[some, None] * (gap.sum(axis=2) + width)
        note_runs.move(
            start, costs, found.first, found.other, CLASH * found.share, found.sizes, owner
        )

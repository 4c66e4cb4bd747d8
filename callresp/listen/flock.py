"""Gather runs into singers.

Goal
----
Each run has a middle place, level, tonality and hardness. A singer is a
cluster of runs in these; how many there are is not known beforehand. We start
with too many: a run that lies too far from every cluster opens a new one
(DP-means; Kulis & Jordan, ICML 2012, from memory). Then clusters join while
one normal describes both about as well as two do, by the likelihood of their
runs. Runs that sound at once can't be one singer's, and that weighs more than
any likeness.

Conventions
-----------
A run of n notes weighs n / (n + `ONE_NOTE`): the mean of many strays less, but
a long run is still one phrase. A cluster's spread is its own, mixed with
`SPREAD` as if that had been seen in `GUESS` runs. Costs are in units of twice
the log likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.listen import runs
from callresp.listen.singers import END, HARD, LEVEL, MOST, START, TONAL

Values = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

# Of run means of one singer: octaves, dB, tonality, hardness.
SPREAD = np.array([0.2, 2.5, 0.3, 0.25])
GUESS = 4.0
ONE_NOTE = 1.5
NEW = 8.0
JOIN = 7.0
FAR = 20.0  # squared spreads; too far apart to be one, however few the runs
CLASH = 12.0
SWEEPS = 4
_AT_ONCE = 1024  # runs compared at once
TOGETHER = 0.1  # share of notes sung at once that shows two singers


@dataclass(frozen=True, slots=True)
class Runs:
    """All runs of a recording: their means, weights and sizes, and who sounds at once."""

    means: Values
    sizes: Values
    weights: Values
    first: Numbers  # clashes of run r are rows first[r] : first[r + 1]
    other: Numbers
    share: Values

    def __len__(self) -> int:
        return len(self.sizes)


@dataclass(frozen=True, slots=True)
class Flock:
    """Clusters: weight, sum and sum of squares of their runs, shape ``(k,)``, ``(k, looks)``."""

    weight: Values
    total: Values
    square: Values

    @property
    def centre(self) -> Values:
        """Weighted means."""
        return self.total / self.weight[:, None]

    @property
    def variance(self) -> Values:
        """Spread squared, mixed with the guess."""
        return _variance(self.weight, self.total, self.square)


def _variance(weight: Values, total: Values, square: Values) -> Values:
    inner = np.maximum(square - total**2 / weight[..., None], 0.0)
    return (GUESS * SPREAD**2 + inner) / (GUESS + weight[..., None])


def gather(looks: Values, onset_s: Values, offset_s: Values, run: Numbers) -> Runs:
    """Sum up the runs of all notes."""
    count = int(run.max()) + 1
    sizes = np.bincount(run, minlength=count).astype(np.float64)
    place = 0.5 * (looks[:, START] + looks[:, END])
    columns = (place, looks[:, LEVEL], looks[:, TONAL], looks[:, HARD])
    means = np.stack([np.bincount(run, c, count) / sizes for c in columns], axis=1)
    pairs = runs.clashes(looks, onset_s, offset_s, run)
    pairs = pairs[np.argsort(pairs[:, 0], kind="stable")]
    first = np.searchsorted(pairs[:, 0].astype(np.int64), np.arange(count + 1))
    other, share = pairs[:, 1].astype(np.int64), pairs[:, 2].copy()
    return Runs(means, sizes, sizes / (sizes + ONE_NOTE), first, other, share)


def settle(found: Runs) -> Numbers:
    """The singer of every run, numbered from 0 in no order."""
    owner = _opened(found)
    for _ in range(SWEEPS):
        owner, flock = _measured(found, owner)
        owner, flock = _joined(found, owner, flock)
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
        cost = found.weights[r] * (gap**2).sum(axis=1) + _against(found, r, owner, used)
        k = int(cost.argmin()) if used else 0
        if used == 0 or (cost[k] > NEW and used < MOST):
            k, used = used, used + 1
        weight[k] += found.weights[r]
        centre[k] += (found.means[r] - centre[k]) * found.weights[r] / weight[k]
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


def _measured(found: Runs, owner: Numbers) -> tuple[Numbers, Flock]:
    """Number the clusters that have runs from 0, and sum each up."""
    kept, owner = np.unique(owner, return_inverse=True)
    owner = owner.astype(np.int64)
    weight = np.asarray(np.bincount(owner, found.weights, len(kept)), dtype=np.float64)
    total = _sums(owner, found.weights[:, None] * found.means, len(kept))
    square = _sums(owner, found.weights[:, None] * found.means**2, len(kept))
    return owner, Flock(weight, total, square)


def _sums(owner: Numbers, values: Values, count: int) -> Values:
    return np.stack([np.bincount(owner, column, count) for column in values.T], axis=1)


def _joined(found: Runs, owner: Numbers, flock: Flock) -> tuple[Numbers, Flock]:
    """Join two clusters at a time while that costs less than a singer more."""
    while len(flock.weight) > 1:
        cost = _join_cost(flock)
        cost[_far_apart(flock)] = np.inf
        cost[_sung_together(found, owner, len(flock.weight))] = np.inf
        np.fill_diagonal(cost, np.inf)
        a, b = divmod(int(cost.argmin()), len(flock.weight))
        if cost[a, b] > JOIN:
            break
        owner, flock = _measured(found, np.where(owner == b, a, owner))
    return owner, flock


def _join_cost(flock: Flock) -> Values:
    """What joining costs each pair: weight times log variance, joint less apart."""
    weight = flock.weight[:, None] + flock.weight[None]
    total = flock.total[:, None] + flock.total[None]
    square = flock.square[:, None] + flock.square[None]
    apart = flock.weight * np.log(flock.variance).sum(axis=1)
    joint = weight * np.log(_variance(weight, total, square)).sum(axis=2)
    return np.asarray(joint - apart[:, None] - apart[None])


def _far_apart(flock: Flock) -> npt.NDArray[np.bool_]:
    """Which pairs of centres differ by more than one singer would."""
    gap = (flock.centre[:, None] - flock.centre[None]) / SPREAD
    return np.asarray((gap**2).sum(axis=2) > FAR)


def _sung_together(found: Runs, owner: Numbers, singers: int) -> npt.NDArray[np.bool_]:
    """Which pairs of singers have been heard at once too often to be one."""
    mine = np.repeat(owner, np.diff(found.first))
    together = np.zeros((singers, singers))
    np.add.at(together, (mine, owner[found.other]), found.share)
    notes = np.bincount(owner, found.sizes, singers)
    return np.asarray(together > TOGETHER * np.minimum(notes[:, None], notes[None]))


def _moved(found: Runs, owner: Numbers, flock: Flock) -> None:
    """Give every run to the cluster that it fits best, in place."""
    centre, variance = flock.centre, flock.variance
    width = np.log(variance / SPREAD**2).sum(axis=1)
    for start in range(0, len(found), _AT_ONCE):
        some = slice(start, start + _AT_ONCE)
        gap = (found.means[some, None] - centre) ** 2 / variance
        costs = found.weights[some, None] * (gap.sum(axis=2) + width)
        runs.move(start, costs, found.first, found.other, CLASH * found.share, found.sizes, owner)

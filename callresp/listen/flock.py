"""Gather runs into singers.

Goal
----
Each run has a middle place, level and tonality. A singer is a cluster of
runs in these; how many there are is not known beforehand, so a run that lies
too far from every cluster opens a new one (DP-means; Kulis & Jordan, ICML
2012, from memory). Runs that sound at once can't be one singer's, and that
weighs more than any likeness.

Conventions
-----------
Distances are squared, each look divided by its spread within one singer. Long
runs count for more: the mean of n notes strays by 1/sqrt(n) of one note's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.listen import runs
from callresp.listen.singers import END, LEVEL, MOST, START, TONAL

Values = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

SPREAD = np.array([0.2, 3.0, 0.4])  # octaves, dB, tonality: of run means of one singer
ONE_NOTE = 1.5  # how much wider a run of one note strays: 1 + ONE_NOTE / n
NEW = 9.0
MERGE = 3.6
CLASH = 12.0
SWEEPS = 5
TOGETHER = 0.1  # share of notes sung at once that shows two singers


@dataclass(frozen=True, slots=True)
class Runs:
    """All runs of a recording: their means, their sizes, and who sounds at once."""

    means: Values
    sizes: Values
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
    columns = (place, looks[:, LEVEL], looks[:, TONAL])
    means = np.stack([np.bincount(run, c, count) / sizes for c in columns], axis=1)
    pairs = runs.clashes(looks, onset_s, offset_s, run)
    pairs = pairs[np.argsort(pairs[:, 0], kind="stable")]
    owner = pairs[:, 0].astype(np.int64)
    first = np.searchsorted(owner, np.arange(count + 1))
    return Runs(means, sizes, first, pairs[:, 1].astype(np.int64), pairs[:, 2].copy())


def settle(flock: Runs) -> Numbers:
    """The singer of every run, numbered from 0 in no order."""
    spread = SPREAD * np.sqrt(1 + ONE_NOTE / flock.sizes)[:, None]
    owner = np.full(len(flock), -1, np.int64)
    centres = np.zeros((0, SPREAD.size))
    longest_first = np.argsort(-flock.sizes, kind="stable")
    for sweep in range(SWEEPS):
        centres = _sweep(flock, spread, owner, centres, longest_first, may_open=sweep < 2)
        owner, centres = _centred(flock, owner)
        owner, centres = _merged(flock, owner, centres)
    return owner


def _sweep(
    flock: Runs, spread: Values, owner: Numbers, centres: Values, order: Numbers, *, may_open: bool
) -> Values:
    """Give every run to its nearest centre; a far one opens a new centre."""
    room = np.zeros((MOST, centres.shape[1]))
    weight = np.zeros(MOST)
    used = len(centres)
    room[:used] = centres
    for r in order:
        first, last = flock.first[r], flock.first[r + 1]
        cost = (((flock.means[r] - room[:used]) / spread[r]) ** 2).sum(axis=1)
        against = np.zeros(used + 1)
        np.add.at(against, owner[flock.other[first:last]], flock.share[first:last])
        cost += CLASH * against[:used] / flock.sizes[r]
        k = int(cost.argmin()) if used else 0
        if used == 0 or (may_open and used < MOST and cost[k] > NEW):
            k, used = used, used + 1
            room[k], weight[k] = flock.means[r], 0.0
        if len(centres) == 0:  # the first sweep finds its centres as it goes
            weight[k] += flock.sizes[r]
            room[k] += (flock.means[r] - room[k]) * flock.sizes[r] / weight[k]
        owner[r] = k
    return room[:used]


def _centred(flock: Runs, owner: Numbers) -> tuple[Numbers, Values]:
    """Drop singers without runs, and move each centre to the middle of its runs."""
    kept, owner = np.unique(owner, return_inverse=True)
    owner = owner.astype(np.int64)
    total = np.bincount(owner, flock.sizes, len(kept))
    sums = [np.bincount(owner, flock.sizes * mean, len(kept)) for mean in flock.means.T]
    return owner, np.stack(sums, axis=1) / total[:, None]


def _merged(flock: Runs, owner: Numbers, centres: Values) -> tuple[Numbers, Values]:
    """Join the nearest centres while they lie close and do not sing at once."""
    while len(centres) > 1:
        apart = (((centres[:, None] - centres[None]) / SPREAD) ** 2).sum(axis=2)
        apart[_sung_together(flock, owner, len(centres))] = np.inf
        np.fill_diagonal(apart, np.inf)
        a, b = divmod(int(apart.argmin()), len(centres))
        if apart[a, b] > MERGE:
            break
        owner = np.where(owner == b, a, owner)
        owner, centres = _centred(flock, owner)
    return owner, centres


def _sung_together(flock: Runs, owner: Numbers, singers: int) -> npt.NDArray[np.bool_]:
    """Which pairs of singers have been heard at once too often to be one."""
    mine = np.repeat(owner, np.diff(flock.first))
    together = np.zeros((singers, singers))
    np.add.at(together, (mine, owner[flock.other]), flock.share)
    notes = np.bincount(owner, flock.sizes, singers)
    return np.asarray(together > TOGETHER * np.minimum(notes[:, None], notes[None]))

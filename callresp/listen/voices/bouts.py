"""Two singers in one voice, told apart by their bouts where hardly anything overlaps.

Goal
----
Of birds in turns each sings whole bouts, between rests of all sound. A bird's bouts are more alike
than those of two birds, but how alike they are differs from bird to bird: in timbre, two bouts of
one have .2 in common, of another .95. So what two sets of bouts have in common is held against
what the bouts of each set have in common among themselves. Where it is far less, two birds sing.

- Each set holds two bouts at least: of one bout nobody knows how alike its singer's are.
- Its bouts hold several unlike syllables. Songs of one syllable, each song another one, may well
  be one bird's.
- What counts is the less alike of the two sets, and its bouts have something in common. Else a
  song that comes twice would stand out from the others of a bird that hardly repeats any.

Conventions
-----------
How alike two bouts are is a cosine of sums of `timbre` (`callresp.listen.voices.pair_evidence`): 1
is as alike as with itself.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from callresp.listen.voices.looks import Numbers, Values
from callresp.listen.voices.pair_evidence import Pairs, Shares

CALM = 0.1  # the share of a voice's notes that overlap, above which bouts tell nothing
REST_S = 0.8
LEAST_NOTES = 3.0  # notes' worth of a bout that is compared
LEAST_BOUTS = 2
LEAST_KINDS = 2.5  # unlike syllables in a bout, the mean of a set
LEAST_ALIKE = 0.15
MOST_BOUTS = 256
# Nats for one singer: constant, and by ln of the share that two sets have in common of what the
# bouts of one have.
NATS = (5.0, 6.0)
_LEAST_SHARE = 1e-3


class Bouts(NamedTuple):
    """Bouts of one voice or several, in order.

    `alike`, shape ``(k, k)``, and `kinds`, how many unlike syllables each holds, and `first`, the
    number of its first note, shape ``(k,)``, are of those long enough to be compared; `nearest` is
    which of these each note lies in or next to, shape ``(n,)``.
    """

    alike: Values
    kinds: Values
    first: Numbers
    nearest: Numbers


def part_by_bouts(owner: Numbers, p: Pairs, most: int = 0) -> Numbers:
    """The same singers, but for those whose bouts are two birds'.

    Parameters
    ----------
    owner
        The singer of every note, from 0, shape ``(n,)``.
    p
        The notes.
    most
        At most so many singers; 0 for as many as are likely.

    Returns
    -------
    Numbers
        The singer of every note, new ones with the next numbers, shape ``(n,)``.
    """
    owner, run = owner.copy(), runs(p)
    singers = int(owner.max()) + 1
    for voice in range(singers):
        notes = np.flatnonzero(owner == voice)
        bouts = bouts_of(notes, run[notes], p)
        if bouts is None:
            continue
        for members in _sets(bouts, most - singers + 1 if most else len(bouts.kinds))[1:]:
            owner[notes[np.isin(bouts.nearest, members)]] = singers
            singers += 1
    return owner


def runs(p: Pairs) -> Numbers:
    """The number of the run of sound that each note lies in, from one rest to the next."""
    until_s = np.maximum.accumulate(p.offset_s)
    return np.cumsum(np.r_[0, p.onset_s[1:] - until_s[:-1] >= REST_S])


def bouts_of(notes: Numbers, run: Numbers, p: Pairs) -> Bouts | None:
    """The bouts of some notes, one where `run` stays the same; None where they tell nothing.

    `notes` and `run` are of shape ``(n,)``.
    """
    weight = p.weight[notes]
    if np.sum(p.about[notes] * weight) >= CALM * np.sum(weight):
        return None
    starts = np.flatnonzero(np.diff(run, prepend=run[0] - 1))
    notes_worth = np.add.reduceat(weight, starts)
    told = np.flatnonzero(notes_worth >= LEAST_NOTES)
    if not 2 * LEAST_BOUTS <= len(told) <= MOST_BOUTS:
        return None
    among = np.ix_(notes, notes)
    timbre = _sums(p.timbre[among], starts)[np.ix_(told, told)]
    roots = np.sqrt(np.diag(timbre))
    kinds = notes_worth**2 / np.diag(_sums(p.like[among], starts))
    bout = np.repeat(np.arange(len(starts)), np.diff(np.r_[starts, len(notes)]))
    nearest = np.abs(bout[:, None] - told).argmin(axis=1)
    return Bouts(timbre / np.outer(roots, roots), kinds[told], starts[told], nearest)


def _sums(pairs: Shares, starts: Numbers) -> Values:
    """Sums over the notes of each two bouts."""
    rows = np.add.reduceat(pairs, starts, axis=0, dtype=np.float64)
    return np.asarray(np.add.reduceat(rows, starts, axis=1))


def _sets(bouts: Bouts, most: int) -> list[Numbers]:
    """Sets of bouts that are one singer's each, at most so many."""
    open_sets, sets = [np.arange(len(bouts.kinds))], list[Numbers]()
    while open_sets:
        some = open_sets.pop()
        first, second = two_sets(bouts.alike[np.ix_(some, some)])
        one, other = some[first], some[second]
        if len(open_sets) + len(sets) + 1 < most and nats_for_one(one, other, bouts) < 0.0:
            open_sets += [one, other]
        else:
            sets.append(some)
    return sets


def nats_for_one(one: Numbers, other: Numbers, bouts: Bouts) -> float:
    """Nats for one singer of two sets of bouts; 0 where they tell nothing."""
    if min(len(one), len(other)) < LEAST_BOUTS:
        return 0.0
    if min(bouts.kinds[one].mean(), bouts.kinds[other].mean()) < LEAST_KINDS:
        return 0.0
    own = min(_among(bouts.alike[np.ix_(some, some)]) for some in (one, other))
    if own < LEAST_ALIKE:
        return 0.0
    share = bouts.alike[np.ix_(one, other)].mean() / own
    return float(NATS[0] + NATS[1] * np.log(share + _LEAST_SHARE))


def _among(alike: Values) -> float:
    """How alike two bouts of a set are, in the mean."""
    count = len(alike)
    return float((alike.sum() - np.trace(alike)) / (count * (count - 1)))


def two_sets(alike: Values) -> tuple[Numbers, Numbers]:
    """The two sets that average linkage (Sokal & Michener 1958) joins last.

    scipy's linkage does the same, and takes half a second to load.
    """
    count = len(alike)
    near, size, group = alike.copy(), np.ones(count), np.arange(count)
    np.fill_diagonal(near, -1.0)
    for _ in range(count - 2):
        a, b = divmod(int(near.argmax()), count)
        both = (size[a] * near[a] + size[b] * near[b]) / (size[a] + size[b])
        both[(near[a] < 0.0) | (near[b] < 0.0)] = -1.0
        near[a], near[:, a] = both, both
        near[b], near[:, b] = -1.0, -1.0
        size[a] += size[b]
        group[group == b] = a
    return np.flatnonzero(group == group[0]), np.flatnonzero(group != group[0])


def nats_apart(voice: Numbers, one: int, other: int, p: Pairs) -> float:
    """Nats by which the bouts of two voices tell that they are two; 0 where they don't.

    `voice` is that of every note, shape ``(n,)``.
    """
    run = runs(p)
    both = [np.flatnonzero(voice == v) for v in (one, other)]
    notes = np.concatenate(both)
    last = int(run[-1]) + 1
    bouts = bouts_of(notes, np.concatenate([run[both[0]], run[both[1]] + last]), p)
    if bouts is None:
        return 0.0
    mine = bouts.first < len(both[0])
    return max(0.0, -nats_for_one(np.flatnonzero(mine), np.flatnonzero(~mine), bouts))

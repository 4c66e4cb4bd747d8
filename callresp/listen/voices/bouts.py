"""Two singers in one voice, told apart by their bouts where hardly anything overlaps.

Goal
----
Of birds in turns each sings whole bouts, between rests of all sound. A bird's notes come back in
its other bouts, and seldom in another's. So the bouts are parted into two sets such that each note
is as much more like those in the other bouts of its own set, in timbre, than like those in all
other bouts, as can be: that is the gain (`gained`). It is 0 where both sets hold the same notes, as
of one bird, and largest where they share none. The share of that largest gain tells two birds from
one.

Each set holds two bouts at least: of one bout nobody knows how alike its singer's are. Where other
evidence speaks for two by then, bouts need to say less.

Conventions
-----------
`back` sums up `timbre` (`callresp.listen.voices.pair_evidence`), by weight: of a note and all in a
bout, their likeness by the notes' worth. Two sets are given as a flag a bout.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from callresp.listen.voices.looks import Flags, Floats32, Ints
from callresp.listen.voices.pair_evidence import Pairs

REST_S = 0.8
LEAST_NOTES = 2.0  # notes' worth of a bout that is compared
LEAST_BOUTS = 2
MOST_BOUTS = 256
LEAST_LIKE = 0.01  # in the mean, added: by chance, any two notes are somewhat alike
# Nats for one singer: constant, and by the share of the largest gain; and more, where other
# evidence tells two singers.
NATS, TWO_BEFORE = (3.5, -10.0), -1.5
TOO_FEW = 1000.0  # nats against a way that leaves a set too few bouts
STARTS, CLIMBS = 6, 10


class Bouts(NamedTuple):
    """Bouts of one voice or several, in order, those long enough to be compared.

    Of ``n`` notes `weight` is of shape ``(n,)``, and `nearest` says which bout each lies in or
    next to. `back` is how alike each is to the notes of each other bout, shape ``(n, k)``; `worth`,
    shape ``(k, k)``, is what the notes of the others are worth to each bout, and `alike` how alike
    two bouts are, 1 for the same. `first`, the number of its first note, is of shape ``(k,)``.
    """

    weight: Floats32
    nearest: Ints
    back: Floats32
    worth: Floats32
    alike: Floats32
    first: Ints

    def among(self, some: Ints) -> Bouts:
        """Some of the bouts alone, with their notes."""
        notes = np.isin(self.nearest, some)
        return Bouts(
            self.weight[notes],
            np.searchsorted(some, self.nearest[notes]),
            self.back[np.ix_(notes, some)],
            self.worth[np.ix_(some, some)],
            self.alike[np.ix_(some, some)],
            self.first[some],
        )


def by_bouts(p: Pairs, most: int = 0, two_before: bool = False) -> Ints | None:
    """The singers of all notes by their bouts alone, from 0, shape ``(n,)``.

    Parameters
    ----------
    p
        The notes.
    most
        At most so many singers; 0 for as many as are likely.
    two_before
        Whether other evidence tells more than one.

    Returns
    -------
    Ints or None
        None where bouts tell nothing.
    """
    bouts = bouts_of(np.arange(len(p.weight)), runs(p), p)
    sets = None if bouts is None else _sets(bouts, most or MOST_BOUTS, two_before)
    if bouts is None or sets is None:
        return None
    owner = np.zeros(len(p.weight), np.int64)
    for singer, members in enumerate(sets):
        owner[np.isin(bouts.nearest, members)] = singer
    return owner


def runs(p: Pairs) -> Ints:
    """The number of the run of sound that each note lies in, from one rest to the next."""
    until_s = np.maximum.accumulate(p.offset_s)
    return np.cumsum(np.r_[0, p.onset_s[1:] - until_s[:-1] >= REST_S])


def bouts_of(notes: Ints, run: Ints, p: Pairs) -> Bouts | None:
    """The bouts of some notes, one where `run` stays the same; None where they tell nothing.

    `notes` and `run` are of shape ``(n,)``.
    """
    weight = p.weight[notes]
    starts = np.flatnonzero(np.diff(run, prepend=run[0] - 1))
    told = np.flatnonzero(np.add.reduceat(weight, starts) >= LEAST_NOTES)
    if not 2 * LEAST_BOUTS <= len(told) <= MOST_BOUTS:
        return None
    bout = np.repeat(np.arange(len(starts)), np.diff(np.r_[starts, len(notes)]))
    nearest = np.abs(bout[:, None] - told).argmin(axis=1)
    within = (nearest[:, None] == np.arange(len(told))).astype(np.float32)
    roots = np.sqrt(np.maximum(weight, 1e-6)).astype(np.float32)[:, None]
    # All of them in order, mostly: then without a copy.
    every = np.array_equal(notes, np.arange(len(p.weight)))
    timbre = p.timbre if every else p.timbre[np.ix_(notes, notes)]
    back = timbre @ (roots * within) / roots
    alike = (roots * roots * within).T @ back
    own = np.sqrt(np.diag(alike))
    worth = weight.astype(np.float32) @ within
    return Bouts(
        weight.astype(np.float32),
        nearest,
        np.where(within > 0, np.float32(0), back),
        worth * (1 - np.eye(len(told), dtype=np.float32)),
        alike / np.outer(own, own),
        starts[told],
    )


def _sets(bouts: Bouts, most: int, two_before: bool) -> list[Ints] | None:
    """Sets of bouts that are one singer's each, at most so many; None where they tell nothing."""
    open_sets, sets = [np.arange(len(bouts.first))], list[Ints]()
    while open_sets:
        some = open_sets.pop()
        mine = bouts if len(some) == len(bouts.first) else bouts.among(some)
        second = two_sets(mine)
        nats = nats_for_one(second, mine, two_before)
        if mine is bouts and nats == 0.0:
            return None
        if nats < 0.0 and len(open_sets) + len(sets) + 1 < most:
            two_before = False  # whether these are two in turn, nobody has told
            open_sets += [some[~second], some[second]]
        else:
            sets.append(some)
    return sets


def two_sets(bouts: Bouts) -> Flags:
    """The two sets by which most is gained: which bouts are in the second one, shape ``(k,)``.

    From the best of some pairs of unlike bouts, each with those that are more like it, bouts
    change sides one by one, as long as that gains.
    """
    count = len(bouts.first)
    starts = np.unique(np.linspace(0, count - 1, STARTS).astype(np.int64))
    unlike = bouts.alike[starts].argmin(axis=1)
    ways = bouts.alike[unlike] > bouts.alike[starts]
    second, most = np.zeros(count, np.bool_), -np.inf
    for _ in range(CLIMBS):
        gain = gained(ways, bouts)[0]
        best = int(gain.argmax())
        if gain[best] <= most + 1e-6:
            break
        second, most = ways[best], gain[best]
        ways = second ^ np.eye(count, dtype=np.bool_)
    return second


def gained(ways: Flags, bouts: Bouts) -> tuple[Floats32, Floats32]:
    """The gain by two sets, and the largest that it could be: nats a note, shape ``(m,)``.

    `ways` are some ways to part the bouts, shape ``(m, k)``. The largest is the entropy of which
    set a note is in.
    """
    weight = bouts.weight / bouts.weight.sum()
    size = ways.sum(axis=1)
    side = ways.T[bouts.nearest]
    like = _in_own_set(bouts.back, ways, side)
    worth = _in_own_set(bouts.worth, ways, ways.T)[bouts.nearest]
    whole = bouts.back.sum(axis=1) / (bouts.worth.sum(axis=1)[bouts.nearest] + 1.0)
    own = np.log(like / (worth + 1.0) + LEAST_LIKE)
    gain = weight @ own - weight @ np.log(whole + LEAST_LIKE)
    share = np.clip(weight @ side, 1e-6, 1.0 - 1e-6)
    could = -share * np.log(share) - (1.0 - share) * np.log(1.0 - share)
    few = np.minimum(size, ways.shape[1] - size) < LEAST_BOUTS
    return gain - TOO_FEW * few, could


def _in_own_set(of_bouts: Floats32, ways: Flags, side: Flags) -> Floats32:
    """Sums of ``(n, k)`` over the bouts of each one's own set, shape ``(n, m)``."""
    second = of_bouts @ ways.T.astype(np.float32)
    return np.where(side, second, of_bouts.sum(axis=1)[:, None] - second)


def nats_for_one(second: Flags, bouts: Bouts, two_before: bool = False) -> float:
    """Nats for one singer of two sets of bouts; 0 where they tell nothing."""
    if min(np.sum(second), np.sum(~second)) < LEAST_BOUTS:
        return 0.0
    gain, could = gained(second[None], bouts)
    return float(NATS[0] + NATS[1] * gain[0] / could[0] + (TWO_BEFORE if two_before else 0.0))


def nats_apart(voice: Ints, one: int, other: int, p: Pairs) -> float:
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
    return max(0.0, -nats_for_one(bouts.first >= len(both[0]), bouts, two_before=True))

"""The singers of a chorus: many birds that seldom sing at once, each soon followed by another.

Goal
----
In a chorus of several kinds the next note in time is mostly another bird's, so that gaps between
notes tell nothing, and by the evidence of `callresp.listen.voices.voice_model` nearly all become
one singer. What tells there is how alike two notes are: as spectrograms, and within their own
bands; and notes near in time are somewhat likelier one bird's. Two groups are one singer's by
the mean over all pairs of their notes (average linkage, Sokal & Michener 1958): one pair that
happens to be alike, or to follow one another, joins nothing. Where many more pairs follow closely
than would by chance, that speaks for one singer, too: a song that goes over an octave has
syllables that are unlike. The fewer notes a group has, the likelier it is a part of a song.

A stretch is a chorus if notes overlap (`near_clash` in `callresp.listen.voices.pair_evidence`) and
some lie far apart that neither begin nor end together: parts of one sound seldom do. Birds far off
count there, however faint beside a song that has just ended. Two birds in a wood are one, too,
though both rest now and then. Where all do, other evidence is asked first, and stands if bouts tell
singers who take turns, or if hardly anything overlaps within one voice. How many singers there are
is told by what comes back, then (`callresp.listen.voices.recurrence`).

The weights are logistic regressions: `ALIKE` on pairs of notes of 12 mixes of 3 to 6 birds
(tools/singer_cases.py, `crowd`) and of four real choruses, `ONE` on pairs of groups that are joined
at last, in mixes of one to six birds of unlike kinds and in the same choruses.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from callresp.listen.kernels._jit import inner, kernel, noalloc
from callresp.listen.voices.linkage import follow_up, next_to_join
from callresp.listen.voices.looks import CELL, IN_BAND, WHERE, Flags, Floats, Floats32, Ints
from callresp.listen.voices.pair_evidence import (
    EDGE_S,
    LONGEST_S,
    ROWS,
    Pairs,
    mirror,
    spectrograms_alike,
)
from callresp.listen.voices.voice_model import (
    GAP,
    MOST_NOTES,
    PRIOR,
    REPERTOIRE,
    TERMS,
    join_sums,
    sum_pairs,
)

LEAST_NOTES = 60
PAUSE_S = 0.4  # of all sound
MOST_PAUSES = 0.13  # the share of time in them
OVERLAPPING = 0.025  # the share of notes that overlap another
CROSSED = 0.012  # the share of notes that sound at once with one far from them
TOGETHER_S = 0.03  # parts of a sound begin or end together
APART_OCT = 0.6
WITHIN = 0.03  # the share of overlap left within single voices, at most, by voices that explain it
# Nats for one singer: constant, ln of likeness of spectrograms, ln of what the cosine of cells
# within both notes' bands lacks, ln of the gap (s), octaves apart.
ALIKE = (0.19, 0.45, -0.92, -0.24, -0.63)
MOST_NATS = 4.0  # of two notes
MOST_OCT = 2.0
CLOSE_S = 0.3  # a note follows another closely
# Nats for one singer of two groups: constant, mean over pairs of notes, ln of how many more of
# them are close than by chance, ln of how many notes the smaller group has. Notes that are plainly
# alike are joined by other weights first.
ONE = (3.2, 1.6, 1.8, -1.0)
AT_FIRST, PLAINLY = (0.0, 1.0, 0.5, 0.0), 1.0
_LEAST_LIKE, _LEAST_GAP_S = 0.02, 0.02
_LEAST_NORM, _LEAST_SIZE = 1e-6, 1e-9
_TOLD_APART = -1e6


def is_chorus(p: Pairs, count: int) -> bool:
    """Whether the first `count` notes may be a chorus: sounds overlap, and cross."""
    if count < LEAST_NOTES:
        return False
    if np.isnan(p.looks[:count, CELL]).mean() > 0.5:  # without spectrograms nothing is left
        return False
    weight = p.near_weight[:count]
    if float(p.near_clash[:count] @ weight) < OVERLAPPING * float(weight.sum()):
        return False
    return float(crossed(count, p) @ weight) >= CROSSED * float(weight.sum())


def hardly_pauses(p: Pairs, count: int) -> bool:
    """Whether there is hardly any time in which all of the first `count` notes pause."""
    until_s = np.maximum.accumulate(p.offset_s[:count])
    gaps_s = p.onset_s[1:count] - until_s[:-1]
    length_s = float(until_s[-1] - p.onset_s[0])
    return float(gaps_s[gaps_s >= PAUSE_S].sum()) <= MOST_PAUSES * length_s


def accounts_for(owner: Ints, p: Pairs) -> bool:
    """Whether hardly anything overlaps within one of some voices, shape ``(n,)``."""
    within, total = _overlap(owner, p)
    return within <= WITHIN * total


@kernel
def _overlap(owner: Ints, p: Pairs) -> tuple[float, float]:
    """How much notes overlap others of their own voice, and any others."""
    within = total = 0.0
    for i in range(1, len(owner)):
        j = i - 1
        while j >= 0 and p.onset_s[i] - p.onset_s[j] <= LONGEST_S:
            total += p.overlap[i, j]
            within += p.overlap[i, j] if owner[i] == owner[j] else 0.0
            j -= 1
    return within, total


@kernel
def crossed(count: int, p: Pairs) -> Floats:
    """How far each of the first `count` notes sounds at once with another, far from it: by weight.

    Shape ``(count,)``.
    """
    found = np.zeros(count)
    start_s, end_s = p.onset_s, p.offset_s
    for i in range(1, count):
        j = i - 1
        while j >= 0 and start_s[i] - start_s[j] <= LONGEST_S:
            if (
                min(end_s[i], end_s[j]) - start_s[i] > EDGE_S
                and start_s[i] - start_s[j] > TOGETHER_S
                and abs(end_s[i] - end_s[j]) > TOGETHER_S
                and abs(p.looks[i, WHERE] - p.looks[j, WHERE]) > APART_OCT
            ):
                both = math.sqrt(p.near_weight[i] * p.near_weight[j])
                found[i], found[j] = max(found[i], both), max(found[j], both)
            j -= 1
    return found


class ComparedNotes(NamedTuple):
    """What is compared of some notes.

    `cells`, shape ``(n, CELLS)``, are those of their spectrograms, nan where none is known; `own`
    the same within each one's own band, of length 1. The others are of shape ``(n,)``: `where` in
    octaves (log2 of Hz), onsets and offsets in seconds.
    """

    cells: Floats32
    own: Floats32
    where: Floats32
    onset_s: Floats
    offset_s: Floats

    def part(self, some: slice) -> ComparedNotes:
        """That of some of the notes."""
        return ComparedNotes(
            self.cells[some],
            self.own[some],
            self.where[some],
            self.onset_s[some],
            self.offset_s[some],
        )


def compared_notes(p: Pairs, count: int) -> ComparedNotes:
    """What is compared of the first `count` notes."""
    own = np.nan_to_num(p.looks[:count, CELL:IN_BAND]) * p.looks[:count, IN_BAND:]
    own /= np.maximum(np.linalg.norm(own, axis=1, keepdims=True), _LEAST_NORM)
    return ComparedNotes(
        p.looks[:count, CELL:IN_BAND],
        own,
        p.looks[:count, WHERE],
        p.onset_s[:count],
        p.offset_s[:count],
    )


def pair_nats(one: ComparedNotes, other: ComparedNotes) -> tuple[Floats32, Floats32]:
    """Nats for one singer of each note with each other: by likeness, and by their gap.

    Shape ``(len(one.own), len(other.own))`` each; the constant is left out.
    """
    like = np.log(spectrograms_alike(one.cells, other.cells) + _LEAST_LIKE) + 2.0
    like[np.isnan(like)] = 0.0
    lacks = np.maximum(1.0 - one.own @ other.own.T, 0.0)
    octaves = np.minimum(np.abs(one.where[:, None] - other.where), MOST_OCT)
    alike = ALIKE[1] * like + ALIKE[2] * np.log(lacks + _LEAST_LIKE) + ALIKE[4] * octaves
    after_s = np.maximum(
        one.onset_s[:, None] - other.offset_s, other.onset_s - one.offset_s[:, None]
    )
    gap_s = np.maximum(after_s, 0.0).astype(np.float32)
    return alike, ALIKE[3] * np.log(gap_s + _LEAST_GAP_S)


def note_nats(at: int, singers: list[Flags], p: Pairs, count: int) -> list[Floats]:
    """Nats for each singer of note `at`, by what they come from: arrays of shape ``(TERMS,)``."""
    held = compared_notes(p, count)
    (alike,), (gap,) = pair_nats(held.part(slice(at, at + 1)), held)
    found = []
    for notes in singers:
        weight = p.weight[:count] * notes
        weight[at] = 0.0
        weight /= max(float(weight.sum()), _LEAST_SIZE)
        nats = np.zeros(TERMS)
        nats[[REPERTOIRE, GAP]] = ONE[1] * (weight @ alike), ONE[1] * (weight @ gap)
        nats[PRIOR] = ONE[0] + ONE[1] * ALIKE[0] + ONE[3] * math.log1p(p.weight[at])
        found.append(nats)
    return found


def joined(
    owner: Ints,
    known: Ints,
    p: Pairs,
    most: int = 0,
    least: float = 0.0,
    further: bool = True,
) -> Ints:
    """Join groups that are one singer's by the mean over pairs of their notes, then go on joining.

    How far to go is for the caller to tell (`callresp.listen.voices.recurrence.likeliest`).

    Parameters
    ----------
    owner
        The group of every note, from 0, shape ``(n,)``.
    known
        Singers known from before, -1 for other notes, shape ``(n,)``: they are never joined.
    p
        The notes.
    most
        At most so many singers; 0 for as many as are likely.
    least
        Nats that it takes.
    further
        Whether to go on joining, or to stop at those that are likely.

    Returns
    -------
    Ints
        The number of a group for every note, shape ``(m, n)``: a row each way to tell the singers.
        In the first, all are joined that are likely one singer's; each further row has fewer
        groups, down to two or as many as are known.
    """
    count, groups = len(owner), int(owner.max()) + 1
    weight = p.weight[:count]
    nats, held = np.empty((count, count), np.float32), compared_notes(p, count)
    # Some rows at a time, up to the diagonal: what takes a dozen sums stays in the cache.
    for start in range(0, count, ROWS):
        some, before = slice(start, start + ROWS), slice(start + ROWS)
        of_two = ALIKE[0] + sum(pair_nats(held.part(some), held.part(before)))
        both = weight[some, None] * weight[before]
        nats[some, before] = np.clip(of_two, -MOST_NATS, MOST_NATS) * both
    size = np.maximum(np.bincount(owner, weight, groups), _LEAST_SIZE)
    named = np.zeros(groups, np.bool_)
    named[owner[known >= 0]] = True
    close, chance = _close(owner, groups, p), _close_by_chance(p, count)
    ways = _linked(owner, nats, close, chance, size, named, most, least, further)
    return np.asarray(ways[:, owner])


def _close_by_chance(p: Pairs, count: int) -> float:
    """The share of pairs of notes that would be close if each were sung at any time."""
    length_s = float(p.offset_s[:count].max() - p.onset_s[0])
    return 2.0 * CLOSE_S / max(length_s, 2.0 * CLOSE_S)


@kernel
def _close(owner: Ints, groups: int, p: Pairs) -> Floats:
    """How many pairs of notes of each two groups follow one another closely: by weight."""
    found = np.zeros((groups, groups))
    for i in range(1, len(owner)):
        j = i - 1
        while j >= 0 and p.onset_s[i] - p.onset_s[j] <= LONGEST_S + CLOSE_S:
            if -TOGETHER_S < p.onset_s[i] - p.offset_s[j] < CLOSE_S:
                both = p.weight[i] * p.weight[j]
                found[owner[i], owner[j]] += both
                found[owner[j], owner[i]] += both
            j -= 1
    return found


@kernel
def _linked(
    owner: Ints,
    pairs: Floats32,
    close: Floats,
    chance: float,
    size: Floats,
    named: Flags,
    most: int,
    least: float,
    further: bool,
) -> Ints:
    """Into which group each went, by the nats of each two notes and how many are close.

    Shape ``(m, k)``, each row with fewer groups than the last. `pairs` holds nats below the
    diagonal; `close`, `size` and `named` are changed. scipy's linkage can't be told who is known,
    nor whose notes are too few.
    """
    groups = len(size)
    sums = np.zeros((groups, groups))
    mirror(len(owner), pairs)
    sum_pairs(owner, owner, pairs, len(owner), False, sums)
    g = _Linking(np.arange(groups), np.ones(groups, np.bool_), sums, close, size, named)
    _link(g, chance, AT_FIRST, 0, PLAINLY)
    _link(g, chance, ONE, most, least)
    left = g.alive.sum()
    fewest = max(2, (g.alive & named).sum()) if further else left
    ways, count = np.empty((max(left - fewest, 0) + 1, groups), np.int64), 1
    ways[0] = g.into
    while left > fewest:
        _link(g, chance, ONE, left - 1, least)
        left = g.alive.sum()
        if left >= fewest:
            ways[count] = g.into
            count += 1
    return ways[:count]


class _Linking(NamedTuple):
    """Groups: into which each went, which are left, and sums of theirs, shape ``(k,)`` each.

    `sums`, nats of pairs of notes, and `close` are of shape ``(k, k)``.
    """

    into: Ints
    alive: Flags
    sums: Floats
    close: Floats
    size: Floats
    named: Flags


@inner
def _link(
    g: _Linking, chance: float, by: tuple[float, float, float, float], most: int, least: float
) -> None:
    """Join the two groups that are one singer's likeliest by the weights `by`, and so on."""
    groups, left = len(g.size), g.alive.sum()
    best, nats = np.full(groups, -1), np.full(groups, np.inf)
    odds = np.empty(g.sums.shape)
    for a in range(groups):
        _nats(a, a, odds, g, chance, by)
    while left > 1:
        a = next_to_join(best, nats, g.alive, odds, g.size, least, most > 0 and left > most)
        if a < 0:
            break
        b = best[a]
        for of_two in (g.sums, g.close):
            join_sums(a, b, groups, of_two)
        g.size[a] += g.size[b]
        g.named[a] = g.named[a] or g.named[b]
        g.alive[b] = False
        g.into[g.into == b] = a
        left -= 1
        _nats(a, groups, odds, g, chance, by)
        follow_up(a, b, best, nats, odds[a])


@noalloc
def _nats(
    a: int,
    count: int,
    odds: Floats,
    g: _Linking,
    chance: float,
    by: tuple[float, float, float, float],
) -> None:
    """Nats for one singer of group `a` and each of the first `count`, both ways."""
    for b in range(count):
        if not g.alive[b]:
            continue
        if g.named[a] and g.named[b]:
            odds[a, b] = _TOLD_APART
        else:
            pairs = g.size[a] * g.size[b]
            # A pair more on either side: of few pairs, how many are close tells little.
            more = (g.close[a, b] + 1.0) / (pairs * chance + 1.0)
            few = min(g.size[a], g.size[b], MOST_NOTES)
            odds[a, b] = by[0] + by[1] * g.sums[a, b] / pairs
            odds[a, b] += by[2] * math.log(more) if more > 1.0 else 0.0
            odds[a, b] += by[3] * math.log(1.0 + few) if by[3] != 0.0 else 0.0
        odds[b, a] = odds[a, b]

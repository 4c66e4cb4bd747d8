"""The singers of a chorus: many birds that seldom sing at once, each soon followed by another.

Goal
----
In a chorus of several kinds the next note in time is mostly another bird's, so that gaps between
notes tell nothing, and by the evidence of `callresp.listen.voices.voice_model` nearly all become
one singer. What tells there is how alike two notes are: as spectrograms, and within their own
bands; and notes near in time are somewhat likelier one bird's. Two groups are one
singer's by the mean over all pairs of their notes (average linkage, Sokal & Michener 1958): one
pair that happens to be alike, or to follow one another, joins nothing.

A stretch is a chorus if it hardly ever falls silent, notes overlap (`about` in
`callresp.listen.voices.pair_evidence`), and some that do neither begin nor end together and
lie far apart: parts of one sound seldom do.

The weights (`ALIKE`) are a logistic regression on pairs of notes of 12 mixes of 3 to 6 birds
(tools/singer_cases.py, `crowd`) and of four real choruses.
"""

from __future__ import annotations

import numpy as np

from callresp.listen.kernels._jit import kernel, noalloc
from callresp.listen.voices.linkage import follow_up, next_to_join
from callresp.listen.voices.looks import CELL, IN_BAND, WHERE, Flags, Numbers, Values
from callresp.listen.voices.pair_evidence import EDGE_S, Pairs, cells_of, spectrograms_alike
from callresp.listen.voices.voice_model import GAP, PRIOR, REPERTOIRE, TERMS

LEAST_NOTES = 60
PAUSE_S = 0.4  # of all sound
MOST_PAUSES = 0.13  # the share of time in them
OVERLAPPING = 0.025  # the share of notes that overlap another
CROSSED = 0.012  # the share of notes that sound at once with one far from them
TOGETHER_S = 0.03  # parts of a sound begin or end together
APART_OCT = 0.6
# Nats for one singer: constant, ln of likeness of spectrograms, ln of what the cosine of cells
# within both notes' bands lacks, ln of the gap (s), octaves apart.
ALIKE = np.array([0.19, 0.45, -0.92, -0.24, -0.63])
MOST_NATS = 4.0  # of two notes
MOST_OCT = 2.0
_LEAST_LIKE, _LEAST_GAP_S = 0.02, 0.02
_LEAST_NORM, _LEAST_SIZE = 1e-6, 1e-9
_TOLD_APART = -1e6


def is_chorus(p: Pairs, count: int) -> bool:
    """Whether the first `count` notes are a chorus: hardly a pause, and sounds that cross."""
    if count < LEAST_NOTES or _pausing(p, count) > MOST_PAUSES:
        return False
    if np.isnan(p.looks[:count, CELL]).mean() > 0.5:  # without spectrograms nothing is left
        return False
    weight = p.weight[:count]
    if float(p.about[:count] @ weight) < OVERLAPPING * float(weight.sum()):
        return False
    crossed = np.zeros(count)
    until_s = np.maximum.accumulate(p.offset_s[:count])
    for i in range(1, count):
        j = np.arange(int(np.searchsorted(until_s, p.onset_s[i])), i)
        j = j[_apart(p, i, j)]
        both = np.sqrt(weight[i] * weight[j])
        crossed[j] = np.maximum(crossed[j], both)
        crossed[i] = max(crossed[i], both.max(initial=0.0))
    return float(crossed @ weight) >= CROSSED * float(weight.sum())


def _pausing(p: Pairs, count: int) -> float:
    """The share of time in which all pause."""
    until_s = np.maximum.accumulate(p.offset_s[:count])
    gaps_s = p.onset_s[1:count] - until_s[:-1]
    return float(gaps_s[gaps_s >= PAUSE_S].sum() / max(until_s[-1] - p.onset_s[0], 1e-9))


def _apart(p: Pairs, i: int, j: Numbers) -> Flags:
    """Which of notes `j`, begun before note `i`, sound at once with it and are no part of it."""
    start_s, end_s = p.onset_s, p.offset_s
    return np.asarray(
        (np.minimum(end_s[i], end_s[j]) - start_s[i] > EDGE_S)
        & (start_s[i] - start_s[j] > TOGETHER_S)
        & (np.abs(end_s[i] - end_s[j]) > TOGETHER_S)
        & (np.abs(p.looks[i, WHERE] - p.looks[j, WHERE]) > APART_OCT)
    )


def pair_nats(p: Pairs, count: int) -> tuple[Values, Values]:
    """Nats for one singer of each two of the first `count` notes: by likeness, and by their gap.

    Shape ``(count, count)`` each; the constant is left out.
    """
    cells = cells_of(np.arange(count), p)
    spectrum = spectrograms_alike(cells, cells)
    own = np.nan_to_num(p.looks[:count, CELL:IN_BAND]) * p.looks[:count, IN_BAND:]
    own /= np.maximum(np.linalg.norm(own, axis=1, keepdims=True), _LEAST_NORM)
    lacks = np.maximum(1.0 - own @ own.T, 0.0)
    where = p.looks[:count, WHERE]
    octaves = np.minimum(np.abs(where[:, None] - where), MOST_OCT)
    like = np.where(np.isnan(spectrum), 0.0, np.log(np.nan_to_num(spectrum) + _LEAST_LIKE) + 2.0)
    alike = ALIKE[1] * like + ALIKE[2] * np.log(lacks + _LEAST_LIKE) + ALIKE[4] * octaves
    after = p.onset_s[:count, None] - p.offset_s[None, :count]
    gap_s = np.maximum(np.maximum(after, after.T), 0.0)
    return alike, ALIKE[3] * np.log(gap_s + _LEAST_GAP_S)


def note_nats(at: int, singers: list[Flags], p: Pairs, count: int) -> list[Values]:
    """Nats for each singer of note `at`, by what they come from: arrays of shape ``(TERMS,)``."""
    alike, gap = pair_nats(p, count)
    found = []
    for notes in singers:
        weight = p.weight[:count] * notes
        weight[at] = 0.0
        weight /= max(float(weight.sum()), _LEAST_SIZE)
        nats = np.zeros(TERMS)
        nats[[REPERTOIRE, GAP, PRIOR]] = weight @ alike[at], weight @ gap[at], ALIKE[0]
        found.append(nats)
    return found


def joined(owner: Numbers, known: Numbers, p: Pairs, most: int = 0, least: float = 0.0) -> Numbers:
    """The same groups, those joined that are one singer's by the mean over pairs of their notes.

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

    Returns
    -------
    Numbers
        The number of a group for every note, shape ``(n,)``.
    """
    count, groups = len(owner), int(owner.max()) + 1
    weight = p.weight[:count]
    nats = np.clip(ALIKE[0] + sum(pair_nats(p, count)), -MOST_NATS, MOST_NATS)
    nats *= weight[:, None] * weight
    by_group = np.argsort(owner, kind="stable")
    starts = np.searchsorted(owner[by_group], np.arange(groups))
    rows = np.add.reduceat(nats[by_group], starts, axis=0)
    sums = np.add.reduceat(rows[:, by_group], starts, axis=1)
    size = np.maximum(np.bincount(owner, weight, groups), _LEAST_SIZE)
    named = np.zeros(groups, np.bool_)
    named[owner[known >= 0]] = True
    return np.asarray(_linked(sums, size, named, most, least)[owner])


@kernel
def _linked(sums: Values, size: Values, named: Flags, most: int, least: float) -> Numbers:
    """Into which group each went; `sums`, `size` and `named` are changed.

    scipy's linkage can't be told who is known, nor whose notes are too few.
    """
    left = len(size)
    into, alive = np.arange(left), np.ones(left, np.bool_)
    best, nats = np.full(left, -1), np.full(left, np.inf)
    odds = np.empty(sums.shape)
    for a in range(left):
        _mean(a, odds, sums, size, named)
    while left > 1:
        a = next_to_join(best, nats, alive, odds, size, least, most > 0 and left > most)
        if a < 0:
            break
        b = best[a]
        sums[a] += sums[b]
        sums[:, a] += sums[:, b]
        size[a] += size[b]
        named[a] = named[a] or named[b]
        alive[b] = False
        into[into == b] = a
        left -= 1
        _mean(a, odds, sums, size, named)
        follow_up(a, b, best, nats, odds[a])
    return into


@noalloc
def _mean(a: int, odds: Values, sums: Values, size: Values, named: Flags) -> None:
    """Nats for one singer of group `a` and each other, both ways."""
    for b in range(len(size)):
        known = named[a] and named[b]
        odds[a, b] = _TOLD_APART if known else sums[a, b] / (size[a] * size[b])
        odds[b, a] = odds[a, b]

"""Whether two groups of notes are one singer's: evidence in nats, calibrated on real birds.

Goal
----
Log odds for one singer, from what two groups of notes have to do with each other:

- gap: notes of one follow those of the other as a singer's own notes do.
- overlap: nobody sings two notes at once.
- level: loudness, hence distance, holds from song to song.
- repertoire: what the one sings comes back with the other. Where many syllables have been
  heard from both and none is common to them, that tells for two; the more syllables,
  the stronger. How alike they are in timbre, and where in the spectrum they lie,
  counts as well.
- prior: before anything is heard. Small groups are likely parts of another's song.

The weights (`WEIGHTS`) are those of a logistic regression on the decisions that the
grouping (`callresp.listen.voices.clustering`) comes to on the tuning recordings of
tools/bench_singers.py, real birds and scenes, where it is known who sang; overlap, level and
distance in pitch may only tell against one singer. So evidence cuts both ways, and features
that hang together are not counted twice, as they would be in a product of densities.

Conventions
-----------
Groups are rows and columns of `Groups`, sums over their notes and pairs of notes
(`callresp.listen.voices.pair_evidence`), each by the notes' weights.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from callresp.listen.kernels._jit import inner, kernel, noalloc
from callresp.listen.kernels.features import add_row
from callresp.listen.voices.looks import LEVEL, WHERE, Floats, Floats32, Ints
from callresp.listen.voices.pair_evidence import Pairs, mirror, reach

# Terms of the evidence.
GAP, OVERLAP, OWN_LEVEL, REPERTOIRE, PRIOR = range(5)
TERMS = 5

# Each feature's weight, and the term that it belongs to. Notes: ln of how many the smaller group
# has; syllables: ln of how many unlike ones the group has that has fewer.
_TABLE = (
    (0.41, GAP),  # adjacency (ln), times notes
    (0.87, GAP),  # adjacency a note
    (-1.87, OVERLAP),  # overlap (ln)
    (-0.44, OWN_LEVEL),  # level apart (5 dB), where not adjacent
    (0.53, REPERTOIRE),  # in common (ln), times notes
    (0.86, REPERTOIRE),  # in common, times syllables
    (1.4, REPERTOIRE),  # in common, in a dense chorus
    (1.76, REPERTOIRE),  # hardly anything in common, times notes
    (2.47, REPERTOIRE),  # timbre in common (ln)
    (-1.32, REPERTOIRE),  # timbre in common, times syllables
    (-0.7, REPERTOIRE),  # octaves apart
    (8.02, PRIOR),  # constant
    (-2.55, PRIOR),  # notes
    (-0.9, PRIOR),  # syllables
    (0.44, PRIOR),  # dense chorus
)
WEIGHTS = np.array([weight for weight, _ in _TABLE])
TERM_OF = np.array([term for _, term in _TABLE])
FEATURES = len(_TABLE)
APART = 10  # the feature of octaves apart
BAND_OCT = 0.4  # by band, a singer keeps to this, and
BY_BAND = 12.0  # nats for each octave beyond tell against it

MOST_NOTES = 40.0
MOST_SYLLABLES = 20.0
BUSY = 0.3  # the share of notes that overlap in a dense chorus
NONE_IN_COMMON = 0.15
_PER_COMMON = 1.0 / NONE_IN_COMMON
LEAST_LIKE, LEAST_TIMBRE = 0.03, 0.05
# The bits of a number of double precision, as `add_ln` takes it apart.
_FRACTION_BITS, _ROOT_HALF, _LN_2 = 52, int(np.sqrt(0.5).view(np.int64)), math.log(2.0)


class Groups(NamedTuple):
    """Groups of notes: sums over pairs, shape ``(k, k)``, and over notes, ``(k,)``.

    `odds` is room for nats for one singer of each two.
    What follows from the sums of one group alone is kept by `refresh`: ln of how many `notes`
    and of how many unlike `kinds` it has, its mean level and place, and one over the roots of its
    likeness with itself.
    """

    like: Floats
    timbre: Floats
    overlap: Floats
    adjacent: Floats
    odds: Floats
    size: Floats
    level: Floats
    where: Floats
    busy: Floats
    notes: Floats
    kinds: Floats
    mean_level: Floats
    mean_where: Floats
    per_like: Floats
    per_timbre: Floats


@inner
def empty_groups(count: int, across: int) -> Groups:
    """Groups without notes, for kernels; sums over pairs are kept with `across` others."""
    shape = (count, across)
    return Groups(
        np.zeros(shape),
        np.zeros(shape),
        np.zeros(shape),
        np.zeros(shape),
        np.zeros(shape),
        np.zeros(count),
        np.zeros(count),
        np.zeros(count),
        np.zeros(count),
        np.zeros(count),
        np.zeros(count),
        np.zeros(count),
        np.zeros(count),
        np.zeros(count),
        np.zeros(count),
    )


def room_for_groups(count: int) -> Groups:
    """Groups without notes."""
    # As one array, for the same reason as `pair_evidence.room_for`.
    return Groups(*np.zeros((5, count, count)), *np.zeros((10, count)))


@kernel
def gather(owner: Ints, p: Pairs, g: Groups) -> None:
    """As `add_up`, from Python."""
    add_up(owner, p, g)


@inner
def add_up(owner: Ints, p: Pairs, g: Groups) -> None:
    """Add up the notes of each group, in place; `owner` numbers the groups from 0."""
    for i in range(len(owner)):
        a = owner[i]
        weight = p.weight[i]
        g.size[a] += weight
        g.level[a] += weight * p.looks[i, LEVEL]
        g.where[a] += weight * p.looks[i, WHERE]
        g.busy[a] += weight * p.about[i]
    count = len(owner)
    near = reach(count, p)
    for pairs, sums in ((p.like, g.like), (p.timbre, g.timbre)):
        sum_pairs(owner, owner, pairs, count, True, sums)
        mirror(len(g.size), sums)
    for pairs, sums in ((p.overlap, g.overlap), (p.adjacent, g.adjacent)):
        sum_pairs(owner, owner, pairs, near, False, sums)
    for a in range(len(g.size)):
        refresh(a, g)


@inner
def members(owner: Ints, groups: int) -> tuple[Ints, Ints, Ints]:
    """First and last note of each group, and the next one of the same group after each; or -1."""
    first, last = np.full(groups, -1), np.full(groups, -1)
    after = np.empty(len(owner), np.int64)
    for i in range(len(owner) - 1, -1, -1):
        a = owner[i]
        last[a] = max(last[a], i)
        after[i] = first[a]
        first[a] = i
    return first, last, after


@inner
def sum_pairs(
    rows: Ints, columns: Ints, pairs: Floats32, far: int, below: bool, sums: Floats
) -> None:
    """Add what holds of each two notes to the sums of their groups, one numbering a side.

    Rows of notes are added up first, which is vectorised, and only then taken apart by columns.
    Nothing holds of notes more than `far` apart. Sums above the diagonal may be left unfinished
    where only those `below` are needed.
    """
    count = len(rows)
    first, last, after = members(rows, len(sums))
    total = np.empty(count)
    end = 0 if below else count
    for a in range(len(sums)):
        i = first[a]
        if i < 0:
            continue
        if below:
            end = max(end, last[a] + 1)
        low, high = max(i - far, 0), min(last[a] + far + 1, end)
        for j in range(low, high):
            total[j] = 0.0
        while i >= 0:
            start, stop = max(i - far, 0), min(i + far + 1, high)
            add_row(pairs[i, start:stop], total[start:stop])
            i = after[i]
        for j in range(low, high):
            sums[a, columns[j]] += total[j]


@noalloc
def refresh(a: int, g: Groups) -> None:
    """Work out anew what follows from the sums of group `a`."""
    size, like = max(g.size[a], 1e-9), max(g.like[a, a], 1e-9)
    g.notes[a] = math.log(1.0 + min(size, MOST_NOTES))
    g.kinds[a] = math.log(1.0 + min(size * size / like, MOST_SYLLABLES))
    g.mean_level[a] = g.level[a] / size
    g.mean_where[a] = g.where[a] / size
    g.per_like[a] = 1.0 / math.sqrt(like)
    g.per_timbre[a] = 1.0 / math.sqrt(max(g.timbre[a, a], 1e-9))


@noalloc
def join(a: int, b: int, count: int, g: Groups) -> None:
    """Add group `b` to group `a`, of the first `count`, in place; `b` itself is not kept up."""
    for sums in (g.like, g.timbre, g.overlap, g.adjacent):
        join_sums(a, b, count, sums)
    for of in (g.size, g.level, g.where, g.busy):
        of[a] += of[b]
    refresh(a, g)


@noalloc
def join_sums(a: int, b: int, count: int, sums: Floats) -> None:
    """Add sums of group `b` with each of the first `count` to those of group `a`, both ways."""
    add_row(sums[b, :count], sums[a])
    sums[a, a] += sums[a, b]
    for k in range(count):
        sums[k, a] = sums[a, k]


@noalloc
def features(a: int, count: int, g: Groups, x: Floats) -> None:
    """What group `a` has to do with each of the first `count`, as numbers for `WEIGHTS`.

    `x` has a row a feature and a column a group. A loop each, without branches, since those
    are vectorised; few groups are adjacent or overlap.
    """
    _cosines(g.like[a], g.per_like[a], g.per_like[:count], x[4])
    _cosines(g.timbre[a], g.per_timbre[a], g.per_timbre[:count], x[8])
    _apart(g.mean_where[a], g.mean_where[:count], 2.0, 1.0, x[10])
    _apart(g.mean_level[a], g.mean_level[:count], 20.0, 5.0, x[3])
    _fewer(g.notes[a], g.notes[:count], x[12])
    _fewer(g.kinds[a], g.kinds[:count], x[13])
    size_a = max(g.size[a], 1e-9)
    _crowded(size_a, g.busy[a], g.size[:count], g.busy, x[14])
    _hardly(x[4], x[7], count)
    add_ln(x[4], count, LEAST_LIKE, 2.0)
    add_ln(x[8], count, LEAST_TIMBRE, 1.0)
    _multiply(x[4], x[13], x[5], count)
    _multiply(x[4], x[14], x[6], count)
    _multiply(x[4], x[12], x[4], count)
    _multiply(x[7], x[12], x[7], count)
    _multiply(x[8], x[13], x[9], count)
    for k in (0, 1, 2):
        x[k, :count] = 0.0
    x[11, :count] = 1.0
    for b in range(count):
        adjacent, overlap = g.adjacent[a, b], g.overlap[a, b]
        if adjacent + overlap <= 0.0:
            continue
        if adjacent > 0.0:
            share = adjacent / (min(size_a, max(g.size[b], 1e-9)) + 0.3)
            x[0, b] = math.log(1.0 + adjacent) * x[12, b]
            x[1, b] = min(share, 1.5)
            x[3, b] *= 0.3 / (adjacent + 0.3)
        if overlap > 0.0:
            x[2, b] = math.log(1.0 + 3.0 * overlap)


@noalloc
def add_ln(values: Floats, count: int, least: float, to: float) -> None:
    """Put natural logarithms, added `to`, in place of the first of some numbers plus `least`.

    `math.log` is a call each and takes five times as long. By powers of two, and the series of
    4.1.27 in Abramowitz & Stegun, Handbook of Mathematical Functions (1964), of which the first
    term left out is some 1e-14.
    """
    bits = values.view(np.int64)
    for k in range(count):
        values[k] += least
        power = (bits[k] - _ROOT_HALF) >> _FRACTION_BITS
        bits[k] -= power << _FRACTION_BITS
        s = (values[k] - 1.0) / (values[k] + 1.0)
        z = s * s
        rest = 1 / 7 + z * (1 / 9 + z * (1 / 11 + z * (1 / 13 + z / 15)))
        values[k] = 2.0 * s * (1.0 + z * (1 / 3 + z * (1 / 5 + z * rest))) + power * _LN_2 + to


@noalloc
def _cosines(sums: Floats, own: float, others: Floats, found: Floats) -> None:
    for b in range(len(others)):
        found[b] = min(sums[b] * (own * others[b]), 1.0)


@noalloc
def _apart(own: float, others: Floats, most: float, unit: float, found: Floats) -> None:
    for b in range(len(others)):
        found[b] = min(abs(own - others[b]), most) / unit


@noalloc
def _fewer(own: float, others: Floats, found: Floats) -> None:
    for b in range(len(others)):
        found[b] = min(own, others[b])


@noalloc
def _crowded(size: float, busy: float, sizes: Floats, busies: Floats, found: Floats) -> None:
    for b in range(len(sizes)):
        found[b] = min((busy + busies[b]) / (size + max(sizes[b], 1e-9)), BUSY) / BUSY


@noalloc
def _hardly(cosines: Floats, found: Floats, count: int) -> None:
    for b in range(count):
        found[b] = max(1.0 - cosines[b] * _PER_COMMON, 0.0)


@noalloc
def _multiply(a: Floats, b: Floats, product: Floats, count: int) -> None:
    for k in range(count):
        product[k] = a[k] * b[k]


@noalloc
def log_odds(a: int, count: int, by_band: bool, g: Groups, x: Floats, odds: Floats) -> None:
    """Nats for one singer of group `a` and each of the first `count`; `x` is room for features."""
    features(a, count, g, x)
    for b in range(count):
        nats = 0.0
        for k in range(FEATURES):
            nats += WEIGHTS[k] * x[k, b]
        odds[b] = nats
    if by_band:
        for b in range(count):
            odds[b] -= BY_BAND * max(x[APART, b] - BAND_OCT, 0.0)


@kernel
def all_features(a: int, g: Groups, found: Floats) -> None:
    """The features of group `a` with every other, a column each: to fit `WEIGHTS` by."""
    features(a, len(g.size), g, found)


def terms(a: int, b: int, by_band: bool, g: Groups) -> Floats:
    """Nats for one singer of two groups, by what they come from, shape ``(TERMS,)``."""
    found = np.zeros((FEATURES, len(g.size)))
    all_features(a, g, found)
    nats = np.zeros(TERMS)
    np.add.at(nats, TERM_OF, WEIGHTS * found[:, b])
    if by_band:
        nats[REPERTOIRE] -= BY_BAND * max(found[APART, b] - BAND_OCT, 0.0)
    return nats

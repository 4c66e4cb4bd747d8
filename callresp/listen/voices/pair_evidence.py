"""What each two notes tell of one singer or two, laid out so that groups add up: kernels.

Goal
----
Whether two groups of notes are one singer's is asked some hundred thousand times for
a minute of song, so all that bears on it is kept as sums over pairs of notes: joining
two groups is adding two rows.

- overlap: the chance that two sang, for notes that overlap. Of two notes heard at once
  in the recordings of one bird alone, nearly all are parts or echoes of one sound, or one
  of them is so faint that it is no song: those count for nothing.
- adjacent: the chance that one singer sang a note right after the other. It is high where
  little overlaps round about, and where something does, only if the notes are alike.
- like, timbre: how alike two notes are, and how alike in timbre. Where little overlaps, their
  spectrograms tell the latter (`spectrograms_alike`): renditions of one syllable differ by a
  tenth of what two birds' notes differ by, and faint noise changes them little. Where birds sing
  over each other, a spectrogram holds more than its note, and what was measured of the note
  alone tells, but for its pitch (`callresp.listen.voices.looks`).

A note far below whatever sounds near it is an echo, a part of something louder or
somebody far away: its weight falls off about `FAINT_DB`. The farther off the loud one is, the
louder it must be (`LESS_DB_PER_S`): what is left of a song in its pauses is no other singer's.

The two logistic models in here (`OVERLAP`, `LINK`) were fitted to notes of the tuning
recordings and scenes of tools/bench_singers.py, one singer against two.

Conventions
-----------
Notes in order of onset. Every array over pairs is symmetric and zero for a note with itself,
but for `like` and `timbre`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from callresp.listen.kernels._jit import inner, kernel, noalloc
from callresp.listen.one_thread import one_thread
from callresp.listen.voices.looks import (
    CELL,
    IN_BAND,
    LEVEL,
    LOOKS,
    WHERE,
    Floats,
    Floats32,
    Ints,
    ln_likeness,
)

NEAR_S = 1.0
LONGEST_S = 9.0  # no note begins so long before another that it overlaps
FAINT_DB, FAINT_SPREAD_DB = 25.0, 3.0
LESS_DB_PER_S = 12.0  # by which a note farther off makes another one faint
AROUND_S, ABOUT_S = 0.6, 8.0  # in which overlaps make it doubtful who sang next
EDGE_S = 0.006  # ends of notes are no surer than this
GAP_S = 0.5  # of a song, at most
FOLLOWERS = 13  # notes after one that may be the singer's next
MOST_BETWEEN = 1.5  # notes of weight between a note and its singer's next
TWIN_S = 0.015  # parts of one sound begin together
TWIN_RATIO = 0.04
ROWS = 96
MIRRORED = 8  # rows: of 32, or by tiles of 32, it took three times as long
# Of the geometric mean of two spectrograms' energies, by which those of one syllable differ.
SAME_SYLLABLE = 0.2
_LEAST_ENERGY = 1e-3
CROWDED = 0.15  # the share of notes about that overlap, where spectrograms tell nothing

# Log odds that notes heard at once are one singer's: constant, share of the shorter one that
# overlaps, whether nearly all of it does, level apart (5 dB), begun together, and as a harmonic,
# octaves apart, whether alike in pitch, and how faint the fainter one is (10 dB).
OVERLAP = np.array([-0.21, -0.32, 1.06, -0.18, 0.37, 0.49, -1.23, 1.69, 2.53])
# Log odds that a note and one after it are one singer's: constant, overlaps around and about,
# octaves apart, ln of likeness, weight in between; and overlaps about times octaves and level
# (5 dB) apart, ln of likeness and gap (0.1 s).
LINK = np.array([4.78, -2.2, 2.14, -0.25, 0.62, -0.12, -7.74, -6.03, 1.1, 1.57])


class Pairs(NamedTuple):
    """Notes and pairs of notes; arrays of shape ``(n,)`` and ``(n, n)``.

    `looks` is of shape ``(n, LOOKS)``, in the units of `callresp.listen.voices.looks`. `weight` is
    how far each note counts, 0 to 1; `faint_db` how far it lies below the loudest about it; `clash`
    the highest chance that it overlaps another singer's; `near_db`, `near_weight` and `near_clash`
    the same where only the loudest within `NEAR_S` is asked; `around` and `about` the share of
    notes near it that overlap. `like`, `timbre`, `overlap` and `adjacent` are 0 to 1, times the
    geometric mean of both weights; `link`, shape ``(n, FOLLOWERS)``, holds log odds for the notes
    after each.
    """

    looks: Floats32
    onset_s: Floats
    offset_s: Floats
    weight: Floats
    near_db: Floats
    near_weight: Floats
    near_clash: Floats
    faint_db: Floats
    clash: Floats
    around: Floats
    about: Floats
    like: Floats32
    timbre: Floats32
    overlap: Floats32
    adjacent: Floats32
    link: Floats


def room_for(notes: int) -> Pairs:
    """Arrays for so many notes."""
    # As one array: below 4 MB each page is faulted in anew, which cost more than the sums.
    squares = np.zeros((4, notes, notes), np.float32)
    return Pairs(
        looks=np.full((notes, LOOKS), np.nan, np.float32, order="F"),
        onset_s=np.zeros(notes),
        offset_s=np.zeros(notes),
        weight=np.zeros(notes),
        near_db=np.zeros(notes),
        near_weight=np.zeros(notes),
        near_clash=np.zeros(notes),
        faint_db=np.zeros(notes),
        clash=np.zeros(notes),
        around=np.zeros(notes),
        about=np.zeros(notes),
        like=squares[0],
        timbre=squares[1],
        overlap=squares[2],
        adjacent=squares[3],
        link=np.full((notes, FOLLOWERS), -np.inf),
    )


@one_thread()
def pairs_of(looks: Floats, onset_s: Floats, offset_s: Floats) -> Pairs:
    """All pairs of some notes; takes time in proportion to their number squared."""
    count = len(looks)
    # A lone row lies in either order, which numba takes for another type: it compiled all anew.
    pairs = room_for(max(count, 2))
    pairs.looks[:count], pairs.onset_s[:count], pairs.offset_s[:count] = looks, onset_s, offset_s
    _weigh_all(count, pairs)
    # Some rows at a time, up to the diagonal: tables of all of them took longer to allocate.
    for start in range(0, count, ROWS):
        end = min(start + ROWS, count)
        nats = np.empty((2, end - start, end), np.float32)
        _compare_rows(start, nats, pairs)
        _fill_rows(start, np.exp(nats, out=nats), pairs)
    calm = np.flatnonzero(pairs.about[:count] < CROWDED)
    cells = pairs.looks[calm, CELL:IN_BAND]
    for start in range(0, len(calm), ROWS):
        alike = spectrograms_alike(cells[start : start + ROWS], cells[: start + ROWS])
        _mix_rows(calm, start, alike, pairs)
    _follow_all(count, pairs)
    return pairs


def spectrograms_alike(one: Floats32, other: Floats32) -> Floats32:
    """How alike some notes' spectrograms are with others': 0 to 1, nan where one is not known.

    Of cells, shape ``(n, CELLS)`` and ``(m, CELLS)``: shape ``(n, m)``.
    """
    mine, its = (np.einsum("nk,nk->n", cells, cells) for cells in (one, other))
    apart = mine[:, None] + its
    apart -= 2.0 * (one @ other.T)
    np.maximum(apart, 0.0, out=apart)
    apart /= -SAME_SYLLABLE * (np.sqrt(mine)[:, None] * np.sqrt(its) + _LEAST_ENERGY)
    return np.exp(apart, out=apart)


@kernel
def _weigh_all(count: int, p: Pairs) -> None:
    for i in range(count):
        _weigh(i, count, p)
    for i in range(count):
        _overlaps(i, p)
    for i in range(count):
        _look_about(i, count, p)


@kernel
def _compare_rows(start: int, nats: Floats32, p: Pairs) -> None:
    """The ln of likeness of some notes with those before them; anything with themselves."""
    for k in range(nats.shape[1]):
        ln_likeness(start + k, p.looks, nats[0, k], nats[1, k])
        nats[:, k, start + k :] = 0.0


@kernel
def _fill_rows(start: int, alike: Floats32, p: Pairs) -> None:
    """Fill in how alike some notes are with those before them, by what both weigh."""
    roots = np.sqrt(p.weight[: alike.shape[2]])
    for k in range(alike.shape[1]):
        i = start + k
        _weighed(alike[0, k], roots[i], roots[:i], p.like[i])
        _weighed(alike[1, k], roots[i], roots[:i], p.timbre[i])
        p.like[i, i] = p.timbre[i, i] = p.weight[i]


@kernel
def _mix_rows(some: Ints, start: int, alike: Floats32, p: Pairs) -> None:
    roots, about = np.sqrt(p.weight[some]), p.about[some]
    for m in range(len(alike)):
        timbre = p.timbre[some[start + m]]
        for n in range(start + m):
            both = roots[start + m] * roots[n]
            overlaps = max(about[start + m], about[n])
            timbre[some[n]] = _mixed(alike[m, n], timbre[some[n]], both, overlaps)


@kernel
def _follow_all(count: int, p: Pairs) -> None:
    mirror(count, p.like)
    mirror(count, p.timbre)
    for i in range(count):
        _follow(i, p)


@noalloc
def compare_last(at: int, p: Pairs) -> None:
    """Fill in what is known of note `at`, held against all before it."""
    _weigh(at, at + 1, p)
    p.clash[at] = p.near_clash[at] = 0.0
    _overlaps(at, p)
    like, timbre = p.like[at], p.timbre[at]
    ln_likeness(at, p.looks, like, timbre)
    for j in range(at):
        both = math.sqrt(p.weight[at]) * math.sqrt(p.weight[j])
        like[j] = p.like[j, at] = math.exp(like[j]) * both
        timbre[j] = p.timbre[j, at] = math.exp(timbre[j]) * both
    like[at] = timbre[at] = p.weight[at]
    _look_about(at, at + 1, p)
    for j in range(at):
        if max(p.about[at], p.about[j]) < CROWDED:
            alike = _spectrograms_alike(at, j, p)
            both = math.sqrt(p.weight[at]) * math.sqrt(p.weight[j])
            overlaps = max(p.about[at], p.about[j])
            p.timbre[at, j] = p.timbre[j, at] = _mixed(alike, p.timbre[at, j], both, overlaps)
    _follow(at, p)


@noalloc
def _weigh(i: int, count: int, p: Pairs) -> None:
    """How far note `i` lies below the loudest near it, and of those farther off, too."""
    level = p.looks[i, LEVEL]
    near = about = level
    for j in range(i - 1, -1, -1):
        # As far as a note may last that ended `LONGEST_S` before.
        if p.onset_s[i] - p.onset_s[j] > 2.0 * LONGEST_S:
            break
        near, about = _louder(p.onset_s[i] - p.offset_s[j], p.looks[j, LEVEL], near, about)
    for j in range(i + 1, count):
        if p.onset_s[j] > p.offset_s[i] + LONGEST_S:
            break
        near, about = _louder(p.onset_s[j] - p.offset_s[i], p.looks[j, LEVEL], near, about)
    p.near_db[i], p.faint_db[i] = near - level, about - level
    p.near_weight[i], p.weight[i] = _worth(p.near_db[i]), _worth(p.faint_db[i])


@noalloc
def _louder(gap_s: float, level_db: float, near: float, about: float) -> tuple[float, float]:
    """The levels that a note is held against, with one more note, so far off."""
    if gap_s <= NEAR_S:
        return max(near, level_db), max(about, level_db)
    return near, max(about, level_db - LESS_DB_PER_S * (gap_s - NEAR_S))


@noalloc
def _worth(faint_db: float) -> float:
    return 1.0 / (1.0 + math.exp((faint_db - FAINT_DB) / FAINT_SPREAD_DB))


@inner
def reach(count: int, p: Pairs) -> int:
    """How many notes apart two of the first `count` may be that overlap or are adjacent."""
    far = FOLLOWERS
    until_s = np.empty(count)  # latest end so far
    latest_s = -np.inf
    for i in range(count):
        latest_s = max(latest_s, p.offset_s[i])
        until_s[i] = latest_s
    j = 0
    for i in range(count):
        # To the first note that has not ended by then. Notes heard live may change places.
        while j > 0 and until_s[j - 1] > p.onset_s[i]:
            j -= 1
        while j < i and until_s[j] <= p.onset_s[i]:
            j += 1
        far = max(far, i - j)
    return far


@noalloc
def mirror(count: int, pairs: Floats | Floats32) -> None:
    """Copy what stands below the diagonal above it: some rows at a time, which stay cached."""
    for top in range(0, count, MIRRORED):
        end = min(top + MIRRORED, count)
        for j in range(end):
            for i in range(max(top, j + 1), end):
                pairs[j, i] = pairs[i, j]


@noalloc
def _overlaps(i: int, p: Pairs) -> None:
    """Hold note `i` against what overlaps it of all before it."""
    for j in range(i - 1, -1, -1):
        if p.onset_s[i] - p.onset_s[j] > LONGEST_S:
            break
        if min(p.offset_s[i], p.offset_s[j]) - p.onset_s[i] > EDGE_S:
            two = _overlapping(j, i, p.near_db, p)
            p.near_clash[i] = max(p.near_clash[i], two)
            p.near_clash[j] = max(p.near_clash[j], two)
            two = _overlapping(j, i, p.faint_db, p)
            p.clash[i] = max(p.clash[i], two)
            p.clash[j] = max(p.clash[j], two)
            two *= math.sqrt(p.weight[i] * p.weight[j])
            p.overlap[i, j] = p.overlap[j, i] = two


@noalloc
def _weighed(values: Floats32, own: float, roots: Floats, found: Floats32) -> None:
    """Each value by the roots of both notes' weights: a loop without branches, so vectorised."""
    for j in range(len(roots)):
        found[j] = values[j] * own * roots[j]


@noalloc
def _spectrograms_alike(i: int, j: int, p: Pairs) -> float:
    """As `spectrograms_alike`, for one pair."""
    apart, mine, its = 0.0, 0.0, 0.0
    for cell in range(CELL, IN_BAND):
        a, b = p.looks[i, cell], p.looks[j, cell]
        apart += (a - b) * (a - b)
        mine += a * a
        its += b * b
    return math.exp(-apart / (SAME_SYLLABLE * (math.sqrt(mine * its) + _LEAST_ENERGY)))


@noalloc
def _mixed(alike: float, by_looks: float, both: float, overlaps: float) -> float:
    """How alike two notes are in timbre, `both` of which weigh so much.

    Spectrograms tell it the less the more overlaps about the notes. Of two about which as much
    as `CROWDED` overlaps they tell nothing.
    """
    if math.isnan(alike):
        return by_looks
    crowded = overlaps / CROWDED
    return (1.0 - crowded) * alike * both + crowded * by_looks


@noalloc
def _overlapping(i: int, j: int, faint_db: Floats, p: Pairs) -> float:
    """The chance that two sang, where note `j` begins within note `i`."""
    both_s = min(p.offset_s[i], p.offset_s[j]) - p.onset_s[j]
    shorter_s = max(min(p.offset_s[i] - p.onset_s[i], p.offset_s[j] - p.onset_s[j]), 1e-3)
    octaves = abs(p.looks[i, WHERE] - p.looks[j, WHERE])
    ratio = 2.0**octaves
    together = p.onset_s[j] - p.onset_s[i] < TWIN_S
    harmonic = octaves > 0.5 and abs(ratio - math.floor(ratio + 0.5)) < TWIN_RATIO * ratio
    odds = OVERLAP[0] + OVERLAP[1] * min(both_s / shorter_s, 1.0)
    if both_s > 0.9 * shorter_s:
        odds += OVERLAP[2]
    odds += OVERLAP[3] * min(abs(p.looks[i, LEVEL] - p.looks[j, LEVEL]), 30.0) / 5.0
    if together:
        odds += OVERLAP[4]
        if harmonic:
            odds += OVERLAP[5]
    odds += OVERLAP[6] * min(octaves, 2.5)
    if octaves < 0.15:
        odds += OVERLAP[7]
    odds += OVERLAP[8] * min(max(faint_db[i], faint_db[j]), 40.0) / 10.0
    return 1.0 / (1.0 + math.exp(min(odds, 30.0)))


@noalloc
def _look_about(i: int, count: int, p: Pairs) -> None:
    """The share of notes near note `i` that overlap another one."""
    near, near_clash, far, far_clash = 1e-9, 0.0, 1e-9, 0.0
    for back in range(2):
        j = i if back == 0 else i - 1
        while 0 <= j < count:
            if back == 1 and p.onset_s[i] - p.onset_s[j] > ABOUT_S + LONGEST_S:
                break
            apart_s = max(p.onset_s[j] - p.offset_s[i], p.onset_s[i] - p.offset_s[j], 0.0)
            if back == 0 and apart_s > ABOUT_S:
                break
            share = max(1.0 - apart_s / ABOUT_S, 0.0) * p.weight[j]
            far += share
            far_clash += share * p.clash[j]
            share = max(1.0 - apart_s / AROUND_S, 0.0) * p.weight[j]
            near += share
            near_clash += share * p.clash[j]
            j += 1 if back == 0 else -1
    p.around[i], p.about[i] = near_clash / near, far_clash / far


@noalloc
def _follow(j: int, p: Pairs) -> None:
    """The chance that one singer sang note `j` right after each of the notes before it."""
    between = 0.0
    for i in range(j - 1, max(-1, j - 1 - FOLLOWERS), -1):
        p.link[i, j - i - 1] = -np.inf
        gap_s = p.onset_s[j] - p.offset_s[i]
        if p.onset_s[j] - p.onset_s[i] > LONGEST_S or between > MOST_BETWEEN:
            continue
        both = max(math.sqrt(p.weight[i] * p.weight[j]), 1e-9)
        if gap_s <= GAP_S:
            octaves = min(abs(p.looks[i, WHERE] - p.looks[j, WHERE]), 2.0)
            apart = min(abs(p.looks[i, LEVEL] - p.looks[j, LEVEL]), 20.0) / 5.0
            like = math.log(p.like[i, j] / both + 0.01) + 2.0
            gap = max(gap_s, 0.0) / 0.1
            around, about = max(p.around[i], p.around[j]), max(p.about[i], p.about[j])
            odds = LINK[0] + LINK[1] * around + LINK[2] * about
            odds += LINK[3] * octaves + LINK[4] * like + LINK[5] * between
            odds += about * (LINK[6] * octaves + LINK[7] * apart + LINK[8] * like + LINK[9] * gap)
            p.link[i, j - i - 1] = odds
            p.adjacent[i, j] = p.adjacent[j, i] = 0.5**between / (1.0 + math.exp(-odds))
        between += p.weight[i]

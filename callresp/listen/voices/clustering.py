"""The singers of some hundred notes: pieces of song, joined as the evidence has it.

Goal
----
Five steps, the first four as in telling speakers apart:

1. Pieces. A note and the one that its singer plainly sang next are put together, the surest
   first, up to `PIECE` notes. Larger pieces would run from one bird into another where
   one begins before the other has ended.
2. Groups. The two for which the evidence (`callresp.listen.voices.voice_model`) is strongest are
   joined, and so on for as long as it speaks for one singer at all. What a group
   sings is the better known the larger it is, so that it is asked anew after each joining.
3. What is left of small groups is too little for a singer, and joins whoever it most likely
   belongs to (`callresp.listen.voices.linkage`).
4. A second look. Smaller pieces, of notes that follow one another still more plainly, go to
   the singer whose they most likely are, now that it is known what each sings. Singers of a few
   bouts are joined after all where the evidence has come to say so; parts of a song, against a
   little evidence.
5. Bouts. All bouts are asked whether one sang them, or two who have little in common, or more
   (`callresp.listen.voices.bouts`); who is found so stands where that accounts better for what
   comes back (`callresp.listen.voices.recurrence`). Who is known from before keeps those notes.

In a chorus whose bouts tell nobody apart, notes are joined by how alike they are instead
(`callresp.listen.voices.choruses`); if all rest now and then, by as many singers as account best
for what comes back.

Conventions
-----------
Groups are numbered from 0, as an array of one number a note. Notes that are not `free`
are known from before: those of one number stay together.
"""

from __future__ import annotations

from collections import Counter
from itertools import combinations

import numpy as np

from callresp.listen.kernels._jit import inner, kernel, noalloc
from callresp.listen.kernels.features import add_row
from callresp.listen.one_thread import one_thread
from callresp.listen.voices import choruses
from callresp.listen.voices.bouts import by_bouts, runs
from callresp.listen.voices.linkage import follow_up, next_to_join
from callresp.listen.voices.looks import LEVEL, WHERE, Flags, Floats, Floats32, Ints
from callresp.listen.voices.pair_evidence import FOLLOWERS, Pairs, reach
from callresp.listen.voices.recurrence import likeliest
from callresp.listen.voices.voice_model import (
    BAND_OCT,
    FEATURES,
    Groups,
    empty_groups,
    gather,
    join,
    log_odds,
    members,
    refresh,
    room_for_groups,
    sum_pairs,
    terms,
)

PIECE = 8.0  # notes' worth
SURE, SURER = 2.5, 4.0  # nats
TOLD_APART = 6.0  # nats
BETTER = 1.0  # nats, by which another singer must be likelier at the second look
FEW_BOUTS = 8
# A voice of less than so many notes' worth, a few bouts long, is likely a part of another's: by
# so many nats, where it is heard once, or changes with the other's notes faster than birds do.
PART, LIKELY_PART = 24.0, 3.0
PART_TURNS, PART_TURN = 3, 3.0  # and notes a turn
SHRINK = 0.7  # of the rows, below which those of groups that were joined are dropped
_NEVER = -1e9


@one_thread()
def settle(p: Pairs, known: Ints, most: int = 0, by_band: bool = False, least: float = 0.0) -> Ints:
    """The likeliest singers of some notes.

    Parameters
    ----------
    p
        The notes.
    known
        Groups of the notes known from before; -1 for all others.
    most
        At most so many singers; 0 for as many as are likely.
    by_band
        Each singer keeps to a band of its own.
    least
        Nats that it takes for two groups to be one singer's.

    Returns
    -------
    Ints
        The singer of every note, from 0 in no order, shape ``(n,)``.
    """
    if len(known) == 0:
        return np.zeros(0, np.int64)
    count = len(known)
    chorus = not by_band and choruses.is_chorus(p, count)
    if chorus and choruses.hardly_pauses(p, count):
        # What comes back tells too few among birds that sing all the time.
        return _by_likeness(p, known, most, least, further=False)[0]
    owner = pieces(p, known, by_band)
    groups = room_for_groups(int(owner.max()) + 1)
    gather(owner, p, groups)
    joined = np.arange(len(groups.size))
    named = np.zeros(len(joined), np.bool_)
    named[owner[known >= 0]] = True
    _join_all(joined, named, groups, most, by_band, least)
    owner = renumbered(joined[owner])
    if owner.max() > 0:
        _look_again(owner, pieces(p, known, by_band, SURER), known < 0, by_band, p)
        owner = renumbered(owner)
    if by_band:
        return owner
    if known.max() < 0:
        owner = join_again(owner, p, least)
    told = by_bouts(p, most, two_before=bool(owner.max() > 0))
    if chorus and not _accounted_for(owner, told, p):
        return likeliest(_by_likeness(p, known, most, least, further=True), p.like, p)
    if told is None or told.max() == 0:
        return owner
    if known.max() >= 0:  # who is known stays together
        sure = known >= 0
        names = names_of((told[sure], owner[sure]), (told, owner))
        new = [names.get(row, int(owner.max()) + 1 + row) for row in range(int(told.max()) + 1)]
        told = renumbered(np.where(known < 0, np.array(new)[told], owner))
    told = renumbered(told)
    return told if owner.max() == 0 else likeliest((owner, told), p.timbre, p)


def several_at_once(owner: Ints, told: Ints | None, p: Pairs) -> bool:
    """Whether notes are a chorus; `owner` are voices by other evidence, `told` those by bouts."""
    if not choruses.is_chorus(p, len(owner)):
        return False
    return choruses.hardly_pauses(p, len(owner)) or not _accounted_for(owner, told, p)


def _accounted_for(owner: Ints, told: Ints | None, p: Pairs) -> bool:
    """Whether bouts tell singers apart, or voices by other evidence explain what overlaps."""
    return (told is not None and bool(told.max() > 0)) or choruses.accounts_for(owner, p)


def _by_likeness(p: Pairs, known: Ints, most: int, least: float, *, further: bool) -> list[Ints]:
    """The singers of a chorus; further ways to tell them, too, each with fewer than the last."""
    ways = choruses.joined(single_notes(known), known, p, most, least, further)
    return [renumbered(way) for way in ways]


def names_of(*votes: tuple[Ints, Ints]) -> dict[int, int]:
    """The name that most notes of each group have, each name once: some groups have none.

    Each of `votes` is the group of some notes and the name that they had, shape ``(n,)``. A group
    goes by the first votes in which it has a name that no other has.
    """
    names: dict[int, int] = {}
    for found, named in votes:
        pairs = Counter(zip(found.tolist(), named.tolist(), strict=True))
        for (row, name), _ in pairs.most_common():
            if row not in names and name not in names.values():
                names[row] = name
    return names


def join_again(owner: Ints, p: Pairs, least: float) -> Ints:
    """Join singers of a few bouts by the evidence there is now that pieces have changed hands.

    Of many bouts it would join neighbours that sing alike.
    """
    run = runs(p)
    while (singers := int(owner.max()) + 1) > 1:
        heard = np.zeros((singers, int(run.max()) + 1), np.bool_)
        heard[owner, run] = True
        few = [
            (a, b)
            for a, b in combinations(range(singers), 2)
            if np.count_nonzero(heard[a] | heard[b]) < FEW_BOUTS
        ]
        if not few:
            break
        groups = room_for_groups(singers)
        gather(owner, p, groups)
        likely = [_likely_one(a, b, owner, groups) for a, b in few]
        chosen = int(np.argmax(likely))
        if likely[chosen] <= least:
            break
        a, b = few[chosen]
        owner = renumbered(np.where(owner == b, a, owner))
    return owner


def _likely_one(a: int, b: int, owner: Ints, groups: Groups) -> float:
    """Nats for one of two singers of a few bouts."""
    whose = owner[(owner == a) | (owner == b)]
    turns = 1 + np.count_nonzero(np.diff(whose))
    small = min(groups.size[a], groups.size[b]) < PART
    part = small and (turns <= PART_TURNS or len(whose) <= PART_TURN * turns)
    return float(terms(a, b, False, groups).sum()) + (LIKELY_PART if part else 0.0)


def pieces(p: Pairs, known: Ints, by_band: bool = False, sure: float = SURE) -> Ints:
    """Pieces of song, numbered from 0: notes that one singer plainly sang one after another."""
    owner, free = single_notes(known), known < 0
    link = p.link[: len(known)]
    at = np.flatnonzero((link >= sure) & free[:, None])
    order = at[np.argsort(-link.reshape(-1)[at], kind="stable")]
    _chain(owner, order, free, by_band, p)
    return renumbered(owner)


def single_notes(known: Ints) -> Ints:
    """Each note a group of its own, but for those that are known; shape ``(n,)`` each."""
    owner, free = known.copy(), known < 0
    owner[free] = np.arange(free.sum()) + int(known.max()) + 1
    return renumbered(owner)


def renumbered(owner: Ints) -> Ints:
    """The same groups, numbered from 0 without gaps, in order of first appearance."""
    _, first, inverse = np.unique(owner, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return np.asarray(rank[inverse])


@kernel
def _chain(owner: Ints, order: Ints, free: Flags, by_band: bool, p: Pairs) -> None:
    """Put notes that follow one another together, in the given order, in place."""
    count = len(owner)
    size = np.zeros(count)
    for i in range(count):
        size[owner[i]] += p.weight[i]
    for at in order:
        i = at // FOLLOWERS
        j = i + 1 + at % FOLLOWERS
        if j >= count or not free[j]:
            continue
        if by_band and abs(p.looks[i, WHERE] - p.looks[j, WHERE]) > BAND_OCT:
            continue
        a, b = owner[i], owner[j]
        if a == b or size[a] + size[b] > PIECE:
            continue
        size[a] += size[b]
        for k in range(count):
            if owner[k] == b:
                owner[k] = a


@noalloc
def _odds(a: int, count: int, by_band: bool, named: Flags, g: Groups, x: Floats) -> None:
    """Nats for one singer of group `a` and each of the first `count`, both ways."""
    odds = g.odds
    log_odds(a, count, by_band, g, x, odds[a])
    for b in range(count):
        # Those who are known were told apart by more than what is left of them here.
        if named[a] and named[b]:
            odds[a, b] -= TOLD_APART
        odds[b, a] = odds[a, b]


@kernel
def _join_all(
    joined: Ints, named: Flags, g: Groups, most: int, by_band: bool, least: float
) -> None:
    """Join groups, the likeliest to be one singer's first; `joined` says into which each went."""
    count = left = len(joined)
    group = np.arange(count)  # of each row of the tables, which shrink
    alive = np.ones(count, np.bool_)
    # Whom each group would join best, and by how much; at most by so much where that is -1.
    best, nats = np.full(count, -1), np.full(count, np.inf)
    x = np.zeros((FEATURES, count))
    for a in range(count):
        _odds(a, a, by_band, named, g, x)
    while left > 1:
        if left < SHRINK * count:
            g = _shrink(count, alive, named, group, best, nats, g)
            count = left
        any_two = most > 0 and left > most
        a = next_to_join(best, nats, alive[:count], g.odds, g.size, least, any_two)
        if a < 0:
            break
        b = best[a]
        join(a, b, count, g)
        named[a] = named[a] or named[b]
        alive[b] = False
        left -= 1
        for k in range(len(joined)):
            if joined[k] == group[b]:
                joined[k] = group[a]
        _odds(a, count, by_band, named, g, x)
        follow_up(a, b, best, nats, g.odds[a, :count])


@inner
def _shrink(
    count: int,
    alive: Flags,
    named: Flags,
    group: Ints,
    best: Ints,
    nats: Floats,
    g: Groups,
) -> Groups:
    """The groups that are left, in the same room: so small a table stays in the cache."""
    kept = np.flatnonzero(alive[:count])
    left = len(kept)
    now = np.full(count, -1)
    now[kept] = np.arange(left)
    g = Groups(
        _packed(g.like, kept),
        _packed(g.timbre, kept),
        _packed(g.overlap, kept),
        _packed(g.adjacent, kept),
        _packed(g.odds, kept),
        *g[5:],
    )
    for r in range(left):
        k = kept[r]
        for column in (g.size, g.level, g.where, g.busy, nats):
            column[r] = column[k]
        refresh(r, g)
        alive[r], named[r], group[r] = True, named[k], group[k]
        best[r] = now[best[k]] if best[k] >= 0 else -1
    return g


@inner
def _packed(table: Floats, kept: Ints) -> Floats:
    """Some rows and columns of a table, moved to its beginning."""
    left, to = len(kept), table.reshape(-1)
    for r in range(left):
        for c in range(left):
            to[r * left + c] = table[kept[r], kept[c]]
    return to[: left * left].reshape(left, left)


def _look_again(owner: Ints, piece: Ints, free: Flags, by_band: bool, p: Pairs) -> None:
    """Give each piece to the singer whose it most likely is, in place.

    All of a piece are one singer's.
    """
    count = len(owner)
    whose = np.eye(int(owner.max()) + 1, dtype=np.float32)[owner]
    like, timbre = (pairs[:count, :count] @ whose for pairs in (p.like, p.timbre))
    _move(owner, piece, free, by_band, like, timbre, p)


@kernel
def _move(
    owner: Ints,
    piece: Ints,
    free: Flags,
    by_band: bool,
    like: Floats32,
    timbre: Floats32,
    p: Pairs,
) -> None:
    """As `_look_again`; `like` and `timbre` are each note's with each singer, ``(n, singers)``."""
    singers, count = owner.max() + 1, piece.max() + 1
    each = empty_groups(singers, singers)
    across = empty_groups(count, singers)
    own = empty_groups(count, 1)
    for i in range(len(owner)):
        add_row(like[i], across.like[piece[i]])
        add_row(timbre[i], across.timbre[piece[i]])
    _add_up_all(owner, piece, each, across, own, p)
    g = empty_groups(2, 2)
    x = np.zeros((FEATURES, 1))
    found = np.zeros(1)
    moves = np.full(count, -1)
    seen = np.zeros(count, np.bool_)
    for i in range(len(owner)):
        q, v = piece[i], owner[i]
        if not free[i] or seen[q]:
            continue
        seen[q] = True
        at_home, best, chosen = _NEVER, _NEVER, v
        for k in range(singers):
            home = k == v
            if each.size[k] - (own.size[q] if home else 0.0) <= 0.0:
                continue
            _two(q, k, home, own, each, across, g)
            log_odds(1, 1, by_band, g, x, found)
            if home:
                at_home = found[0]
            elif found[0] > best:
                best, chosen = found[0], k
        if at_home > _NEVER and best > at_home + BETTER:
            moves[q] = chosen
    for i in range(len(owner)):
        if free[i] and moves[piece[i]] >= 0:
            owner[i] = moves[piece[i]]


@inner
def _add_up_all(
    owner: Ints, piece: Ints, each: Groups, across: Groups, own: Groups, p: Pairs
) -> None:
    """Sums of singers with singers, of pieces with singers, and within each piece.

    Those of `like` and `timbre` of pieces with singers are there.
    """
    count = len(owner)
    near = reach(count, p)
    sum_pairs(piece, owner, p.overlap, near, False, across.overlap)
    sum_pairs(piece, owner, p.adjacent, near, False, across.adjacent)
    first, _, after = members(piece, len(own.size))
    for q in range(len(first)):
        for both, sums in (
            (across.like, each.like),
            (across.timbre, each.timbre),
            (across.overlap, each.overlap),
            (across.adjacent, each.adjacent),
        ):
            add_row(both[q], sums[owner[first[q]]])
    for i in range(count):
        q, weight = piece[i], p.weight[i]
        for a, g in ((owner[i], each), (q, own)):
            g.size[a] += weight
            g.level[a] += weight * p.looks[i, LEVEL]
            g.where[a] += weight * p.looks[i, WHERE]
            g.busy[a] += weight * p.about[i]
        j = first[q]
        while j >= 0:
            own.like[q, 0] += p.like[i, j]
            own.timbre[q, 0] += p.timbre[i, j]
            own.overlap[q, 0] += p.overlap[i, j]
            own.adjacent[q, 0] += p.adjacent[i, j]
            j = after[j]


@noalloc
def _two(q: int, k: int, home: bool, own: Groups, each: Groups, across: Groups, g: Groups) -> None:
    """Piece `q` and singer `k`, without that piece where it is the singer's, as two groups."""
    part = 1.0 if home else 0.0
    for mine, theirs, both, pair in (
        (own.like, each.like, across.like, g.like),
        (own.timbre, each.timbre, across.timbre, g.timbre),
        (own.overlap, each.overlap, across.overlap, g.overlap),
        (own.adjacent, each.adjacent, across.adjacent, g.adjacent),
    ):
        pair[0, 0] = mine[q, 0]
        pair[0, 1] = both[q, k] - part * mine[q, 0]
        pair[1, 0] = pair[0, 1]
        pair[1, 1] = theirs[k, k] - part * (2.0 * both[q, k] - mine[q, 0])
    for its, all_its, two in (
        (own.size, each.size, g.size),
        (own.level, each.level, g.level),
        (own.where, each.where, g.where),
        (own.busy, each.busy, g.busy),
    ):
        two[0] = its[q]
        two[1] = all_its[k] - part * its[q]
    refresh(0, g)
    refresh(1, g)

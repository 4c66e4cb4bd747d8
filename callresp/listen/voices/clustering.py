"""The likeliest grouping of some hundred notes into singers.

Goal
----
Find which notes are whose by the likelihood of the whole grouping
(`callresp.listen.voices.voice_model`). All groupings can't be tried, so two
beginnings are made, each joins the two groups whose joining gains most for as long
as joining gains anything, and the likelier result counts:

- by song: notes that follow one another closely are joined first, then the songs so
  found are. This is right where birds sing in turns, each all over the spectrum.
- by kind: the most alike are joined first, however far apart. This is right in a
  dense chorus, in which somebody else's note is always near.

Then songs, and notes that have another singer's near by, are moved to whoever they
fit better, one at a time.

Conventions
-----------
Groups are numbered from 0, as an array of one number a note. Notes that are not `free`
are known from before: those of one number stay together, and none of them moves.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from callresp.listen.kernels._jit import inner, kernel
from callresp.listen.voices.looks import Material, Numbers
from callresp.listen.voices.voice_model import (
    EDGE_S,
    SONG_GAP_S,
    Prior,
    Scratch,
    score,
    scratch_for,
)

SURE = 0.3  # of the likeness of a note to itself: the next note is a repeat
KIN = 6  # by kind, so many of the most alike are looked at, and of the notes right before
KIN_S = 1.0  # that ended no longer ago
ALIKE = 0.0025  # of the likeness of a note to itself, and they must be as alike as that
DOUBT_S = 0.15  # notes that have another singer's as near are looked at by themselves
WINDOW = 96  # notes before and after that bear on where a note belongs
ROUNDS = 4
TIMED = 0.0
_NEVER = -1e9
_LEAST_GAIN = 1e-6


def settle(m: Material, known: Numbers, prior: Prior, most: int = 0) -> Numbers:
    """The likeliest singers of some notes.

    Parameters
    ----------
    m
        The notes.
    known
        Groups of the notes known from before; -1 for all others.
    prior
        What is held of singers beforehand.
    most
        At most so many singers; 0 for as many as are likely.

    Returns
    -------
    Numbers
        The singer of every note, from 0 in no order, shape ``(n,)``.
    """
    if len(known) == 0:
        return np.zeros(0, np.int64)
    scratch = scratch_for(len(known))
    free = known < 0
    start = known.copy()
    start[free] = np.arange(free.sum()) + int(known.max()) + 1
    _link(start, free, m)
    start = renumbered(start)
    by_song = _joined(start, _near(start, m, SONG_GAP_S), m, prior, scratch)
    by_song = _polished(_all_joined(_songs(by_song, free, m), m, prior, scratch), free, m, prior)
    untimed = prior._replace(timed=np.array([TIMED]))
    by_kind = _joined(start, _kin(start, m), m, untimed, scratch)
    by_kind = _all_joined(by_kind, m, untimed, scratch)
    by_kind = _polished(_all_joined(by_kind, m, prior, scratch), free, m, prior)
    likelier = max((by_song, by_kind), key=lambda owner: _total(owner, m, prior, scratch))
    if 0 < most <= likelier.max():
        return _all_joined(likelier, m, prior, scratch, most)
    return likelier


def renumbered(owner: Numbers) -> Numbers:
    """The same groups, numbered from 0 without gaps, in order of first appearance."""
    _, first, inverse = np.unique(owner, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return np.asarray(rank[inverse])


def _songs(owner: Numbers, free: Any, m: Material) -> Numbers:
    """The songs of every group, each a group of its own; notes not free stay together."""
    song = owner.copy()
    _split_at_rests(song, free, m, SONG_GAP_S)
    return renumbered(song)


def _all_joined(
    owner: Numbers, m: Material, prior: Prior, scratch: Scratch, most: int = 0
) -> Numbers:
    groups = int(owner.max()) + 1
    return _joined(owner, np.ones((groups, groups), np.bool_), m, prior, scratch, most)


def _joined(
    owner: Numbers, pairs: Any, m: Material, prior: Prior, scratch: Scratch, most: int = 0
) -> Numbers:
    owner = owner.copy()
    _join(owner, pairs, m, prior, scratch, most)
    return renumbered(owner)


def _polished(owner: Numbers, free: Any, m: Material, prior: Prior) -> Numbers:
    """Move songs and notes to whom they fit better, and join again, while anything changes."""
    scratch = scratch_for(len(owner))
    for _ in range(ROUNDS):
        song = _songs(owner, free, m)
        moved = _move(owner, song, free, 0.0, m, prior, scratch)
        owner = renumbered(owner)
        moved += _move(owner, np.arange(len(owner)), free, DOUBT_S, m, prior, scratch)
        owner = renumbered(owner)
        groups = owner.max()
        owner = _all_joined(owner, m, prior, scratch)
        if not moved and owner.max() == groups:
            break
    return owner


@kernel
def _near(owner: Any, m: Material, near_s: float) -> Any:
    """Which groups have notes within `near_s` of each other."""
    groups = owner.max() + 1
    near = np.zeros((groups, groups), np.bool_)
    for i in range(len(owner)):
        for j in range(i + 1, len(owner)):
            if m.onset_s[j] - m.offset_s[i] >= near_s:
                # A long note may reach farther; what comes after it is near by itself.
                if m.onset_s[j] - m.onset_s[i] > 8.0:
                    break
                continue
            near[owner[i], owner[j]] = near[owner[j], owner[i]] = True
    return near


@kernel
def _link(owner: Any, free: Any, m: Material) -> None:
    """Put a note with the one right before it where it plainly repeats that, in place."""
    for i in range(1, len(owner)):
        gap_s = m.onset_s[i] - m.offset_s[i - 1]
        if free[i] and free[i - 1] and m.like[i, i - 1] >= SURE and -EDGE_S < gap_s < SONG_GAP_S:
            owner[i] = owner[i - 1]


@kernel
def _kin(owner: Any, m: Material) -> Any:
    """Which groups have notes that are among the most alike, or follow one another."""
    groups = owner.max() + 1
    kin = np.zeros((groups, groups), np.bool_)
    most = np.zeros(KIN)
    who = np.zeros(KIN, np.int64)
    for i in range(len(owner)):
        most[:] = ALIKE
        who[:] = -1
        for j in range(i - 1, -1, -1):
            if owner[j] == owner[i]:
                continue
            least = np.argmin(most)
            if m.like[i, j] > most[least]:
                most[least] = m.like[i, j]
                who[least] = owner[j]
            if i - j <= KIN and m.onset_s[i] - m.offset_s[j] < KIN_S:
                kin[owner[i], owner[j]] = kin[owner[j], owner[i]] = True
        for k in range(KIN):
            if who[k] >= 0:
                kin[owner[i], who[k]] = kin[who[k], owner[i]] = True
    return kin


@inner
def _woven(a: int, b: int, first: Any, after: Any, into: Any) -> int:
    """The notes of two groups in order, into `into`; returns how many. `b` may be -1."""
    i = first[a]
    j = first[b] if b >= 0 else -1
    count = 0
    while i >= 0 or j >= 0:
        if j < 0 or (0 <= i < j):
            into[count] = i
            i = after[i]
        else:
            into[count] = j
            j = after[j]
        count += 1
    return count


@inner
def _gain(
    a: int, b: int, own: Any, first: Any, after: Any, m: Material, prior: Prior, s: Scratch
) -> float:
    count = _woven(a, b, first, after, s.members)
    return score(s.members, count, m, prior, s) - own[a] - own[b]


@inner
def _listed(owner: Any, first: Any, after: Any) -> None:
    """The notes of each group as a list: `first` of the group, then the one `after` each."""
    first[:] = -1
    for i in range(len(owner) - 1, -1, -1):
        after[i] = first[owner[i]]
        first[owner[i]] = i


@kernel
def _join(owner: Any, pairs: Any, m: Material, prior: Prior, s: Scratch, most: int) -> None:
    """Join the two groups that gain most, and so on, in place.

    Of `pairs` (k, k) alone; a joined group may join whom either part might. It ends when
    nothing gains, or, with `most`, when there are no more than so many groups.
    """
    groups = owner.max() + 1
    first, after = np.empty(groups, np.int64), np.empty(len(owner), np.int64)
    _listed(owner, first, after)
    own = np.empty(groups)
    for a in range(groups):
        own[a] = score(s.members, _woven(a, -1, first, after, s.members), m, prior, s)
    gain = np.full((groups, groups), _NEVER)
    best = np.full(groups, -1, np.int64)
    for a in range(groups):
        for b in range(a):
            if pairs[a, b]:
                gain[a, b] = gain[b, a] = _gain(a, b, own, first, after, m, prior, s)
    for a in range(groups):
        best[a] = np.argmax(gain[a])
    alive = np.ones(groups, np.bool_)
    left = groups
    while left > 1:
        a = -1
        for k in range(groups):
            if alive[k] and (a < 0 or gain[k, best[k]] > gain[a, best[a]]):
                a = k
        b = best[a]
        if gain[a, b] <= _NEVER / 2 or (gain[a, b] <= 0.0 and (most == 0 or left <= most)):
            break
        _take_in(a, b, gain, best, alive, own, pairs, first, after, owner, m, prior, s)
        left -= 1


@inner
def _take_in(
    a: int,
    b: int,
    gain: Any,
    best: Any,
    alive: Any,
    own: Any,
    pairs: Any,
    first: Any,
    after: Any,
    owner: Any,
    m: Material,
    prior: Prior,
    s: Scratch,
) -> None:
    own[a] += own[b] + gain[a, b]
    count = _woven(a, b, first, after, s.members)
    first[a] = s.members[0]
    for n in range(count):
        after[s.members[n]] = s.members[n + 1] if n + 1 < count else -1
        owner[s.members[n]] = a
    alive[b] = False
    gain[b, :] = _NEVER
    gain[:, b] = _NEVER
    for k in range(len(gain)):
        if not alive[k] or k == a:
            continue
        if pairs[k, b]:
            pairs[k, a] = pairs[a, k] = True
        if pairs[k, a]:
            gain[k, a] = gain[a, k] = _gain(a, k, own, first, after, m, prior, s)
        if best[k] == a or best[k] == b:
            best[k] = np.argmax(gain[k])
        elif gain[k, a] > gain[k, best[k]]:
            best[k] = a
    best[a] = np.argmax(gain[a])


@kernel
def _split_at_rests(song: Any, free: Any, m: Material, rest_s: float) -> None:
    """Number the songs of every group anew, in place, above the groups' own numbers."""
    groups = song.max() + 1
    number = np.arange(groups)
    until_s = np.full(groups, -np.inf)
    used = groups
    for i in range(len(song)):
        group = song[i]
        if free[i]:
            if m.onset_s[i] - until_s[group] > rest_s:
                number[group] = used
                used += 1
            song[i] = number[group]
        until_s[group] = max(until_s[group], m.offset_s[i])


@inner
def _of_owner(w: int, owner: Any, unit: Any, u: int, how: int, s: Scratch) -> int:
    """Notes of owner `w` into `s.members`: with unit `u` (1), without it (-1), or as is (0)."""
    count = 0
    for i in range(len(owner)):
        mine = owner[i] == w
        inside = unit[i] == u
        if (mine and (how >= 0 or not inside)) or (how == 1 and inside):
            s.members[count] = i
            count += 1
    return count


@inner
def _neighbours(u: int, unit: Any, owner: Any, near_s: float, m: Material, who: Any) -> int:
    """Mark owners that sing within `near_s` of a unit, all if that is 0; returns how many."""
    who[:] = near_s <= 0.0
    for i in range(len(owner)):
        if unit[i] != u or near_s <= 0.0:
            continue
        for j in range(i - 1, -1, -1):
            if m.onset_s[i] - m.onset_s[j] > 4.0:
                break
            if m.onset_s[i] - m.offset_s[j] < near_s:
                who[owner[j]] = True
        for j in range(i + 1, len(owner)):
            if m.onset_s[j] - m.offset_s[i] >= near_s:
                break
            who[owner[j]] = True
    return np.sum(who)


@inner
def _own_score(
    w: int, owner: Any, unit: Any, own: Any, m: Material, prior: Prior, s: Scratch
) -> float:
    """The score of owner `w` as things stand, kept in `own`."""
    if np.isnan(own[w]):
        own[w] = score(s.members, _of_owner(w, owner, unit, -1, 0, s), m, prior, s)
    return own[w]


@inner
def _best_owner(
    v: int,
    u: int,
    used: int,
    who: Any,
    owner: Any,
    unit: Any,
    own: Any,
    m: Material,
    prior: Prior,
    s: Scratch,
) -> tuple[int, float, float]:
    """To whom unit `u` of owner `v` should go, or -1; and what `v` and they are worth then."""
    before = _own_score(v, owner, unit, own, m, prior, s)
    count = _of_owner(v, owner, unit, u, -1, s)
    without = score(s.members, count, m, prior, s)
    best = _LEAST_GAIN
    chosen = -1
    worth = 0.0
    if count > 0:
        alone = score(s.members, _of_owner(-1, owner, unit, u, 1, s), m, prior, s)
        if without + alone - before > best:
            best = without + alone - before
            chosen = used
            worth = alone
    for w in range(used):
        if w == v or not who[w]:
            continue
        theirs = _own_score(w, owner, unit, own, m, prior, s)
        with_it = score(s.members, _of_owner(w, owner, unit, u, 1, s), m, prior, s)
        if without + with_it - before - theirs > best:
            best = without + with_it - before - theirs
            chosen = w
            worth = with_it
    return chosen, without, worth


@kernel
def _move(
    owner: Any, unit: Any, free: Any, near_s: float, m: Material, prior: Prior, s: Scratch
) -> int:
    """Give units to whom they fit better, or to a new singer, in place; returns how many.

    With `near_s`, only those that have another singer's note as near as that.
    """
    used = owner.max() + 1
    own = np.full(used + len(owner), np.nan)
    who = np.zeros(used + len(owner), np.bool_)
    moved = 0
    done = -1
    for at in range(len(owner)):
        u, v = unit[at], owner[at]
        if not free[at] or u <= done:
            continue
        done = u
        singers = _neighbours(u, unit, owner, near_s, m, who[:used])
        if near_s > 0.0 and singers < 2 and who[v]:
            continue
        chosen, without, worth = _best_owner(v, u, used, who, owner, unit, own, m, prior, s)
        if chosen < 0:
            continue
        for i in range(len(owner)):
            if unit[i] == u:
                owner[i] = chosen
        own[v], own[chosen] = without, worth
        used = max(used, chosen + 1)
        moved += 1
    return moved


@kernel
def _total(owner: Any, m: Material, prior: Prior, s: Scratch) -> float:
    """Log likelihood of a grouping."""
    total = 0.0
    for w in range(owner.max() + 1):
        count = _of_owner(w, owner, owner, w, 0, s)
        if count > 0:
            total += score(s.members, count, m, prior, s)
    return total

"""What is known of each singer so far, and how well a note fits one: compiled kernels.

Goal
----
Tell singers apart by what a listener in the field goes by: where in the
spectrum a bird sings, how loud it stands (its distance), how rich its tone is,
which notes it has sung before, and that nobody sings two notes at once.

Conventions
-----------
A note is one row of `LOOKS` numbers: pitch place at its start and end (log2
of hertz), level (dB), log of its length, tonality, richness (dB of its
overtones against its first partial), hardness (1: a knock, with a sudden
attack and a wide band). ``nan`` is unknown, and counts neither for nor
against.

Fits are log densities in nats over the same units for every singer, so they
compare. Each singer is a mixture of a wide normal (its band, its level) with a
narrow kernel round each of its latest notes (its repertoire); the wide part's
spread is the posterior scale of a normal with unknown variance (Gelman et al.,
Bayesian Data Analysis, 3rd ed., section 3.3, from memory). A note that fits
nobody opens a new singer, as in the Chinese-restaurant form of a Dirichlet
process mixture (Neal 2000, J. Comput. Graph. Stat. 9, 249-265, from memory).
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from callresp.listen.kernels._jit import inner

START, END, LEVEL, LENGTH, TONAL, RICH, HARD = range(7)
LOOKS = 7
WIDE = 5  # the wide part: place (middle of start and end), level, tonality, richness, hardness

MOST = 48  # singers at once
MEMORY = 48  # notes remembered of each

# Before anything is known of a singer: spread of place (octaves), level (dB),
# tonality, richness (dB) and hardness, and how many notes that guess is worth.
_SPREAD = np.array([0.32, 3.5, 0.3, 7.0, 0.25])
_GUESS = 6.0
# Of anything at all: a new singer may come in anywhere.
_ANY_PLACE = 1 / 6.0
_ANY_LEVEL = 1 / 35.0
_ANY_RICH = 1 / 30.0  # tonality and hardness lie in 0 to 1: density 1
# How alike two renditions of one note are: a rendition's spread in each look.
_ALIKE = np.array([0.05, 0.05, 2.0, 0.2, 0.15, 3.0, 0.2])
_UNLIKE = 30.0  # nats; farther off, a note is no repeat
_WIDE_LENGTH = 0.9  # ln; spread of note lengths of any singer
_WIDE_TURN = 0.35  # octaves; how far a note may sweep
_REPEATED = 0.5  # share of the notes that repeat an earlier one

NEW = 4.0  # nats against opening a new singer
GOES_ON = 2.5  # nats for going on with a phrase
PHRASE_S = 0.3
AT_ONCE = 9.0  # nats against two notes at once
ROOT_2PI = math.sqrt(2 * math.pi)


class Singers(NamedTuple):
    """All singers so far, as arrays with a row each.

    `count` notes each; `mean` and `square` the mean and the summed squared
    deviation of the wide looks, over `known` notes; `memory` the latest notes
    with their numbers in `which`; `since_s`, `until_s` the latest note's onset
    and the latest offset; `used[0]` how many there are.
    """

    count: Any
    known: Any
    mean: Any
    square: Any
    memory: Any
    which: Any
    since_s: Any
    until_s: Any
    used: Any


def nobody() -> Singers:
    """No singer yet."""
    return Singers(
        count=np.zeros(MOST, np.int64),
        known=np.zeros((MOST, WIDE)),
        mean=np.zeros((MOST, WIDE)),
        square=np.zeros((MOST, WIDE)),
        memory=np.full((MOST, MEMORY, LOOKS), np.nan),
        which=np.full((MOST, MEMORY), -1, np.int64),
        since_s=np.full(MOST, -1e9),
        until_s=np.full(MOST, -1e9),
        used=np.zeros(1, np.int64),
    )


@inner
def _wide_looks(look: Any, wide: Any) -> None:
    wide[0] = 0.5 * (look[START] + look[END])
    wide[1] = look[LEVEL]
    wide[2] = look[TONAL]
    wide[3] = look[RICH]
    wide[4] = look[HARD]


@inner
def _normal(gap: float, spread: float) -> float:
    """Log density of a normal whose tail is let out: a stray look can't rule alone."""
    z = abs(gap) / spread
    loss = 0.5 * z * z if z < 3.0 else 3.0 * z - 4.5
    return -loss - math.log(spread * ROOT_2PI)


@inner
def wide_fit(wide: Any, v: int, singers: Singers) -> float:
    """Log density of a note under the band, level and tone of singer `v`."""
    total = 0.0
    for k in range(WIDE):
        n = singers.known[v, k]
        if math.isnan(wide[k]) or n == 0:
            continue
        guess = _GUESS * _SPREAD[k] * _SPREAD[k]
        spread = math.sqrt((guess + singers.square[v, k]) / (_GUESS + n) * (1 + 1 / n))
        total += _normal(wide[k] - singers.mean[v, k], spread)
    return total


@inner
def repeat_fit(look: Any, v: int, but: int, singers: Singers) -> float:
    """Density of a note as a repeat of one that singer `v` is known for."""
    seen = min(singers.count[v], MEMORY)
    total = 0.0
    for m in range(seen):
        if singers.which[v, m] == but:
            continue
        loss = 0.0
        scale = 1.0
        for k in range(LOOKS):
            gap = look[k] - singers.memory[v, m, k]
            if math.isnan(gap):
                continue
            z = gap / _ALIKE[k]
            loss += 0.5 * z * z
            if loss >= _UNLIKE:
                break
            scale *= _ALIKE[k] * ROOT_2PI
        if loss < _UNLIKE:
            total += math.exp(-loss) / scale
    return total / max(seen, 1)


@inner
def any_shape(look: Any) -> float:
    """Log density of a note's length and sweep whoever sings it."""
    turn = _normal(look[END] - look[START], _WIDE_TURN)
    return turn + _normal(look[LENGTH] - math.log(0.08), _WIDE_LENGTH)


@inner
def fit(look: Any, v: int, but: int, singers: Singers) -> float:
    """Log density of a note under singer `v`, note number `but` left out."""
    wide = np.empty(WIDE)
    _wide_looks(look, wide)
    once = wide_fit(wide, v, singers) + any_shape(look)
    again = repeat_fit(look, v, but, singers)
    if again <= 0.0:
        return once + math.log(1 - _REPEATED)
    again = math.log(again) + math.log(_REPEATED)
    once += math.log(1 - _REPEATED)
    top = max(once, again)
    return top + math.log(math.exp(once - top) + math.exp(again - top))


@inner
def stranger(look: Any) -> float:
    """Log density of a note under a singer not heard before."""
    total = any_shape(look) + math.log(_ANY_PLACE * _ANY_LEVEL) - NEW
    if not math.isnan(look[RICH]):
        total += math.log(_ANY_RICH)
    return total


@inner
def timing(onset_s: float, offset_s: float, v: int, singers: Singers) -> float:
    """Nats for or against singer `v` by when it last sang."""
    over = singers.until_s[v] - onset_s
    if over > 0:
        shortest = max(1e-3, min(offset_s - onset_s, singers.until_s[v] - singers.since_s[v]))
        return -AT_ONCE * min(1.0, max(0.0, over - 0.008) / shortest)
    return GOES_ON * math.exp(over / PHRASE_S)


@inner
def learn(look: Any, note: int, onset_s: float, offset_s: float, v: int, singers: Singers) -> None:
    """Remember a note of singer `v`."""
    wide = np.empty(WIDE)
    _wide_looks(look, wide)
    for k in range(WIDE):
        if math.isnan(wide[k]):
            continue
        singers.known[v, k] += 1
        gap = wide[k] - singers.mean[v, k]
        singers.mean[v, k] += gap / singers.known[v, k]
        singers.square[v, k] += gap * (wide[k] - singers.mean[v, k])
    remember(look, note, v, singers)
    singers.since_s[v] = onset_s
    singers.until_s[v] = max(singers.until_s[v], offset_s)


@inner
def remember(look: Any, note: int, v: int, singers: Singers) -> None:
    """Take a note among the latest of singer `v`."""
    at = singers.count[v] % MEMORY
    singers.memory[v, at, :] = look
    singers.which[v, at] = note
    singers.count[v] += 1


@inner
def choose(look: Any, note: int, onset_s: float, offset_s: float, singers: Singers) -> int:
    """The singer that a note fits best; a new one where it fits nobody."""
    used = singers.used[0]
    best = stranger(look) if used < MOST else -1e300
    chosen = used
    everyone = 0.0
    for v in range(used):
        everyone += math.sqrt(singers.count[v])
    for v in range(used):
        share = math.log(max(math.sqrt(singers.count[v]), 0.5) / max(everyone, 1.0))
        score = fit(look, v, note, singers) + timing(onset_s, offset_s, v, singers) + share
        if score > best:
            best = score
            chosen = v
    return chosen

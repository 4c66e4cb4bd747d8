"""Where song without a rest turns to something else.

Goal
----
A singer that hardly rests is cut into themes: stretches of song that are alike in pitch,
level, length of notes and gaps. The latest notes are held against those before them by the
squared distance of their means over the variance that chance would give it, summed over the
four, as in Hotelling's test with independent features (H. Hotelling, "The Generalization of
Student's Ratio", Annals of Mathematical Statistics 2, 1931). A motif that comes back varies
as much within as between, and is no turn.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

SHORTEST_S = 0.004
LATEST = 6  # notes by which a turn shows itself
BEFORE = 32  # that they are held against
# Octaves, dB, ln of the length, ln of the gap: what is nearer is alike however steady a song is.
LEAST_SPREAD = (0.15, 2.0, 0.2, 0.25)
CLEAR = 40.0  # of chi-squared with four degrees of freedom, whose 99.99 % lie below 24


class PhraseNote(NamedTuple):
    """What phrases are made of: a note's number, its times, place (log2 Hz) and level."""

    number: int
    onset_s: float
    offset_s: float
    place: float
    level_db: float


NoteFeatures = tuple[float, float, float, float]


def features_of(note: PhraseNote, before: PhraseNote | None) -> NoteFeatures:
    """Features by which a turn is found: place, level, ln of the length and of the gap before it.

    `before` is the note before it of the same singer; with none, the gap counts as none. The unit
    of each is that of `LEAST_SPREAD`.
    """
    length_s = note.offset_s - note.onset_s
    gap_s = 0.0 if before is None else note.onset_s - before.offset_s
    return (
        note.place,
        note.level_db,
        math.log(max(length_s, SHORTEST_S)),
        math.log(max(gap_s, SHORTEST_S)),
    )


def change(song: Sequence[NoteFeatures], n: int) -> float:
    """How much a singer's song turns to something else at note `n`.

    Like chi-squared with four degrees of freedom where nothing changes; 0 where fewer than
    `LATEST` notes stand on either side.
    """
    if n < LATEST or n > len(song) - LATEST:
        return 0.0
    k = min(n, BEFORE)
    places, levels_db, lengths, gaps = zip(*song[n - k : n + LATEST], strict=True)
    held = (
        (places[:k], places[k:]),
        (levels_db[:k], levels_db[k:]),
        (lengths[:k], lengths[k:]),
        (gaps[1:k], gaps[k + 1 :]),
    )
    total = 0.0
    for least, (was, becomes) in zip(LEAST_SPREAD, held, strict=True):
        (mean, variance), (other, its) = _moments(was), _moments(becomes)
        spread = max(variance, its) + least**2
        chance = 1.0 / len(was) + 1.0 / len(becomes)
        total += (mean - other) ** 2 / (spread * chance)
    return total


def turn(song: Sequence[NoteFeatures]) -> int | None:
    """Where a singer's latest notes begin that are clearly another theme than those before them.

    It is known `LATEST` notes later; `None` until then.
    """
    n = len(song) - LATEST - 1
    here = change(song, n)
    # Beside the turn itself the windows hold some notes of the other theme, and tell it less.
    return n if here >= CLEAR and here >= change(song, n + 1) else None


def _moments(values: Sequence[float]) -> tuple[float, float]:
    """Mean and variance; `statistics` has them exact, and a hundred times slower."""
    count = len(values)
    mean = sum(values) / count
    return mean, math.dist(values, (mean,) * count) ** 2 / count

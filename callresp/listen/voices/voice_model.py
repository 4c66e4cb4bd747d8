"""How likely it is that some notes are one singer's song: compiled kernels.

Goal
----
Put all that speaks for or against one singer on one scale, nats, so that who
sang what can be told by the likeliest grouping of all notes. Each note of a
singer is weighed by what that singer sang before it:

- gap: the rest since the singer's last note, under its usual gaps within a song
  (a mixture of log-normals from 12 to 400 ms, whose weights it learns) or under
  the rests between songs. Two who sing in each other's gaps are the likelier one
  singer the longer that goes well; a singer has to account for its own silence.
- overlap: nobody sings two notes at once, so a note begun within another one
  costs much, unless it is so much fainter, or so plainly an overtone of it, that
  the detector may have heard one sound twice.
- level: loudness, hence distance, holds about through a song and from song to song.
- repertoire: a note that the singer sang before is likely again, the likelier
  where it follows what it followed before (kernel densities over its notes and over
  their successions, each backed off to the more general, as hierarchical Dirichlet
  processes do; Teh et al. 2006, J. Am. Stat. Assoc. 101, 1566-1581, from memory).
  How often a singer comes up with something new is learned as well. New notes come
  from a range of pitch that is wide until the singer has shown to keep to a band
  (normal-inverse-gamma; Gelman et al., Bayesian Data Analysis, 3rd ed., section 3.3,
  from memory).
- prior: each singer more costs, and the more the more notes there are, since what
  the model leaves out of account adds up with them.

Looks of a note hang together, so that their evidence is worth less than if each
were drawn by itself: level and repertoire count for `DEPENDENT` of their nats.

Conventions
-----------
Notes in order of onset, as `callresp.listen.voices.looks.Material`. Each singer is
remembered by its latest `MEMORY` notes, so that scoring is linear in the notes.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from callresp.listen.kernels._jit import inner, kernel
from callresp.listen.voices.looks import (
    ANYONE,
    LEVEL,
    PLACE,
    RENDITION,
    ROOT_2PI,
    STRAY,
    Material,
    normal,
)

MEMORY = 64
DEPENDENT = 0.6
HEEDED = 0.7  # birds heed one another, and notes are lost in others: gaps count for so much

# Kinds of gap: medians an octave apart from 12 ms (within songs) to 50 s (between songs), a
# spread for each (ln s), and how many notes' worth the guess of each is.
GAP_LN = math.log(0.0125) + math.log(2.0) * np.arange(13)
GAP_SPREAD = 0.5
GAP_PRIOR = np.array([0.6, 0.8, 1.0, 0.8, 0.4, 0.2, 0.13, 0.13, 0.13, 0.13, 0.08, 0.05, 0.03])
GAPS = len(GAP_LN)
GAP_STEP = math.log(2.0) / GAP_SPREAD
STEP_RATIO = math.exp(-GAP_STEP * GAP_STEP)
SHORTEST_GAP_S = 0.004

EDGE_S = 0.012  # ends of notes are no surer than this
OVERLAPS = 0.01  # of a singer's notes begin within another of its own
OVERLAP_DENSITY = 12.0  # a second, that they then begin anywhere within it
TWIN_S = 0.015  # parts of one sound begin together
TWIN_RATIO = 0.04
DETECTED_TWICE_DB, DETECTED_TWICE_SPREAD_DB = 30.0, 15.0
APART_DB = 12.0  # between two singers who sing at once
MOST_FORGIVEN = 4.0  # nats

LEVEL_SPREAD_DB = 4.0  # of one note in one song and the next, and how many of these
DISTANT = 2.0  # begin to tell of another distance
SAME_KIND = 0.02  # of the likeness of a note to itself
SONG_GAP_S = 0.4  # notes of a song follow one another sooner

NOVEL = 2.0  # how many notes' worth the chance of something new is
FOLLOWED = 1.0  # how many successions' worth the repertoire at large is

NEW_SINGER = 4.0  # nats, and so many for each e-fold of notes:
NEW_SINGER_BY_LN = 2.0

# Terms of the evidence.
GAP, OVERLAP, OWN_LEVEL, REPERTOIRE, PRIOR = range(5)
TERMS = 5


class Prior(NamedTuple):
    """What is held of singers before they are heard, as arrays ``(4,)`` and ``(1,)``.

    `place` and `level`: spread (octaves, dB), how many notes that guess is worth, and
    how many the guess of the middle is; `new` is what a singer costs, in nats.
    """

    place: Any
    level: Any
    new: Any
    timed: Any
    by_band: Any


class Scratch(NamedTuple):
    """Room to work in, for one score at a time."""

    members: Any
    memory: Any
    like_last: Any
    like_now: Any
    gaps: Any
    shares: Any
    bands: Any
    terms: Any
    sums: Any


def prior_for(notes: int, by_band: bool = False, timed: float = HEEDED) -> Prior:
    """What is held of singers before so many notes are heard.

    With `by_band`, each singer keeps to a band of its own.
    """
    place = np.array([0.25, 100.0, 0.02]) if by_band else np.array([0.7, 2.0, 0.3])
    level = np.array([5.0, 3.0, 0.1])
    new = np.array([NEW_SINGER + NEW_SINGER_BY_LN * math.log(notes + 1.0)])
    return Prior(place, level, new, np.array([timed]), np.array([by_band]))


def scratch_for(notes: int) -> Scratch:
    """Room for scores of so many notes."""
    return Scratch(
        members=np.zeros(max(notes, 1), np.int64),
        memory=np.zeros(MEMORY, np.int64),
        like_last=np.zeros(MEMORY),
        like_now=np.zeros(MEMORY),
        gaps=np.zeros(GAPS),
        shares=np.zeros(GAPS),
        bands=np.zeros(6),
        terms=np.zeros(TERMS),
        sums=np.zeros(TERMS),
    )


@inner
def gap_density(gap_s: float, gaps: Any, shares: Any) -> float:
    """Density of a gap (1/s) under weights `gaps`; `shares` is what each kind has in it."""
    gap_s = max(gap_s, SHORTEST_GAP_S)
    # Normals at equal steps: each is the one before times a ratio that shrinks by `STEP_RATIO`.
    z = (math.log(gap_s) - GAP_LN[0]) / GAP_SPREAD
    each = math.exp(-0.5 * z * z)
    ratio = math.exp(z * GAP_STEP - 0.5 * GAP_STEP * GAP_STEP)
    total = 0.0
    weight = 0.0
    for k in range(GAPS):
        shares[k] = gaps[k] * each
        total += shares[k]
        weight += gaps[k]
        each *= ratio
        ratio *= STEP_RATIO
    total = max(total, 1e-12)
    for k in range(GAPS):
        shares[k] /= total
    return total / (weight * gap_s * GAP_SPREAD * ROOT_2PI)


@inner
def _twice(i: int, j: int, m: Material) -> float:
    """Nats for a note begun within another one of its singer."""
    if abs(m.onset_s[i] - m.onset_s[j]) < TWIN_S:
        ratio = 2.0 ** abs(m.looks[i, PLACE] - m.looks[j, PLACE])
        # Not so where a place is unknown: nan compares as false.
        if abs(ratio - math.floor(ratio + 0.5)) < TWIN_RATIO * ratio:
            return 0.0
    apart_db = abs(m.looks[i, LEVEL] - m.looks[j, LEVEL])
    one = normal(apart_db - DETECTED_TWICE_DB, DETECTED_TWICE_SPREAD_DB)
    two = normal(apart_db, APART_DB) + math.log(2.0)
    return math.log(OVERLAPS * OVERLAP_DENSITY) + min(max(one - two, 0.0), MOST_FORGIVEN)


@inner
def _student(x: float, n: int, mean: float, square: float, middle: float, prior: Any) -> float:
    """Log density of the next value after `n` with that mean and summed squared deviation."""
    spread, worth, sure = prior[0], prior[1], prior[2]
    centre = (sure * middle + n * mean) / (sure + n)
    total = worth * spread * spread + square + sure * n / (sure + n) * (mean - middle) ** 2
    free = worth + n
    variance = total / free * (1.0 + 1.0 / (sure + n))
    off = (x - centre) ** 2 / variance
    # ln of Γ(x + 1/2) / Γ(x) for x = free / 2, by Stirling's series: off by 1e-3 at most.
    half = 0.5 * math.log(0.5 * free - 0.25 + 0.0625 / free)
    return (
        half - 0.5 * math.log(free * math.pi * variance) - 0.5 * (free + 1) * math.log1p(off / free)
    )


@inner
def _moved(i: int, n: int, m: Material, s: Scratch) -> float:
    """Nats, 0 or below, for how far off in level the like of a song's first note was last."""
    for k in range(1, min(n, MEMORY) + 1):
        j = s.memory[(n - k) % MEMORY]
        apart_db = m.looks[i, LEVEL] - m.looks[j, LEVEL]
        # Alike but for the level.
        loss = min(0.5 * (apart_db / RENDITION[LEVEL]) ** 2, STRAY)
        if m.like[i, j] * math.exp(loss) >= SAME_KIND:
            # Student's t of 4 degrees, re its density at DISTANT_DB.
            z2 = 0.25 * (apart_db / LEVEL_SPREAD_DB) ** 2
            unlikely = -2.5 * math.log((1.0 + z2) / (1.0 + 0.25 * DISTANT**2))
            return min(unlikely, 0.0)
    return 0.0


@inner
def _learn(x: float, at: int, bands: Any) -> None:
    """Count, mean and summed squared deviation in `bands[at : at + 3]`."""
    if math.isnan(x):
        return
    bands[at] += 1.0
    gap = x - bands[at + 1]
    bands[at + 1] += gap / bands[at]
    bands[at + 2] += gap * (x - bands[at + 1])


@inner
def _repertoire(
    i: int, n: int, new: float, novel: float, m: Material, s: Scratch
) -> tuple[float, float]:
    """Density of note `i` after `n` others, and how much of it is that of something new.

    `new` is its density as something new, which is worth `novel` notes.
    """
    seen = min(n, MEMORY)
    again = 0.0
    for k in range(seen):
        s.like_now[k] = m.like[i, s.memory[k]]
        again += s.like_now[k]
    follows = 0.0
    weight = 0.0
    for k in range(seen):
        after = k + 1
        if n > MEMORY:
            after = after % MEMORY
            if after == n % MEMORY:
                continue
        elif after >= seen:
            continue
        weight += s.like_last[k]
        follows += s.like_last[k] * s.like_now[after]
    again *= m.scale[i]
    any_note = (again + novel * new) / (seen + novel)
    fresh = novel * new / max(again + novel * new, 1e-300)
    found = m.scale[i] * follows + FOLLOWED * any_note
    return found / (weight + FOLLOWED), fresh


@inner
def _remember(i: int, n: int, s: Scratch) -> None:
    for k in range(min(n, MEMORY)):
        s.like_last[k] = s.like_now[k]
    s.memory[n % MEMORY] = i
    s.like_last[n % MEMORY] = 0.0


@inner
def score(members: Any, count: int, m: Material, prior: Prior, s: Scratch) -> float:
    """Log likelihood that notes `members[:count]` are the song of one singer.

    Leaves the sums of its terms in `s.sums`.
    """
    s.sums[:] = 0.0
    s.gaps[:] = GAP_PRIOR
    s.bands[:] = 0.0
    until_s = -1e9
    last = -1
    novel = 1.0
    for n in range(count):
        i = members[n]
        s.terms[:] = 0.0
        if n == 0:
            s.terms[PRIOR] = -prior.new[0]
        elif m.onset_s[i] - until_s < -EDGE_S:
            s.terms[OVERLAP] = _twice(i, last, m)
        else:
            gap_s = max(m.onset_s[i] - until_s, 0.0)
            s.terms[GAP] = prior.timed[0] * math.log(gap_density(gap_s, s.gaps, s.shares))
            for k in range(GAPS):
                s.gaps[k] += s.shares[k]
        place, level = m.looks[i, PLACE], m.looks[i, LEVEL]
        own_level = _student(
            level, int(s.bands[3]), s.bands[4], s.bands[5], m.middle_db[0], prior.level
        )
        new = m.common[i] + own_level
        in_band = 0.0
        if not math.isnan(place):
            in_band = _student(
                place, int(s.bands[0]), s.bands[1], s.bands[2], ANYONE[PLACE], prior.place
            )
            new += in_band
        # Something new has so far been `novel` times in n notes.
        chance = NOVEL * 2.0 * novel / (n + 2.0)
        found, fresh = _repertoire(i, n, math.exp(new), chance, m, s)
        novel += fresh
        s.terms[OWN_LEVEL] = DEPENDENT * own_level
        s.terms[REPERTOIRE] = DEPENDENT * (math.log(max(found, 1e-300)) - own_level)
        if prior.by_band[0]:
            s.terms[REPERTOIRE] += in_band
        if n > 0 and m.onset_s[i] - until_s > SONG_GAP_S:
            s.terms[OWN_LEVEL] += _moved(i, n, m, s)
        for k in range(TERMS):
            s.sums[k] += s.terms[k]
        _remember(i, n, s)
        _learn(place, 0, s.bands)
        _learn(level, 3, s.bands)
        if m.offset_s[i] > until_s:
            until_s = m.offset_s[i]
            last = i
    return np.sum(s.sums)


@kernel
def score_voice(members: Any, m: Material, prior: Prior, s: Scratch) -> float:
    """As `score`, from Python: `members` is an array of note numbers in order of onset."""
    return score(members, len(members), m, prior, s)

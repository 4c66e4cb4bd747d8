"""What is compared of two notes: their looks, and how alike they are.

Goal
----
Say how likely a note is as a rendition of another one. Birds repeat their
syllables, never exactly: between renditions of one syllable the centre of
energy strays by a tenth of an octave or two, the length by a fifth, the level by
some decibels. These spreads (`RENDITION`) were taken from the marked syllables of
one finch and rounded; how notes of any singer scatter (`ANYONE`) likewise.

Conventions
-----------
Looks are rows of `LOOKS` numbers: log2 of the centre of energy (Hz), log2 of
the bandwidth (Hz), ln of the length (s), level (dB), tonality, ln of attack and
of decay (ms), log2 of the pitch at the start and at the end (Hz; for clear tones
alone). ``nan`` is unknown, and counts neither for nor against.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from callresp.listen.kernels._jit import inner, kernel
from callresp.listen.notes import Rows

Values = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

PLACE, WIDTH, LENGTH, LEVEL, TONAL, ATTACK, DECAY, START, END = range(9)
LOOKS = 9

RENDITION = np.array([0.15, 0.4, 0.2, 3.0, 0.15, 0.4, 0.4, 0.12, 0.12])
# Means and spreads over all notes of any singer; of START from PLACE, of END from START.
ANYONE = np.array([11.7, 9.8, -2.5, 0.0, 0.5, 3.4, 3.2, 0.0, 0.0])
ANYONE_SPREAD = np.array([1.3, 1.2, 0.8, 10.0, 0.3, 0.6, 0.6, 0.5, 0.5])

_CLEAR_TONE = 0.7
_TOP_HZ = 1e5
_UNIFORM = math.sqrt(12.0)
STRAY = 6.0  # nats; no single look tells more against a rendition
_UNLIKE = 25.0  # nats; farther off, a note is no rendition
_ONE_UNKNOWN = 0.9  # nats, where only one of two notes has the look
ROOT_2PI = math.sqrt(2 * math.pi)


class Material(NamedTuple):
    """Notes in order of onset, laid out for the kernels.

    `looks` has shape ``(n, LOOKS)``; `like` (n, n) is how alike two notes are, 0
    to 1, `scale` (n,) what makes of that a density of the note's
    looks, `common` (n,) the log density of all looks but place and level whoever sings,
    and `middle_db` ``(1,)`` the median level.
    """

    looks: Any
    onset_s: Any
    offset_s: Any
    like: Any
    scale: Any
    common: Any
    middle_db: Any


def looks_of(notes: Rows, features: Rows) -> Values:
    """The looks of notes: rows of `NOTE` and `FEATURES` in, shape ``(n, LOOKS)`` out."""
    looks = np.full((len(notes), LOOKS), np.nan)
    named = {name: features[name].astype(np.float64) for name in features.dtype.names or ()}
    with np.errstate(divide="ignore", invalid="ignore"):
        centre_hz, width_hz = _energy(notes, named)
        looks[:, PLACE] = np.log2(centre_hz)
        looks[:, WIDTH] = np.log2(width_hz + 50.0)
        looks[:, LENGTH] = np.log(np.maximum(notes["offset_s"] - notes["onset_s"], 1e-3))
        looks[:, LEVEL] = notes["level_db"]
        looks[:, TONAL] = notes["tonality"]
        for column, name in ((ATTACK, "attack_ms"), (DECAY, "decay_ms")):
            looks[:, column] = np.log(np.where(named[name] > 0, named[name] + 2.0, np.nan))
        clear = (notes["tonality"] >= _CLEAR_TONE) & (notes["pitch_hz"] > 0)
        for column, name in ((START, "start_hz"), (END, "end_hz")):
            known = clear & (named[name] > 0)
            looks[:, column] = np.log2(np.where(known, named[name], np.nan))
    looks[np.isnan(looks[:, START]), END] = np.nan
    looks[np.isnan(looks[:, END]), START] = np.nan
    return looks


def _energy(notes: Rows, named: dict[str, Values]) -> tuple[Values, Values]:
    """Centre and width of each note's energy, Hz; nan where only its band is known.

    A note in which nothing is tonal is described as energy spread evenly over its band
    (`callresp.listen.kernels.features`), which says where it was looked for, not what it is.
    """
    centre, width = named["centroid_hz"], named["bandwidth_hz"]
    band = notes["high_hz"] - notes["low_hz"]
    even = (band > 0) & (np.abs(width * _UNIFORM - band) < 0.02 * band)
    measured = (centre > 0) & (centre < _TOP_HZ)
    low, high = np.maximum(notes["low_hz"], 1.0), np.maximum(notes["high_hz"], 1.0)
    middle = np.where(notes["high_hz"] > 0, np.sqrt(low * high), 1000.0)
    place = np.where(measured, centre, np.where(notes["pitch_hz"] > 0, notes["pitch_hz"], middle))
    return np.where(even, np.nan, place), np.where(measured & ~even, width, np.nan)


def material_of(looks: Values, onset_s: Values, offset_s: Values) -> Material:
    """Lay notes out for the kernels; takes time in proportion to the notes' number squared."""
    like = np.zeros((len(looks), len(looks)), np.float32)
    scale, common = np.empty(len(looks)), np.empty(len(looks))
    _compare(looks, like, scale, common)
    middle = np.array([np.median(looks[:, LEVEL])])
    onset_s, offset_s = np.ascontiguousarray(onset_s), np.ascontiguousarray(offset_s)
    return Material(looks, onset_s, offset_s, like, scale, common, middle)


@kernel
def _compare(looks: Any, like: Any, scale: Any, common: Any) -> None:
    for i in range(len(looks)):
        scale[i] = _scale(looks[i])
        common[i] = _common(looks[i])
        like[i, i] = 1.0
        for j in range(i):
            like[i, j] = like[j, i] = _alike(looks[i], looks[j])


@inner
def compare_last(at: int, m: Material) -> None:
    """Fill in what is known of note `at`, held against all before it."""
    m.scale[at] = _scale(m.looks[at])
    m.common[at] = _common(m.looks[at])
    m.like[at, at] = 1.0
    for j in range(at):
        m.like[at, j] = m.like[j, at] = _alike(m.looks[at], m.looks[j])


@inner
def _scale(look: Any) -> float:
    scale = 1.0
    for k in range(LOOKS):
        if not math.isnan(look[k]):
            scale /= RENDITION[k] * ROOT_2PI
    return scale


@inner
def normal(gap: float, spread: float) -> float:
    """Log density of a normal, `gap` from its mean."""
    return -0.5 * (gap / spread) ** 2 - math.log(spread * ROOT_2PI)


@inner
def _common(look: Any) -> float:
    total = 0.0
    for k in (WIDTH, LENGTH, TONAL, ATTACK, DECAY):
        if not math.isnan(look[k]):
            total += normal(look[k] - ANYONE[k], ANYONE_SPREAD[k])
    if not math.isnan(look[START]):
        place = look[START] if math.isnan(look[PLACE]) else look[PLACE]
        total += normal(look[START] - place, ANYONE_SPREAD[START])
        total += normal(look[END] - look[START], ANYONE_SPREAD[END])
    return total


@inner
def _alike(a: Any, b: Any) -> float:
    loss = 0.0
    for k in range(LOOKS):
        gap = (a[k] - b[k]) / RENDITION[k]
        if math.isnan(gap):
            if math.isnan(a[k]) != math.isnan(b[k]):
                loss += _ONE_UNKNOWN
            continue
        loss += min(0.5 * gap * gap, STRAY)
        if loss > _UNLIKE:
            return 0.0
    return math.exp(-loss)

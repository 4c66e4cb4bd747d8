"""What is compared of two notes: their looks, and how alike they are.

Goal
----
Say how likely a note is as a rendition of another one. Birds repeat their
syllables, never exactly: between renditions of one syllable the centre of
energy strays by a tenth of an octave or two, the length by a fifth, the level by
some decibels (`RENDITION`, from the marked syllables of one finch, rounded). From bout
to bout, with another loudness and another place in the song, they stray about twice as
far, and so far apart two notes still count as alike.

Conventions
-----------
Looks are rows of `LOOKS` numbers: log2 of the centre of energy (Hz), log2 of
the bandwidth (Hz), ln of the length (s), level (dB), tonality, ln of attack and
of decay (ms), log2 of the pitch at the start and at the end (Hz; for clear tones
alone), and log2 of where it lies, be it the middle of its band. ``nan`` is unknown, and
counts neither for nor against.

After them come the cells of its coarse spectrogram, part by part, in whole dB: 0 for `RANGE_DB` and
more below the loudest cell of its own band; and `CELLS` flags, 1 where a cell lies in its own band.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from callresp.listen.kernels._jit import noalloc
from callresp.listen.notes import BANDS, BANDS_FROM_HZ, BANDS_TO_HZ, PARTS, Rows

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

PLACE, WIDTH, LENGTH, LEVEL, TONAL, ATTACK, DECAY, START, END, WHERE = range(10)
COMPARED = 9  # all but WHERE
CELLS = PARTS * BANDS
CELL = 10  # where the cells begin
IN_BAND = CELL + CELLS  # and the flags
LOOKS = IN_BAND + CELLS
RANGE_DB = 25.0
LOUDEST_DB = 30.0  # on the same scale, of cells beside its band

RENDITION = np.array([0.15, 0.4, 0.2, 3.0, 0.15, 0.4, 0.4, 0.12, 0.12])
FROM_BOUT_TO_BOUT = 2.0  # times as far

_CLEAR_TONE = 0.7
_TOP_HZ = 1e5
_BAND_ROOM = 1.06  # edges of bands are unsure
_UNIFORM = math.sqrt(12.0)
# Of single precision, as the looks: twice as many are held against each other at a time.
_STRAY = np.float32(6.0)  # nats; no single look tells more against a rendition
_UNLIKE = np.float32(12.0)  # nats; farther off, a note is no rendition
_ONE_UNKNOWN = np.float32(0.9)  # nats, where only one of two notes has the look
_PER_STRAY = (1.0 / (FROM_BOUT_TO_BOUT * RENDITION)).astype(np.float32)
_NONE, _HALF, _NEVER = np.float32(0.0), np.float32(0.5), np.float32(-np.inf)


def looks_of(notes: Rows, features: Rows) -> Floats:
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
    middle = 0.5 * np.log2(np.maximum(notes["low_hz"], 1.0) * np.maximum(notes["high_hz"], 1.0))
    looks[:, WHERE] = np.where(np.isnan(looks[:, PLACE]), middle, looks[:, PLACE])
    looks[:, CELL:IN_BAND], looks[:, IN_BAND:] = _cells(notes, features)
    return looks


def _cells(notes: Rows, features: Rows) -> tuple[Floats, Floats]:
    """The cells of each note's spectrogram, nan where it has none, and which lie in its band."""
    level_db = features["spectrogram_db"].astype(np.float64)
    edges_hz = np.geomspace(BANDS_FROM_HZ, BANDS_TO_HZ, BANDS + 1)
    low, high = notes["low_hz"][:, None], notes["high_hz"][:, None]
    own = (edges_hz[1:] > low / _BAND_ROOM) & (edges_hz[:-1] < high * _BAND_ROOM)
    own[~own.any(axis=1)] = True
    flags = np.repeat(own[:, None, :], PARTS, axis=1).astype(np.float64)
    top_db = np.where(flags > 0, level_db, -np.inf).max(axis=(1, 2))[:, None, None]
    cells = np.clip(RANGE_DB + level_db - top_db, 0.0, LOUDEST_DB)
    cells[level_db[:, 0, 0] == 0.0] = np.nan
    shape = (len(notes), CELLS)
    return cells.reshape(shape), flags.reshape(shape)


def _energy(notes: Rows, named: dict[str, Floats]) -> tuple[Floats, Floats]:
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


@noalloc
def ln_likeness(i: int, looks: Floats32, like: Floats32, timbre: Floats32) -> None:
    """How alike note `i` and each before it are, as ln; and how alike but for their pitch.

    By all looks but their spectrograms; -inf where one is no rendition of the other. `looks` has a
    column a look, `like` and `timbre` a number a note.
    """
    for j in range(i):
        timbre[j] = 0.0
    for k in range(COMPARED):
        if k != PLACE and k != START and k != END:
            _stray(looks[i, k], looks[:i, k], _PER_STRAY[k], timbre)
    for j in range(i):
        like[j] = timbre[j]
    for k in (PLACE, START, END):
        _stray(looks[i, k], looks[:i, k], _PER_STRAY[k], like)
    _cut_off(like[:i])
    _cut_off(timbre[:i])


@noalloc
def _stray(own: np.float32, others: Floats32, per_stray: np.float32, nats: Floats32) -> None:
    """Take off nats against a rendition: loops without branches, so vectorised."""
    if math.isnan(own):
        for j in range(len(others)):
            nats[j] -= _ONE_UNKNOWN if others[j] == others[j] else _NONE
        return
    for j in range(len(others)):
        gap = (own - others[j]) * per_stray
        half = _HALF * gap * gap
        less = half if half < _STRAY else _STRAY
        nats[j] -= less if gap == gap else _ONE_UNKNOWN


@noalloc
def _cut_off(nats: Floats32) -> None:
    for j in range(len(nats)):
        nats[j] = nats[j] if nats[j] > -_UNLIKE else _NEVER

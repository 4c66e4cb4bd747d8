"""How alike two sounds are, by their partials and pitches.

Each sound's partials become a spectrum on a scale of cents, every partial as
wide as a small mistuning (25 cents) and as high as its level above -40 dB; two
spectra are compared by their cosine. The result is as good as the partials in the
palette, which a strike test measures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from callresp.palette.model import Striker

WIDTH_CENTS = 25.0
FLOOR_DB = -40.0
STEP_CENTS = 10.0
# Closer pitches than this sound the same to most ears, outdoors. Common practice, no source.
SAME_PITCH_CENTS = 35.0
# Sounds without pitch that are more alike than this are hard to tell apart. Common practice,
# no source.
SAME_SOUND = 0.85


@dataclass(frozen=True, slots=True)
class StruckSound:
    """A sound as its partials (frequency in hertz, level in dB) and its pitch, if it has one."""

    name: str
    pitch_hz: float | None
    partials: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class SoundPair:
    """Two sounds: 0 (nothing shared) to 1 (the same), and the interval between their pitches."""

    one: str
    other: str
    alike: float
    cents: float | None
    too_alike: bool


def sound_of(striker: Striker) -> StruckSound:
    """A striker's sound as its palette tells it."""
    partials = tuple((p.ratio * striker.reference_hz, p.level_db) for p in striker.partials)
    return StruckSound(striker.name, striker.pitch_hz, partials)


def spectrum(sound: StruckSound) -> npt.NDArray[np.float64]:
    """Partials of a sound on a grid of cents above 20 Hz."""
    grid = np.arange(0, 13500, STEP_CENTS)
    total = np.zeros(len(grid))
    for hz, level_db in sound.partials:
        height = max(level_db - FLOOR_DB, 0.0)
        at_cents = 1200 * math.log2(hz / 20.0)
        total += height * np.exp(-0.5 * ((grid - at_cents) / WIDTH_CENTS) ** 2)
    return total


def compare(sounds: Sequence[StruckSound]) -> tuple[SoundPair, ...]:
    """Every pair of sounds, most alike first."""
    spectra = [spectrum(sound) for sound in sounds]
    found = []
    for one, other in combinations(range(len(sounds)), 2):
        size = float(np.linalg.norm(spectra[one]) * np.linalg.norm(spectra[other]))
        alike = float(spectra[one] @ spectra[other]) / size if size > 0 else 0.0
        found.append(_pair(sounds[one], sounds[other], alike))
    return tuple(sorted(found, key=lambda pair: (not pair.too_alike, -pair.alike)))


def _pair(one: StruckSound, other: StruckSound, alike: float) -> SoundPair:
    cents = None
    if one.pitch_hz is not None and other.pitch_hz is not None:
        cents = 1200 * math.log2(other.pitch_hz / one.pitch_hz)
        same = abs(cents) < SAME_PITCH_CENTS
    else:
        # A sound with pitch and one without are never confused.
        same = alike > SAME_SOUND and one.pitch_hz is None and other.pitch_hz is None
    rounded = None if cents is None else round(cents, 1)
    return SoundPair(one.name, other.name, round(alike, 3), rounded, same)


def pairs_of(strikers: Sequence[Striker]) -> tuple[SoundPair, ...]:
    """Every pair of a palette's strikers, those too alike first."""
    return compare([sound_of(striker) for striker in strikers])

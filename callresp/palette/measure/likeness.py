"""How alike two strikers sound, and whether they can carry different pitches.

Each striker's partials become a spectrum on a scale of cents, every partial as
wide as a small mistuning (25 cents) and as high as its level above -40 dB; two
spectra are compared by the cosine between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import numpy.typing as npt

from callresp.palette.measure.results import Likeness, StrikerMeasured

WIDTH_CENTS = 25.0
FLOOR_DB = -40.0
STEP_CENTS = 10.0
# Two pitches closer than this are one to most ears, out of doors. Common practice, no source.
SAME_PITCH_CENTS = 35.0


def spectrum(striker: StrikerMeasured) -> npt.NDArray[np.float64]:
    """Partials of a striker on a grid of cents above 20 Hz."""
    grid = np.arange(0, 12000, STEP_CENTS)
    total = np.zeros(len(grid))
    for partial in striker.partials:
        height = max(partial.level_db - FLOOR_DB, 0.0)
        at = 1200 * np.log2(partial.hz.value / 20.0)
        total += height * np.exp(-0.5 * ((grid - at) / WIDTH_CENTS) ** 2)
    return total


def compare(strikers: Sequence[StrikerMeasured]) -> tuple[Likeness, ...]:
    """Every pair of strikers, most alike first."""
    spectra = [spectrum(s) for s in strikers]
    found = []
    for one, other in combinations(range(len(strikers)), 2):
        a, b = spectra[one], spectra[other]
        size = float(np.linalg.norm(a) * np.linalg.norm(b))
        alike = float(a @ b) / size if size > 0 else 0.0
        cents = None
        first, second = strikers[one].pitch_hz, strikers[other].pitch_hz
        if first is not None and second is not None:
            cents = float(1200 * np.log2(second.value / first.value))
        same = abs(cents) < SAME_PITCH_CENTS if cents is not None else alike > 0.85
        if (first is None) != (second is None):
            same = False
        found.append(
            Likeness(
                one=strikers[one].name,
                other=strikers[other].name,
                alike=round(alike, 3),
                cents=None if cents is None else round(cents, 1),
                too_alike=same,
            )
        )
    return tuple(sorted(found, key=lambda pair: -pair.alike))

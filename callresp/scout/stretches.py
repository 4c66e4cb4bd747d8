"""Chunks of a recording's frames, each with what lies around it and the noise of its place."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from callresp.scout.spectra import (
    BANDS,
    FRAMES_PER_S,
    Grid,
    NoiseModel,
    analysis,
    noise_model,
    powers_of,
)

Values = npt.NDArray[np.float64]

# Learning a noise takes some seconds: a rest that is shorter is judged by the noise before it.
LEARN = 20 * FRAMES_PER_S


@dataclass(frozen=True)
class Stretch:
    """Band powers ``(frames, BANDS)``: those from `first` to `last` are judged, others around."""

    powers: Grid
    first: int
    last: int
    noise: NoiseModel

    @cached_property
    def above(self) -> Grid:
        """How far its frames stand above the noise, in spreads of it: ``(frames, BANDS)``."""
        return self.noise.above(self.powers)


def whole(samples: Grid, rate_hz: int) -> Stretch:
    """Some seconds of sound ``(n,)``, all of them judged."""
    (powers,) = powers_of([samples], rate_hz, len(samples))
    return Stretch(powers, 0, len(powers), noise_model(powers, analysis(rate_hz).degrees))


def stretches(
    powers: Iterable[Grid], degrees: Values, around: int
) -> Iterator[tuple[int, Stretch]]:
    """Chunks of frames with what lies around them, each with the number of its first frame.

    Parameters
    ----------
    powers
        Band powers ``(n, BANDS)``, chunk by chunk.
    degrees
        Of freedom of the noise in each band, over two, ``(BANDS,)``.
    around
        Frames that are wanted before and after each chunk.
    """
    before = np.zeros((0, BANDS), np.float32)
    waiting = np.zeros((0, BANDS), np.float32)
    noise: NoiseModel | None = None
    at = 0
    for following in itertools.chain(powers, [before]):
        if len(waiting):
            if noise is None or len(waiting) >= LEARN:
                noise = noise_model(waiting, degrees)
            joined = np.concatenate([before, waiting, following[:around]])
            yield at, Stretch(joined, len(before), len(before) + len(waiting), noise)
            at += len(waiting)
            before = np.concatenate([before, waiting])[-around:]
        waiting = following

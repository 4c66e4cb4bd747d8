"""What is true of a scene, as notes of a heard score, in order of onset.

Truth is made note by note, beside the sound, so that it can go to a file of
any length.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator

import msgspec
import numpy as np

from callresp.io.score import HeardHeader, Note
from callresp.scene.recipe import Recipe

# Onsets may come out of order by what an attack takes; no attack takes longer.
_HOLD_S = 0.5


def header(recipe: Recipe, rate_hz: int) -> HeardHeader:
    """The header of a scene's truth."""
    return HeardHeader(
        recording=f"{recipe.name}.wav",
        start=recipe.start,
        duration_s=recipe.seconds,
        sample_rate_hz=rate_hz,
        detector="truth",
        profile=f"{recipe.name}, seed {recipe.seed}, for {recipe.use}",
    )


def ordered(notes: Iterable[Note]) -> Iterator[Note]:
    """Notes that come nearly in order, put in order of onset and numbered from 0."""
    waiting: list[tuple[float, int, Note]] = []
    number = 0
    for count, note in enumerate(notes):
        while waiting and waiting[0][0] < note.onset_s - _HOLD_S:
            yield msgspec.structs.replace(heapq.heappop(waiting)[2], id=number)
            number += 1
        heapq.heappush(waiting, (note.onset_s, count, note))
    while waiting:
        yield msgspec.structs.replace(heapq.heappop(waiting)[2], id=number)
        number += 1


def median_hz(track: tuple[tuple[float, float], ...]) -> float | None:
    """Median of a pitch track; `None` for an empty one."""
    return round(float(np.median([hz for _, hz in track])), 3) if track else None

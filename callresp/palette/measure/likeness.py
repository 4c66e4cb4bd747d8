"""How alike two measured strikers sound: `callresp.palette.likeness` on what was measured."""

from __future__ import annotations

from collections.abc import Sequence

from callresp.palette import likeness
from callresp.palette.measure.results import Likeness, StrikerMeasured


def compare(strikers: Sequence[StrikerMeasured]) -> tuple[Likeness, ...]:
    """Every pair of strikers, most alike first."""
    pairs = likeness.compare([_sound(striker) for striker in strikers])
    found = [
        Likeness(
            one=pair.one,
            other=pair.other,
            alike=pair.alike,
            cents=pair.cents,
            too_alike=pair.too_alike,
        )
        for pair in pairs
    ]
    return tuple(sorted(found, key=lambda pair: -pair.alike))


def _sound(striker: StrikerMeasured) -> likeness.Sound:
    pitch_hz = None if striker.pitch_hz is None else striker.pitch_hz.value
    partials = tuple((partial.hz.value, partial.level_db) for partial in striker.partials)
    return likeness.Sound(striker.name, pitch_hz, partials)

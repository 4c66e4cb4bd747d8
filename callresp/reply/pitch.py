"""Which striker for which pitch.

Mappings
--------
nearest : the striker whose strike pitch lies closest, in cents.
folded  : moved by octaves into the strikers' range first, then nearest.
rank    : lowest heard to lowest striker, highest to highest, in equal steps
          of the phrase's own range.
contour : starts at the nearest, then steps up and down as the phrase does, a
          striker for each step of up to `STEP_CENTS`.
fitted  : transposed, folded or ranked, whichever keeps most of this phrase's
          contour (see `callresp.reply.fit`).
table   : the user's own table of ranges; what no row holds is left out.

Cents are 1200 times the base-2 logarithm of a frequency ratio (Ellis 1885).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from callresp.palette.model import Striker
from callresp.reply.rules import Pitched, PitchMapping

STEP_CENTS = 250.0


def cents(of_hz: float, to_hz: float) -> float:
    """Interval from one frequency to another in cents.

    Examples
    --------
    >>> round(cents(440.0, 660.0), 3)
    701.955
    """
    return 1200 * math.log2(to_hz / of_hz)


def folded(pitch_hz: float, low_hz: float, high_hz: float) -> float:
    """`pitch_hz` moved by octaves to where it lies nearest a range."""
    middle = math.sqrt(low_hz * high_hz)
    octaves = round(math.log2(middle / pitch_hz))
    candidates = [pitch_hz * 2.0 ** (octaves + step) for step in (-1, 0, 1)]

    def outside(hz: float) -> tuple[float, float]:
        below, above = cents(hz, low_hz), cents(high_hz, hz)
        return max(below, above, 0.0), abs(cents(middle, hz))

    return min(candidates, key=outside)


def choose(
    pitches_hz: Sequence[float | None],
    strikers: Sequence[Striker],
    mapping: PitchMapping,
    worked: Mapping[str, int] | None = None,
    spread_cents: float = 0.0,
) -> list[Striker | None]:
    """A striker for each pitch; `None` for what has none, or where there are none.

    Parameters
    ----------
    pitches_hz
        Pitches of a phrase in order of time.
    strikers
        Those with a strike pitch are used.
    mapping
        Any but "table" and "fitted", which need more than pitches.
    worked
        Strokes of each striker so far.
    spread_cents
        Among strikers this near the best one, the least worked is taken.
    """
    scale = sorted((s for s in strikers if s.pitch_hz is not None), key=_pitch)
    if not scale:
        return [None] * len(pitches_hz)
    if mapping == "rank":
        return _by_rank(pitches_hz, scale)
    if mapping == "contour":
        return _by_contour(pitches_hz, scale)
    found: list[Striker | None] = []
    for pitch in pitches_hz:
        if pitch is not None and mapping == "folded":
            pitch = folded(pitch, _pitch(scale[0]), _pitch(scale[-1]))
        found.append(None if pitch is None else _spread(pitch, scale, worked or {}, spread_cents))
    return found


def _spread(
    pitch_hz: float, scale: Sequence[Striker], worked: Mapping[str, int], spread_cents: float
) -> Striker:
    """The nearest striker, or the least worked of those about as near."""
    off = [abs(cents(_pitch(striker), pitch_hz)) for striker in scale]
    near = [n for n in range(len(scale)) if off[n] <= min(off) + spread_cents]
    return scale[min(near, key=lambda n: (worked.get(scale[n].name, 0), off[n]))]


def by_table(
    pitches_hz: Sequence[float | None], strikers: Sequence[Striker], table: Sequence[Pitched]
) -> list[Striker | None]:
    """The striker of the first row that holds each pitch; `None` where none does."""
    named = {striker.name: striker for striker in strikers}
    found: list[Striker | None] = []
    for pitch in pitches_hz:
        rows = [row for row in table if pitch is not None and row.from_hz <= pitch <= row.to_hz]
        found.append(named.get(rows[0].striker) if rows else None)
    return found


def _pitch(striker: Striker) -> float:
    return striker.pitch_hz or 0.0


def _nearest(pitch_hz: float, scale: Sequence[Striker]) -> int:
    return min(range(len(scale)), key=lambda n: abs(cents(_pitch(scale[n]), pitch_hz)))


def _by_rank(pitches_hz: Sequence[float | None], scale: Sequence[Striker]) -> list[Striker | None]:
    logs = [math.log2(pitch) for pitch in pitches_hz if pitch is not None]
    if not logs:
        return [None] * len(pitches_hz)
    low, span = min(logs), max(logs) - min(logs)
    if span < 50 / 1200:
        # A phrase on one pitch has no ranks: it goes where the pitch is nearest.
        return choose(pitches_hz, scale, "folded")
    top = len(scale) - 1
    return [
        None if pitch is None else scale[round((math.log2(pitch) - low) / span * top)]
        for pitch in pitches_hz
    ]


def _by_contour(
    pitches_hz: Sequence[float | None], scale: Sequence[Striker]
) -> list[Striker | None]:
    found: list[Striker | None] = []
    last_hz, place = 0.0, 0
    for pitch in pitches_hz:
        if pitch is None:
            found.append(None)
            continue
        if last_hz == 0.0:
            place = _nearest(folded(pitch, _pitch(scale[0]), _pitch(scale[-1])), scale)
        else:
            moved = cents(last_hz, pitch)
            steps = math.copysign(math.ceil(abs(moved) / STEP_CENTS), moved)
            place += int(steps) if abs(moved) > 30 else 0
            place = min(max(place, 0), len(scale) - 1)
        last_hz = pitch
        found.append(scale[place])
    return found

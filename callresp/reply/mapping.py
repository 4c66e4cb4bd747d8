"""Which striker for which pitch.

Mappings
--------
nearest : the striker whose strike pitch lies closest, in cents.
folded  : moved by octaves into the strikers' range first, then nearest.
rank    : lowest heard to lowest striker, highest to highest, in equal steps
          of the phrase's own range.
contour : starts at the nearest, then steps up and down as the phrase does: one
          striker for a step of up to two times `STEP_CENTS`, one more for each
          doubling, up to half of the strikers. A line that is still wider than
          they are is drawn together, so that leaps of octaves don't all end on
          the outer two.
fitted  : transposed, folded or ranked, whichever keeps most of this phrase's
          contour.
table   : the user's own table of ranges; what no row holds is left out.

How good a mapping is
---------------------
``fit = 0.6 contour + 0.25 distinct + 0.15 near``: contour is the contour
similarity (CSIM) of the heard line and the struck one; distinct the share of
different heard pitches (a semitone or more apart) that got different strikers;
near is 1 for strikers on pitch (octaves apart count as on pitch), 0 for a
quarter octave off or more. The weights are our choice: what a listener misses
first is the shape of a call. `fits` tries every mapping and transposition.

Sources
-------
- A. J. Ellis (1885): cents, 1200 times the base-2 logarithm of a frequency ratio.
- R. D. Morris, Composition with Pitch-Classes (1987): the comparison (COM)
  matrix of a contour holds the sign of every pair's interval.
- E. W. Marvin and P. A. Laprade, "Relating Musical Contours", Journal of Music
  Theory 31(2), 1987: CSIM of two contours of equal length is the share of
  entries above the diagonal of their COM matrices that agree.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from callresp.io.score import Phrase
from callresp.palette.model import Striker
from callresp.reply.rules import Pitched, PitchMapping

STEP_CENTS = 250.0
# A step of less than this is heard as the same pitch when contours are compared.
LEVEL_CENTS = 30.0


def cents(of_hz: float, to_hz: float) -> float:
    """Interval from one frequency to another in cents.

    Examples
    --------
    >>> round(cents(440.0, 660.0), 3)
    701.955
    """
    return 1200 * math.log2(to_hz / of_hz)


def sign(before_hz: float, after_hz: float) -> int:
    """1 up, -1 down, 0 level."""
    moved = cents(before_hz, after_hz)
    return 0 if abs(moved) < LEVEL_CENTS else (1 if moved > 0 else -1)


def csim(first_hz: Sequence[float], second_hz: Sequence[float]) -> float:
    """Marvin and Laprade's contour similarity of two lines of equal length, 0 to 1.

    Lines of fewer than two notes have no contour and count as alike.

    Raises
    ------
    ValueError
        When the lengths differ.
    """
    if len(first_hz) != len(second_hz):
        raise ValueError("contours of unequal length")
    count = len(first_hz)
    if count < 2:
        return 1.0
    agree = sum(
        sign(first_hz[i], first_hz[j]) == sign(second_hz[i], second_hz[j])
        for i in range(count)
        for j in range(i + 1, count)
    )
    return agree / (count * (count - 1) / 2)


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
    line = [pitch for pitch in pitches_hz if pitch is not None]
    if not line:
        return [None] * len(pitches_hz)
    path, top = [0], len(scale) - 1
    for before, after in pairwise(line):
        path.append(path[-1] + _steps(cents(before, after), max(top // 2, 1)))
    low, span = min(path), max(path) - min(path)
    if span > top:
        places = [round((at - low) / span * top) for at in path]
    else:
        begin_hz = folded(line[0], _pitch(scale[0]), _pitch(scale[-1]))
        first = min(range(len(scale)), key=lambda n: abs(cents(_pitch(scale[n]), begin_hz)))
        # Where the line would leave the strikers it is moved as a whole.
        at_lowest = min(max(first + low, 0), top - span)
        places = [at - low + at_lowest for at in path]
    chosen = iter(places)
    return [None if pitch is None else scale[next(chosen)] for pitch in pitches_hz]


def _steps(moved_cents: float, most: int) -> int:
    """How many strikers further a step of pitch goes, down below 0."""
    if abs(moved_cents) < LEVEL_CENTS:
        return 0
    steps = 1 + int(math.log2(max(abs(moved_cents) / STEP_CENTS, 1.0)))
    return int(math.copysign(min(steps, most), moved_cents))


MAPPINGS: tuple[PitchMapping, ...] = ("nearest", "folded", "rank", "contour")
TRANSPOSITIONS = tuple(range(-600, 601, 100))
FAR_CENTS = 300.0


@dataclass(frozen=True, slots=True)
class Fit:
    """A mapping with its score; all shares are 0 to 1."""

    mapping: PitchMapping
    transpose_cents: float
    fit: float
    contour: float
    distinct: float
    near: float
    strikers: int


def line_fit(heard_hz: Sequence[float], struck: Sequence[Striker]) -> tuple[float, float, float]:
    """Contour, distinct and near of a struck line against the heard one."""
    struck_hz = [striker.pitch_hz or 0.0 for striker in struck]
    contour = csim(heard_hz, struck_hz)
    pairs = [
        (i, j)
        for i in range(len(heard_hz))
        for j in range(i + 1, len(heard_hz))
        if abs(cents(heard_hz[i], heard_hz[j])) >= 100
    ]
    apart = sum(struck[i].name != struck[j].name for i, j in pairs)
    distinct = apart / len(pairs) if pairs else 1.0
    off = [octave_off_cents(a, b) for a, b in zip(heard_hz, struck_hz, strict=True)]
    near = sum(max(0.0, 1 - abs(cents_off) / FAR_CENTS) for cents_off in off) / max(len(off), 1)
    return contour, distinct, near


def lines_fit(
    lines: Sequence[tuple[Sequence[float], Sequence[Striker]]],
) -> tuple[float, float, float]:
    """As `line_fit` over heard lines and the struck ones, each weighed by its notes."""
    totals, notes = [0.0, 0.0, 0.0], 0
    for heard_hz, struck in lines:
        for number, share in enumerate(line_fit(heard_hz, struck)):
            totals[number] += share * len(heard_hz)
        notes += len(heard_hz)
    contour, distinct, near = (total / max(notes, 1) for total in totals)
    return contour, distinct, near


def fit_of(shares: tuple[float, float, float]) -> float:
    """How good a mapping is, 0 to 1, by its contour, distinct and near; see the module."""
    contour, distinct, near = shares
    return 0.6 * contour + 0.25 * distinct + 0.15 * near


def octave_off_cents(heard_hz: float, struck_hz: float) -> float:
    """How far a strike pitch is off the heard one, octaves aside: -600 to 600."""
    return (cents(heard_hz, struck_hz) + 600) % 1200 - 600


def fits(phrases: Iterable[Phrase], strikers: Sequence[Striker]) -> list[Fit]:
    """Every mapping and transposition, best first; notes without pitch are left out."""
    lines = [
        [note.pitch_hz for note in phrase.notes if note.pitch_hz is not None] for phrase in phrases
    ]
    lines = [line for line in lines if line]
    able = [striker for striker in strikers if striker.pitch_hz is not None]
    if not lines or not able:
        return []
    found = [
        _fit(lines, able, mapping, transposed)
        for mapping in MAPPINGS
        # Rank asks only for order, which no transposition changes.
        for transposed in ((0.0,) if mapping == "rank" else TRANSPOSITIONS)
    ]
    return sorted(found, key=lambda one: (-one.fit, abs(one.transpose_cents)))


def _fit(
    lines: Sequence[Sequence[float]],
    strikers: Sequence[Striker],
    mapping: PitchMapping,
    transpose_cents: float,
) -> Fit:
    moved = 2 ** (transpose_cents / 1200)
    struck = [
        (line, [s for s in choose([hz * moved for hz in line], strikers, mapping) if s])
        for line in lines
    ]
    shares = contour, distinct, near = lines_fit(struck)
    return Fit(
        mapping=mapping,
        transpose_cents=transpose_cents,
        fit=fit_of(shares),
        contour=contour,
        distinct=distinct,
        near=near,
        strikers=len({striker.name for _, own in struck for striker in own}),
    )


def fitted(pitches_hz: Sequence[float | None], strikers: Sequence[Striker]) -> list[Striker | None]:
    """The strikers of the mapping that keeps most of one line, without transposing it."""
    line = [pitch for pitch in pitches_hz if pitch is not None]
    able = [striker for striker in strikers if striker.pitch_hz is not None]
    if not line or not able:
        return [None] * len(pitches_hz)
    best = max((_fit([line], able, mapping, 0.0) for mapping in MAPPINGS), key=lambda f: f.fit)
    return choose(pitches_hz, able, best.mapping)

"""How alike two lines are: contour relations, and edit distance of phrases.

Sources
-------
- R. D. Morris, Composition with Pitch-Classes (1987): the comparison (COM)
  matrix of a contour holds the sign of every pair's interval.
- E. W. Marvin and P. A. Laprade, "Relating Musical Contours", Journal of Music
  Theory 31(2), 1987: CSIM of two contours of equal length is the share of
  entries above the diagonal of their COM matrices that agree.
- V. I. Levenshtein (1966), R. A. Wagner and M. J. Fischer (1974): edit distance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from callresp.io.score import Phrase

# A step of less than this is heard as the same pitch when contours are compared.
LEVEL_CENTS = 30.0


def sign(before_hz: float, after_hz: float, level_cents: float = LEVEL_CENTS) -> int:
    """1 up, -1 down, 0 level."""
    moved = 1200 * math.log2(after_hz / before_hz)
    return 0 if abs(moved) < level_cents else (1 if moved > 0 else -1)


def com_matrix(pitches_hz: Sequence[float], level_cents: float = LEVEL_CENTS) -> list[list[int]]:
    """Morris's comparison matrix: entry (i, j) is the sign of the interval from i to j.

    Examples
    --------
    >>> com_matrix([100.0, 300.0, 200.0])
    [[0, 1, 1], [-1, 0, -1], [-1, 1, 0]]
    """
    return [[sign(a, b, level_cents) for b in pitches_hz] for a in pitches_hz]


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


def edit_distance(first: Sequence[object], second: Sequence[object]) -> int:
    """Least number of insertions, deletions and substitutions (Levenshtein 1966).

    Examples
    --------
    >>> edit_distance("kitten", "sitting")
    3
    """
    row = list(range(len(second) + 1))
    for number, left in enumerate(first, start=1):
        before, row[0] = row[0], number
        for place, right in enumerate(second, start=1):
            before, row[place] = (
                row[place],
                min(row[place] + 1, row[place - 1] + 1, before + (left != right)),
            )
    return row[-1]


Signature = tuple[tuple[int, int], ...]


def signature(phrase: Phrase) -> Signature:
    """A phrase as steps of pitch (in semitones) and of time (in fifths of an octave of tempo).

    Rough enough that two renditions of one song agree, fine enough that two
    songs don't.
    """
    steps = []
    last_hz: float | None = None
    last_s = phrase.onset_s
    for note in phrase.notes:
        moved = 0
        if note.pitch_hz is not None and last_hz is not None:
            moved = round(12 * math.log2(note.pitch_hz / last_hz))
        gap = round(5 * math.log2(max(note.onset_s - last_s, 0.02) / 0.02) / 5)
        steps.append((moved, gap))
        last_hz, last_s = note.pitch_hz or last_hz, note.onset_s
    return tuple(steps)


def difference(first: Signature, second: Signature, limit: float = 1.0) -> float:
    """Edit distance of two signatures over the longer's length: 0 the same, 1 nothing alike.

    Steps that differ by a semitone, or by one class of time, count as the same.
    Above `limit` any number above it may come back: most phrases differ in
    length alone by more than is asked for.
    """
    longer = max(len(first), len(second))
    if longer == 0:
        return 0.0
    if abs(len(first) - len(second)) > limit * longer:
        return 1.0
    row = list(range(len(second) + 1))
    for number, (pitch, gap) in enumerate(first, start=1):
        before, row[0] = row[0], number
        least = number
        for place, (other_pitch, other_gap) in enumerate(second, start=1):
            cost = before
            if not (-1 <= pitch - other_pitch <= 1 and -1 <= gap - other_gap <= 1):
                cost += 1
            before = row[place]
            left = row[place - 1] + 1
            up = before + 1
            cost = left if left < cost else cost
            row[place] = up if up < cost else cost
            least = row[place] if row[place] < least else least
        if least > limit * longer:
            return 1.0
    return row[-1] / longer

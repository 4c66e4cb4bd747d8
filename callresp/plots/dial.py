"""A round score of a day: time around the circle, pitch outward; where marks of it lie.

Conventions
-----------
- The dial turns once in a day, or in less: the shortest turn that holds the
  session without overlapping itself. It is set by the clock: on a dial of 24
  hours noon is at the top and midnight at the foot, as the sun goes; on the
  others the turn begins at the top.
- Angles run clockwise from the top, in radians; radii are 0 to 1.
- Pitch runs outward on a logarithmic axis from `INNER` to 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.io.score import Phrase, ReplyNote
from callresp.palette.model import Palette

Points = npt.NDArray[np.float64]

INNER = 0.40
UNPITCHED = 0.365
# Hours of a turn: minutes between its labels.
LABELS_MIN = {1 / 12: 0.5, 0.25: 1.0, 1.0: 5.0, 3.0: 15.0, 6.0: 30.0, 12.0: 60.0, 24.0: 60.0}
TURNS_H = tuple(LABELS_MIN)


@dataclass(frozen=True, slots=True)
class Dial:
    """A dial that turns once in `turn_h` hours; `zero` is a moment at the top."""

    turn_h: float
    zero: datetime

    def angle(self, moment: datetime) -> float:
        """Radians clockwise from the top."""
        hours = (moment - self.zero).total_seconds() / 3600
        return 2 * math.pi * hours / self.turn_h

    def angles(self, start: datetime, times_s: npt.ArrayLike) -> Points:
        """The same for many moments, in seconds from `start`."""
        per_s = 2 * math.pi / (self.turn_h * 3600)
        return np.asarray(self.angle(start) + np.asarray(times_s, dtype=np.float64) * per_s)

    def hours(self) -> list[datetime]:
        """The moments to label: each hour, or less on a small dial."""
        step = timedelta(minutes=LABELS_MIN[self.turn_h])
        first = self.zero - timedelta(hours=12) if self.turn_h == 24.0 else self.zero
        return [first + step * i for i in range(round(self.turn_h * 3600 / step.total_seconds()))]


def dial_for(start: datetime, duration_s: float) -> Dial:
    """The shortest dial that holds a session.

    Examples
    --------
    >>> from datetime import datetime
    >>> dial_for(datetime(2026, 5, 12, 4, 15), 5 * 3600).turn_h
    6.0
    """
    if not duration_s > 0:
        raise UserError("a day without length", remedy="give one that lasted")
    if duration_s > 86400.0:
        raise UserError(
            f"{duration_s / 3600:.1f} h are more than a day", remedy="draw each day alone"
        )
    for turn_h in TURNS_H[:-1]:
        # A round time by the clock: a quarter of an hour or more, less on the smallest dials.
        zero = _floor(start, max(turn_h / 12, 0.25) if turn_h >= 1 else turn_h / 5)
        if (start - zero).total_seconds() + duration_s <= turn_h * 3600:
            return Dial(turn_h, zero)
    noon = start.replace(hour=12, minute=0, second=0, microsecond=0)
    return Dial(24.0, noon)


def _floor(moment: datetime, hours: float) -> datetime:
    midnight = moment.replace(hour=0, minute=0, second=0, microsecond=0)
    step = hours * 3600
    return midnight + timedelta(seconds=(moment - midnight).total_seconds() // step * step)


def radius(hz: npt.ArrayLike, low_hz: float, high_hz: float) -> Points:
    """Radius of a pitch; outside the axis it is kept at its ends."""
    share = np.log2(np.asarray(hz, dtype=np.float64) / low_hz) / math.log2(high_hz / low_hz)
    return np.asarray(INNER + (1 - INNER) * np.clip(share, 0.0, 1.0))


def xy(angles: npt.ArrayLike, radii: npt.ArrayLike) -> Points:
    """Places on the page, shape ``(n, 2)``."""
    turn, out = np.asarray(angles), np.asarray(radii)
    return np.stack(np.broadcast_arrays(out * np.sin(turn), out * np.cos(turn)), axis=-1)


@dataclass(frozen=True, slots=True)
class DialMarks:
    """Many marks at once: seconds from the start, pitch in Hz (nan: none), weight 0 to 1."""

    time_s: Points
    pitch_hz: Points
    weight: Points

    def __len__(self) -> int:
        return len(self.time_s)


def call_marks(calls: Sequence[Phrase]) -> DialMarks:
    """One mark a heard note, weighted by its level among the others."""
    notes = [note for phrase in calls for note in phrase.notes]
    levels = np.array([note.level_db for note in notes])
    quiet, loud = (np.quantile(levels, q) for q in (0.05, 0.95)) if notes else (0.0, 1.0)
    return DialMarks(
        np.array([note.onset_s for note in notes]),
        np.array([math.nan if note.pitch_hz is None else note.pitch_hz for note in notes]),
        np.clip((levels - quiet) / max(loud - quiet, 1.0), 0.0, 1.0),
    )


def answer_marks(answers: Sequence[ReplyNote], palette: Palette | None) -> DialMarks:
    """One mark a stroke, at its striker's pitch (else the pitch that was asked for)."""
    pitches = {item.name: item.pitch_hz for item in palette.striker} if palette else {}
    hz = [pitches.get(note.instrument, note.asked_hz) for note in answers]
    return DialMarks(
        np.array([note.onset_s for note in answers]),
        np.array([math.nan if value is None else value for value in hz]),
        np.array([note.force for note in answers]),
    )


def axis_of(*marks: DialMarks) -> tuple[float, float]:
    """Ends of the pitch axis: what nearly all marks lie within, on octaves of 125 Hz."""
    given = np.concatenate([one.pitch_hz for one in marks]) if marks else np.zeros(0)
    given = given[np.isfinite(given)]
    if len(given) == 0:
        return 500.0, 8000.0
    low, high = np.quantile(given, [0.002, 0.998])
    low_hz = 125 * 2.0 ** math.floor(math.log2(low / 125) + 1e-9)
    high_hz = 125 * 2.0 ** math.ceil(math.log2(high / 125) - 1e-9)
    return low_hz, max(high_hz, 2 * low_hz)


def counts_per_bin(marks: DialMarks, bin_s: float, duration_s: float) -> Points:
    """Marks in each bin of time."""
    bins = max(math.ceil(duration_s / bin_s), 1)
    found, _ = np.histogram(marks.time_s, bins=bins, range=(0.0, bins * bin_s))
    return found.astype(np.float64)

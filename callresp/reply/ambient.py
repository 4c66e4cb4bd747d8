"""How loud the place is, told from the notes themselves.

A heard note carries its level and how far it stands above the floor in its own
band; the difference is the floor: wind and water, at that moment, near that
pitch. The median over some seconds smooths what single notes get wrong.
"""

from __future__ import annotations

import statistics
from collections import deque

from callresp.io.score import Note

NOW_S = 15.0
HOUR_S = 3600.0


class AmbientLevel:
    """Follows the floor under the notes."""

    def __init__(self) -> None:
        self._now: deque[tuple[float, float]] = deque()
        self._minutes: deque[tuple[float, float]] = deque()

    def heard(self, note: Note) -> None:
        """Take note of a note, in order of onset; one without `snr_db` says nothing."""
        if note.snr_db <= 0:
            return
        self._now.append((note.onset_s, note.level_db - note.snr_db))
        while self._now[0][0] < note.onset_s - NOW_S:
            self._now.popleft()
        if not self._minutes or note.onset_s - self._minutes[-1][0] >= NOW_S:
            self._minutes.append((note.onset_s, self._floor_db()))
            while self._minutes[0][0] < note.onset_s - HOUR_S:
                self._minutes.popleft()

    def _floor_db(self) -> float:
        return statistics.median(level for _, level in self._now)

    def risen_db(self, at_s: float) -> float:
        """How far the floor stands above its quietest of the last hour; 0 while unknown."""
        if not self._now or self._now[-1][0] < at_s - NOW_S or not self._minutes:
            return 0.0
        return max(self._floor_db() - min(level for _, level in self._minutes), 0.0)

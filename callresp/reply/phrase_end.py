"""Whether a phrase has ended, told from a voice's own rests.

Offline a listener sees the rest after a phrase; live it must be guessed while
it lasts. A voice's phrase counts as ended when it has been silent for longer
than nearly all of its gaps between notes so far: `QUANTILE` of them, times a
margin, within stated bounds. Until a voice has shown some gaps, the upper bound
is used: better late than into a song.
"""

from __future__ import annotations

from collections import deque

LEAST_S = 0.18
MOST_S = 0.8
QUANTILE = 0.9
MARGIN = 1.6
KEPT = 48
ENOUGH = 5


class RestGuess:
    """Learns one voice's gaps and guesses the rest that closes its phrases."""

    def __init__(self) -> None:
        self._gaps: deque[float] = deque(maxlen=KEPT)
        self._last_offset_s: float | None = None

    def heard(self, onset_s: float, offset_s: float) -> None:
        """Take note of a note of this voice, in order of onset."""
        if self._last_offset_s is not None:
            gap_s = max(onset_s - self._last_offset_s, 0.0)
            if gap_s < MOST_S:
                self._gaps.append(gap_s)
        self._last_offset_s = max(self._last_offset_s or offset_s, offset_s)

    @property
    def rest_s(self) -> float:
        """Silence after which a phrase of this voice has most likely ended."""
        if len(self._gaps) < ENOUGH:
            return MOST_S
        ordered = sorted(self._gaps)
        typical_s = ordered[min(int(QUANTILE * len(ordered)), len(ordered) - 1)]
        return min(max(MARGIN * typical_s, LEAST_S), MOST_S)

    def ended(self, now_s: float) -> bool:
        """Whether the phrase has ended by now."""
        return self._last_offset_s is not None and now_s - self._last_offset_s >= self.rest_s

"""The last seconds of the sound that was heard, by the clock of the sound.

Conventions
-----------
Times are seconds. After a gap in the sound all before it is forgotten: a part is
whole, or there is none.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Wave = npt.NDArray[np.float32]


class RecentSound:
    """Keeps so many seconds of sound.

    Parameters
    ----------
    sample_rate_hz
    kept_s
        How much of it at least.

    Examples
    --------
    >>> sound = RecentSound(1000, 2.0)
    >>> sound.feed(np.arange(500, dtype=np.float32), at_s=10.0)
    >>> sound.part(10.1, 10.103)
    array([100., 101., 102.], dtype=float32)
    >>> sound.part(10.4, 10.6) is None
    True
    """

    def __init__(self, sample_rate_hz: int, kept_s: float) -> None:
        self.rate_hz = sample_rate_hz
        self.ends_s = 0.0
        self._most = round(kept_s * sample_rate_hz)
        # Twice as long as what is kept, so that it is seldom moved to the front.
        self._sound = np.zeros(2 * self._most, np.float32)
        self._first = self._after = 0

    def feed(self, samples: Wave, at_s: float) -> None:
        """Take the next block ``(n,)``, which begins at `at_s`."""
        if abs(at_s - self.ends_s) > 0.5 / self.rate_hz:
            self._first = self._after = 0
        self.ends_s = at_s + len(samples) / self.rate_hz
        samples = samples[-self._most :]
        if self._after + len(samples) > len(self._sound):
            kept = self._sound[max(self._after - self._most, self._first) : self._after]
            self._sound[: len(kept)] = kept
            self._first, self._after = 0, len(kept)
        self._sound[self._after : self._after + len(samples)] = samples
        self._after += len(samples)

    def part(self, from_s: float, until_s: float) -> Wave | None:
        """Samples ``(n,)`` between two times, not to keep; `None` where not all are known."""
        first = self._after + round((from_s - self.ends_s) * self.rate_hz)
        last = first + round((until_s - from_s) * self.rate_hz)
        if first < self._first or last > self._after:
            return None
        return self._sound[first:last]

    def known_part(self, from_s: float, until_s: float) -> Wave:
        """A copy of what is known of the sound between two times."""
        first = max(self._after + round((from_s - self.ends_s) * self.rate_hz), self._first)
        last = min(self._after + round((until_s - self.ends_s) * self.rate_hz), self._after)
        return self._sound[first : max(last, first)].copy()

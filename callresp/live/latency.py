"""How long each stage takes: running medians, in constant memory."""

from __future__ import annotations

import statistics
from collections import deque

KEPT = 300


class Latency:
    """Keeps the last few hundred times of each stage.

    Examples
    --------
    >>> latency = Latency()
    >>> for seconds in (0.01, 0.03, 0.02):
    ...     latency.add("note", seconds)
    >>> latency.medians_ms()
    {'note': 20.0}
    """

    def __init__(self) -> None:
        self._stages: dict[str, deque[float]] = {}

    def add(self, stage: str, seconds: float) -> None:
        """Take note of a time."""
        self._stages.setdefault(stage, deque(maxlen=KEPT)).append(seconds)

    def medians_ms(self) -> dict[str, float]:
        """Median of each stage in milliseconds."""
        return {
            stage: round(1000 * statistics.median(times), 3)
            for stage, times in self._stages.items()
        }

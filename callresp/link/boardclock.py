"""Where the board's clock stands: offset and drift from round trips.

Goal
----
Commands are stamped with board time, so a jittery line does not reach the
strikers; what matters is how well the host knows the board's clock.

Method
------
A round trip gives board time at the middle of its two host times, wrong by at
most half the trip. Short trips are nearly symmetric, so of each span of
`SPAN_S` only the shortest is kept (the clock filter of NTP, RFC 5905, section
10); through those goes a line by the median of pairwise slopes (Theil 1950,
Sen 1968), which one wild trip in four does not move.
"""

from __future__ import annotations

import statistics
from collections import deque
from dataclasses import dataclass

SPAN_S = 2.0
KEPT = 60
# Crystals are within 100 ppm; a slope beyond this is a fault of the line, not of a clock.
DRIFT_MAX = 500e-6
# Until the trips span this long, offset alone is fitted: drift would be a guess.
SETTLED_S = 10.0


@dataclass(frozen=True, slots=True)
class Trip:
    """A round trip: host time at its middle, board time, how long it took."""

    host_s: float
    board_s: float
    took_s: float


class BoardClock:
    """Learns `board = host + offset + drift * (host - origin)` from round trips."""

    def __init__(self) -> None:
        self._best: deque[Trip] = deque(maxlen=KEPT)
        self._line: tuple[float, float, float] | None = None

    @property
    def known(self) -> bool:
        """Whether there has been a round trip."""
        return bool(self._best)

    def learn(self, trip: Trip) -> None:
        """Take in a round trip."""
        if self._best and trip.host_s - self._span_start() < SPAN_S:
            if trip.took_s >= self._best[-1].took_s:
                return
            self._best[-1] = trip
        else:
            self._best.append(trip)
        self._line = None

    def _span_start(self) -> float:
        return self._best[-1].host_s // SPAN_S * SPAN_S

    def board_s(self, host_s: float) -> float:
        """Board time at a host time."""
        origin_s, offset_s, drift = self._fit()
        return host_s + offset_s + drift * (host_s - origin_s)

    def host_s(self, board_s: float) -> float:
        """Host time at a board time."""
        origin_s, offset_s, drift = self._fit()
        return origin_s + (board_s - origin_s - offset_s) / (1 + drift)

    @property
    def drift_ppm(self) -> float:
        """How much faster the board's clock runs than the host's."""
        return self._fit()[2] * 1e6

    def _fit(self) -> tuple[float, float, float]:
        if self._line is None:
            self._line = _line(list(self._best))
        return self._line


def _line(trips: list[Trip]) -> tuple[float, float, float]:
    """Origin, offset and drift through the better half of the trips."""
    if not trips:
        raise ValueError("the board's clock is not known yet")
    limit = sorted(trip.took_s for trip in trips)[len(trips) // 2]
    good = [trip for trip in trips if trip.took_s <= limit * 1.05 + 1e-4]
    origin_s = good[-1].host_s
    drift = 0.0
    if good[-1].host_s - good[0].host_s >= SETTLED_S:
        gaps = [trip.board_s - trip.host_s for trip in good]
        slopes = [
            (gaps[b] - gaps[a]) / (good[b].host_s - good[a].host_s)
            for a in range(len(good))
            for b in range(a + 1, len(good))
            if good[b].host_s - good[a].host_s >= SETTLED_S / 4
        ]
        drift = max(-DRIFT_MAX, min(DRIFT_MAX, statistics.median(slopes)))
    offset_s = statistics.median(
        trip.board_s - trip.host_s - drift * (trip.host_s - origin_s) for trip in good
    )
    return origin_s, offset_s, drift

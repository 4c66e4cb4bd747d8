"""Offset and drift of the board's clock, estimated from round trips.

Commands are stamped with board time, so that jitter on the line does not reach
the strikers; what matters is how well the host knows the board's clock.

Method
------
A round trip gives board time at the middle of its two host times, wrong by at
most half the trip. So short trips are worth much and long ones next to nothing:
of each span of `SPAN_S` the shortest is kept (the clock filter of NTP, RFC
5905, section 10), and through those goes a line by least squares, each weighed
by the inverse square of what it may err by: an error evenly spread over half a
trip either way has a standard deviation of its length over the root of 12. A
wild trip is a long one, and weighs little. That crystals are good is known
beforehand, and counts as one more observation: no drift, give or take
`DRIFT_SD`.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from callresp.link.messages import TICKS_PER_S, ticks_between, ticks_of

SPAN_S = 1.0
KEPT = 600
# Crystals are within 100 ppm; a slope beyond this is a fault of the line, not of a clock.
DRIFT_MAX = 200e-6
DRIFT_SD = 60e-6
# What a trip may err by even if it took no time: ticks, and the host's own delays.
TRIP_ERROR_S = 0.0003
OUTLIER_S = 0.02
OUTLIER_TRIPS = 4
TRIP_MAX_S = 2.0


@dataclass(frozen=True, slots=True)
class RoundTrip:
    """A round trip: host time at its middle, board time, how long it took."""

    host_s: float
    board_s: float
    took_s: float


class BoardClock:
    """Learns `board = host + offset + drift * (host - origin)` from round trips.

    Attributes
    ----------
    steps : int
        How often one of the clocks has jumped.
    """

    def __init__(self) -> None:
        self._best: deque[RoundTrip] = deque(maxlen=KEPT)
        self._line: tuple[float, float, float] | None = None
        self._outliers = 0
        self.steps = 0

    @property
    def known(self) -> bool:
        """Whether there has been a round trip."""
        return bool(self._best)

    def learn(self, trip: RoundTrip) -> None:
        """Take in a round trip.

        A few trips on end that the clock can't explain mean that one of the
        clocks has stepped, as a host's does when it was asleep: learn anew.
        """
        if self._best:
            off_s = abs(self.board_s(trip.host_s) - trip.board_s)
            strange = off_s > trip.took_s / 2 + OUTLIER_S
            self._outliers = self._outliers + 1 if strange else 0
            if self._outliers >= OUTLIER_TRIPS:
                self._best.clear()
                self.steps += 1
                self._outliers = 0
        if self._best and trip.host_s - self._span_start() < SPAN_S:
            if trip.took_s >= self._best[-1].took_s:
                return
            self._best[-1] = trip
        else:
            self._best.append(trip)
        self._line = None

    def learn_reply(self, host_ticks: int, board_ticks: int, now_s: float) -> bool:
        """Learn from the board's answer to a question stamped `host_ticks`, heard now.

        Returns
        -------
        bool
            False where the answer is too old to mean anything.
        """
        took_s = ticks_between(host_ticks, ticks_of(now_s)) / TICKS_PER_S
        if not 0 <= took_s < TRIP_MAX_S:
            return False
        middle_s = now_s - took_s / 2
        # Ticks wrap: the nearest time to what the clock already says is meant.
        near_s = self.board_s(middle_s) if self.known else 0.0
        board_s = near_s + ticks_between(ticks_of(near_s), board_ticks) / TICKS_PER_S
        self.learn(RoundTrip(middle_s, board_s, took_s))
        return True

    def host_s_of(self, board_ticks: int, near_host_s: float) -> float:
        """Host time of a stamp of the board's, of the turns of its ticks the one nearest."""
        near_s = self.board_s(near_host_s)
        return self.host_s(near_s + ticks_between(ticks_of(near_s), board_ticks) / TICKS_PER_S)

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


def _line(trips: list[RoundTrip]) -> tuple[float, float, float]:
    """Origin, offset and drift by weighted least squares through the trips."""
    if not trips:
        raise ValueError("the board's clock is not known yet")
    weights = [12 / (trip.took_s + TRIP_ERROR_S) ** 2 for trip in trips]
    total = sum(weights)
    origin_s = sum(w * trip.host_s for w, trip in zip(weights, trips, strict=True)) / total
    gaps = [trip.board_s - trip.host_s for trip in trips]
    offset_s = sum(w * gap for w, gap in zip(weights, gaps, strict=True)) / total
    spread = along = 0.0
    for weight, trip, gap in zip(weights, trips, gaps, strict=True):
        away_s = trip.host_s - origin_s
        spread += weight * away_s**2
        along += weight * away_s * (gap - offset_s)
    drift = along / (spread + 1 / DRIFT_SD**2)
    return origin_s, offset_s, max(-DRIFT_MAX, min(DRIFT_MAX, drift))

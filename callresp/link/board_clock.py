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
wild trip is a long one, and weighs little. What the shortest trip takes is the
line's own (the latency timer of a serial adapter, say) and the same each time: of a
crystal's clock a trip errs by what it takes beyond that, or a share of it, since
the shortest yet is not the shortest there is. That crystals are good is known
beforehand, and counts as one more observation: no drift, give or take
`DRIFT_SD`.

A ceramic resonator is no crystal: where the trips say that the clock is off by
more than `CRYSTAL` beyond doubt, that observation counts for little, and only the
last `POOR_S` count, since such a clock wanders. Up to `DRIFT_MAX` it is followed.
A busy host delays all answers of a while alike, which a line takes for drift: so a
clock is beyond that only if none within it lies within what each trip may err by.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from itertools import combinations
from typing import NamedTuple

from callresp.link.messages import TICKS_PER_S, ticks_between, ticks_of

SPAN_S = 1.0
KEPT = 600
# At first spans are short, so that a poor clock is soon known for one.
FIRST_SPAN_S = 0.1
FIRST_S = 3.0
# Crystals are within 100 ppm, host's and board's, and ceramic resonators within 5,000 ppm
# (common practice, no source).
CRYSTAL = 200e-6
DRIFT_SD = 60e-6
DRIFT_MAX = 0.01
POOR_SD = 0.005
POOR_S = 60.0
# In standard deviations: from here on it is beyond doubt.
SURE = 2.5
# What a stamp may err by, by the clock's rate alone; and how far ahead is always allowed.
AHEAD_ERROR_S = 0.0005
LEAST_AHEAD_S = 0.5
# What a trip may err by even if it took no time: ticks, and the host's own delays.
TRIP_ERROR_S = 0.0003
# And by this share of what it took, however near that is to the shortest.
LEAST_SHARE = 0.25
OUTLIER_S = 0.02
# Fewer spans than these judge nothing, and so many trips on end must agree: a clock that was
# set looks like one that runs away, for a moment.
FEWEST = 6
TRIPS_BEYOND = 10
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

    `steps` counts how often one of the clocks has jumped.
    """

    def __init__(self) -> None:
        self._best: deque[RoundTrip] = deque(maxlen=KEPT)
        self._line: _Line | None = None
        self._outliers = 0
        self._beyond = 0
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
        if self._best and trip.host_s < self._span_end_s():
            if trip.took_s >= self._best[-1].took_s:
                return
            self._best[-1] = trip
        else:
            self._best.append(trip)
        self._line = None
        self._beyond = self._beyond + 1 if self._is_beyond() else 0

    def learn_reply(self, host_ticks: int, board_ticks: int, now_s: float) -> bool:
        """Learn from the board's answer, heard now, to a question stamped `host_ticks`.

        Returns whether it could: an answer that is too old means nothing.
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

    def _span_end_s(self) -> float:
        last_s = self._best[-1].host_s
        span_s = FIRST_SPAN_S if last_s - self._best[0].host_s < FIRST_S else SPAN_S
        return (last_s // span_s + 1) * span_s

    def board_s(self, host_s: float) -> float:
        """Board time at a host time."""
        line = self._fit()
        return host_s + line.offset_s + line.drift * (host_s - line.origin_s)

    def host_s(self, board_s: float) -> float:
        """Host time at a board time."""
        line = self._fit()
        return line.origin_s + (board_s - line.origin_s - line.offset_s) / (1 + line.drift)

    @property
    def drift_ppm(self) -> float:
        """How much faster the board's clock runs than the host's."""
        return self._fit().drift * 1e6

    @property
    def too_far_off(self) -> float | None:
        """How much faster it runs, as a share, where that is beyond doubt too much to follow."""
        return self._fit().raw_drift if self._beyond >= TRIPS_BEYOND else None

    @property
    def sure_ahead_s(self) -> float:
        """How far ahead of its time a command may be stamped, as well as the rate is known."""
        sd = self._fit().sd
        return max(LEAST_AHEAD_S, AHEAD_ERROR_S / sd if sd > 0 else math.inf)

    def _is_beyond(self) -> bool:
        line = self._fit()
        if len(self._best) < FEWEST or abs(line.raw_drift) <= DRIFT_MAX + SURE * line.sd:
            return False
        last_s = self._best[-1].host_s
        return _least_drift([t for t in self._best if t.host_s >= last_s - POOR_S]) > DRIFT_MAX

    def _fit(self) -> _Line:
        if self._line is None:
            self._line = _line(list(self._best))
            if abs(self._line.drift) > CRYSTAL:
                last_s = self._best[-1].host_s
                self._line = _line([t for t in self._best if t.host_s >= last_s - POOR_S])
        return self._line


@dataclass(frozen=True, slots=True)
class _Line:
    """A fit: gap between the clocks at `origin_s`, its rate, and how well the trips tell that."""

    origin_s: float
    offset_s: float
    drift: float
    raw_drift: float
    sd: float


def _line(trips: list[RoundTrip]) -> _Line:
    """Weighted least squares through the trips."""
    if not trips:
        raise ValueError("the board's clock is not known yet")
    errors_s = [trip.took_s for trip in trips]
    fit = _regression(trips, errors_s)
    poor = fit.spread > 0 and abs(fit.raw_drift) > CRYSTAL + SURE / math.sqrt(fit.spread)
    sd = 1 / math.sqrt(fit.spread + 1 / POOR_SD**2)
    prior_sd, most = (POOR_SD, DRIFT_MAX) if poor else (DRIFT_SD, CRYSTAL)
    raw, least_s = fit.raw_drift, min(errors_s)
    if not poor:
        fit = _regression(trips, [max(s - least_s, s * LEAST_SHARE) for s in errors_s])
    drift = fit.along / (fit.spread + 1 / prior_sd**2)
    return _Line(fit.origin_s, fit.offset_s, max(-most, min(most, drift)), raw, sd)


class _Regression(NamedTuple):
    """Weighted means of host time and of the gap between the clocks, and their moments."""

    origin_s: float
    offset_s: float
    spread: float
    along: float

    @property
    def raw_drift(self) -> float:
        return self.along / self.spread if self.spread > 0 else 0.0


def _regression(trips: list[RoundTrip], errors_s: list[float]) -> _Regression:
    """Of trips whose gaps err by up to half of `errors_s`, either way."""
    # Of each trip its weight, host time and gap between the clocks.
    weighed = [
        (12 / (error_s + TRIP_ERROR_S) ** 2, trip.host_s, trip.board_s - trip.host_s)
        for trip, error_s in zip(trips, errors_s, strict=True)
    ]
    total = sum(weight for weight, _, _ in weighed)
    origin_s = sum(weight * host_s for weight, host_s, _ in weighed) / total
    offset_s = sum(weight * gap_s for weight, _, gap_s in weighed) / total
    spread = along = 0.0
    for weight, host_s, gap_s in weighed:
        spread += weight * (host_s - origin_s) ** 2
        along += weight * (host_s - origin_s) * (gap_s - offset_s)
    return _Regression(origin_s, offset_s, spread, along)


def _least_drift(trips: list[RoundTrip]) -> float:
    """The least drift, either way, of a clock that lies within what every trip may err by."""
    # Of each trip its host time, and the least and the most gap between the clocks.
    bounds = [
        (trip.host_s, trip.board_s - trip.host_s - error_s, trip.board_s - trip.host_s + error_s)
        for trip in trips
        for error_s in [trip.took_s / 2 + TRIP_ERROR_S]
    ]
    pairs = [(a, b) for a, b in combinations(bounds, 2) if b[0] > a[0]]
    fastest = min(((b[2] - a[1]) / (b[0] - a[0]) for a, b in pairs), default=0.0)
    slowest = max(((b[1] - a[2]) / (b[0] - a[0]) for a, b in pairs), default=0.0)
    return max(0.0, slowest, -fastest)

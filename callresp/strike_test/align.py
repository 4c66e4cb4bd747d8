"""Finding the plan's clock in a recording: an offset, and the clocks' difference in rate.

A recorder starts whenever it was started, and its clock and the board's differ
by some parts in a million. Strokes fall at ``offset + (1 + skew) · (command +
latency)``. The offset is where the most commands coincide with an onset; skew and
each striker's delay are then fitted robustly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError

Values = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]

SKEWS_PPM = np.arange(-300, 301, 15)
_BIN_S = 0.005
NEAR_S = 0.035


@dataclass(frozen=True)
class Alignment:
    """Recording time of a command = ``offset_s + (1 + skew) · at_s``, before latency.

    `delays_s` are each striker's further delays (its latency, up to a common
    offset), `share` the share of commands at which there is an onset.
    """

    offset_s: float
    skew: float
    delays_s: dict[int, float]
    share: float

    def time_of(self, at_s: float | Values) -> float | Values:
        """Recording time of a moment of the plan."""
        return self.offset_s + (1 + self.skew) * at_s


def coarse(commands_s: Values, onsets_s: Values) -> tuple[float, float, float]:
    """Offset and skew at which the most commands coincide with an onset.

    Returns
    -------
    offset_s, skew, share
        `share` of the commands have an onset within 20 ms of the predicted time.
    """
    best = (0.0, 0.0, -1.0)
    if len(onsets_s) == 0 or len(commands_s) == 0:
        return best
    middle = float(np.mean(commands_s))
    for ppm in SKEWS_PPM if np.ptp(commands_s) > 30 else (0,):
        skew = ppm * 1e-6
        # Skew about the middle of the test, so that it shifts the offset least.
        shifted = commands_s + skew * (commands_s - middle)
        apart = (onsets_s[None, :] - shifted[:, None]).ravel()
        bins = np.round(apart / _BIN_S).astype(np.int64)
        low = int(bins.min())
        counts = np.bincount(bins - low)
        smooth = np.convolve(counts, np.ones(3), "same")
        top = int(np.argmax(smooth))
        score = float(smooth[top]) + 0.3 * float(counts[top])
        if score > best[2]:
            offset = (top + low) * _BIN_S - skew * middle
            best = (offset, skew, score)
    offset, skew, _ = best
    predicted = offset + (1 + skew) * commands_s
    near = np.abs(nearest(onsets_s, predicted) - predicted) <= 0.02
    return offset, skew, float(np.mean(near))


def nearest(sorted_s: Values, wanted_s: Values) -> Values:
    """For each wanted time the nearest of some sorted times."""
    if len(sorted_s) == 0:
        return np.full(len(wanted_s), np.inf)
    after = np.clip(np.searchsorted(sorted_s, wanted_s), 1, max(len(sorted_s) - 1, 1))
    before = sorted_s[after - 1]
    behind = sorted_s[np.minimum(after, len(sorted_s) - 1)]
    return np.where(wanted_s - before <= behind - wanted_s, before, behind)


def fine(commands_s: Values, strikers: Numbers, heard_s: Values, start: Alignment) -> Alignment:
    """Fit skew and each striker's delay to matched onsets, robustly.

    `heard_s` is the onset of each command, `nan` where none was heard.
    """
    offset, skew = start.offset_s, start.skew
    good = np.isfinite(heard_s)
    who = np.unique(strikers[good])
    delays = {int(n): 0.0 for n in who}
    for _ in range(6):
        rest = heard_s - (offset + (1 + skew) * commands_s)
        for n in who:
            mine = good & (strikers == n)
            delays[int(n)] = float(np.median(rest[mine]))
        own = np.array([delays.get(int(n), 0.0) for n in strikers])
        left = rest - own
        # Only what lies close: a stroke that came late must not bias the clock.
        spread = max(1.4826 * float(np.nanmedian(np.abs(left[good]))), 1e-4)
        used = good & (np.abs(left) < 4 * spread)
        if used.sum() < 8 or np.ptp(commands_s[used]) < 10:
            break
        slope = _slope_within(commands_s[used], left[used], strikers[used])
        skew += slope
        if abs(slope) < 1e-8:
            break
    return Alignment(offset, skew, delays, start.share)


def _slope_within(at_s: Values, left_s: Values, who: Numbers) -> float:
    """Slope of the residuals over time, each striker about its own mean."""
    top = bottom = 0.0
    for n in np.unique(who):
        mine = who == n
        t = at_s[mine] - at_s[mine].mean()
        top += float(np.sum(t * (left_s[mine] - left_s[mine].mean())))
        bottom += float(np.sum(t * t))
    return top / bottom if bottom > 0 else 0.0


def align(commands_s: Values, onsets_s: Values, name: str) -> Alignment:
    """Offset and skew of a recording against a plan.

    Raises
    ------
    UserError
        The recording does not hold the plan's strokes.
    """
    offset, skew, share = coarse(commands_s, onsets_s)
    if share < 0.4:
        raise UserError(
            f"only {share:.0%} of the plan's strokes can be found in it",
            where=name,
            remedy="is it the recording of this plan? for hand-struck sounds give no plan",
        )
    return Alignment(offset, skew, {}, share)

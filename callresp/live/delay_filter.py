"""How much slower or faster sound has become, followed by a filter over a grid.

Model: the delays of all walls of a place keep their proportions, since the way stays and the
speed of sound alone changes. That common factor drifts at a bounded rate, by some kelvins an
hour, and the rate itself wanders slowly. Each stroke says how likely every factor is; a
histogram filter (Thrun, Burgard & Fox 2005, Probabilistic Robotics, 4.1) carries what all
strokes said from one to the next along every rate at once. So strokes whose echo is far below
the noise add up, aligned by the change that fits them best, and no peak has to be picked.

The evidence for any echo at all is the product of what the strokes said of what was expected:
under chance its mean is 1, and it exceeds E at any time with a probability of 1/E at most
(Ville 1939, Étude critique de la notion de collectif).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]

# How much sooner sound comes for each kelvin, as a share of its way (Cramer 1993, at 10 °C).
PER_KELVIN = 0.00176
# From the coldest to the warmest hour, and when the place was asked, against now.
REACH_K, ASKED_SD_K = 34.0, 4.0
# Faster than this no air warms or cools near the ground; the rate wanders so far in half an hour.
FASTEST_K_H, FASTEST_CHANGE_K_H = 10.0, 3.0
RATES = 21
# What gusts and patches of sun do within a minute.
GUST_K = 0.06
# By how much the logarithm of the likelihood grows with each usual power: a return some four
# times as loud as the noise (4 / (4 + 1)).
RISES = 0.8
# One stroke in so many says nothing: a bird sang into it, or another sound covers the return.
VOID = 0.3
# Until an echo is found all may be otherwise than it seems; then it moves no farther between two
# strokes than this, and as far as air can warm.
ANEW, FARTHEST_S = 1e-4, 0.0015
# Without a stroke the delay goes on as it did for a while, and stays then.
GOES_ON_S = 1200.0
EVIDENCE = 1000.0
# All that lies within this of the likeliest delay counts as one; so much of all must lie there.
ONE_S, SURE = 0.003, 0.6
STEP_S = 1e-4
HALF_HOUR_S = 1800.0


class DelayFilter:
    """A distribution over the ratio of delays to what they were, and over its rate of change.

    Parameters
    ----------
    longest_s
        The longest delay that is followed: the grid is as fine as it needs.
    spare_s
        How much farther than the air can take it a delay is looked for.
    """

    def __init__(self, longest_s: float, spare_s: float) -> None:
        self._longest_s = longest_s
        reach = REACH_K * PER_KELVIN + spare_s / longest_s
        count = math.ceil(reach * longest_s / STEP_S)
        self._step = reach / count
        self.offsets: Values = np.asarray(np.arange(-count, count + 1) * self._step, np.float64)
        self._rates = np.linspace(-1, 1, RATES) * FASTEST_K_H * PER_KELVIN / 3600.0
        sd = math.hypot(ASKED_SD_K * PER_KELVIN, 0.5 * spare_s / longest_s)
        start = np.exp(-0.5 * (self.offsets / sd) ** 2)
        rates = np.exp(-0.5 * (np.linspace(-2, 2, RATES)) ** 2)
        self._start = rates[:, None] * start[None, :]
        self._start /= self._start.sum()
        self._mass = self._start.copy()
        self._at_s: float | None = None
        self._log_evidence = 0.0
        self._told: tuple[float, float, float] | None = None

    @property
    def found(self) -> bool:
        """Whether the strokes have shown an echo at all."""
        return self._told is not None

    def stroke(self, at_s: float, likely: Values) -> bool:
        """Take what a stroke says; returns whether it is now known where the delay is.

        Parameters
        ----------
        at_s
            When it was made.
        likely
            How likely its sound is at each of `offsets`, against chance, shape ``(n,)``.
        """
        if self._at_s is not None:
            self._mass = self._predicted(max(at_s - self._at_s, 0.0))
        self._at_s = at_s
        self._mass *= likely
        if self._told is not None:
            within = FARTHEST_S / self._longest_s + self._rates[-1] * (at_s - self._told[0])
            self._mass[:, np.abs(self.offsets - self.offset(at_s)) > within] = 0.0
        whole = float(self._mass.sum())
        self._log_evidence = max(self._log_evidence + math.log(max(whole, 1e-300)), 0.0)
        self._mass /= whole
        if self._told is None:
            self._mass = (1 - ANEW) * self._mass + ANEW * self._start
            if self._log_evidence < math.log(EVIDENCE):
                return False
        return self._tell(at_s)

    def offset(self, at_s: float) -> float:
        """The ratio of delays less 1 by a moment; 0 as long as no echo was found."""
        if self._told is None:
            return 0.0
        told_s, offset, rate = self._told
        return offset + rate * min(max(at_s - told_s, 0.0), GOES_ON_S)

    def _tell(self, at_s: float) -> bool:
        near = max(1, round(ONE_S / self._longest_s / self._step))
        over = self._mass.sum(axis=0)
        sums = np.convolve(over, np.ones(2 * near + 1), "same")
        at = int(np.argmax(sums))
        if sums[at] < SURE:
            return False
        part = self._mass[:, max(at - near, 0) : at + near + 1]
        offsets = self.offsets[max(at - near, 0) : at + near + 1]
        whole = float(part.sum())
        offset = float(part.sum(axis=0) @ offsets) / whole
        self._told = at_s, offset, float(part.sum(axis=1) @ self._rates) / whole
        return True

    def _predicted(self, since_s: float) -> Values:
        """The distribution so much later: each rate's own shift, and some more of not knowing."""
        from scipy import fft

        wander = (FASTEST_CHANGE_K_H / (2 * FASTEST_K_H / (RATES - 1))) ** 2 * since_s / HALF_HOUR_S
        mass = _spread_out(self._mass, wander)
        size = fft.next_fast_len(mass.shape[1] + 256, real=True)
        turns = 2 * np.pi * fft.rfftfreq(size) / self._step
        shift = self._rates[:, None] * min(since_s, GOES_ON_S)
        blur = (GUST_K * PER_KELVIN) ** 2 * since_s / 60.0
        moved = fft.rfft(mass, size, axis=1) * np.exp(-1j * turns * shift - 0.5 * blur * turns**2)
        moved = fft.irfft(moved, size, axis=1)[:, : mass.shape[1]]
        return np.asarray(np.maximum(moved, 1e-15))


def _spread_out(mass: Values, variance: float) -> Values:
    """Mass spread over neighbouring rates by a variance in squared steps; none leaves the ends."""
    from scipy import ndimage

    if variance > 0.25:
        return np.asarray(ndimage.gaussian_filter1d(mass, math.sqrt(variance), axis=0))
    return np.asarray(ndimage.convolve1d(mass, [variance / 2, 1 - variance, variance / 2], axis=0))


def likelihood(power: Values, blur: float) -> Values:
    """How likely a stroke's matched power is for a return at each delay, against chance.

    Parameters
    ----------
    power
        Over delays, shape ``(n,)``.
    blur
        How well a stroke's own moment is known, in samples.

    Returns
    -------
    Values
        Of mean 1: under chance each delay is as good as another. Of noise the power has an
        exponential distribution, and with a return of unknown loudness one with a larger mean
        (Swerling 1954, case 1): the logarithm of their ratio grows with the power.
    """
    from scipy import ndimage

    # Where most of it is digital silence there is nothing usual to compare with.
    if np.median(power) <= 0:
        return np.ones(len(power))
    over = RISES * power / _usual(power)
    ratio = np.exp(over - over.max())
    ratio = ndimage.gaussian_filter1d(ratio, blur, mode="nearest")
    return np.asarray(VOID + (1 - VOID) * ratio / ratio.mean())


def _usual(power: Values) -> Values:
    """The usual power at each delay: what is left of a stroke's own ring falls exponentially."""
    at = np.linspace(-1.0, 1.0, len(power))
    slope, _ = np.polyfit(at, np.log(power + 1e-9 * float(power.max())), 1)
    fall = np.exp(slope * at)
    return np.asarray(fall * float(np.median(power / fall)) / math.log(2))

"""Averaging over the strokes, and telling echoes from chance.

Method
------
Every stroke and band counts by how quiet it is around each delay: a bird that
sings into one stroke there counts little. The weighted mean over strokes is
the gain of an echo at each delay; its spread is taken from how the strokes
differ.

Chance: what the strokes have beside their share of that mean, averaged with signs
drawn at random, half of them turned. All stays as it was, birds and wind at their
own moments, and is as large as before (a randomisation test; Fisher 1935, The
Design of Experiments). The largest value over all delays,
in some hundreds of such draws, follows a Gumbel distribution (Gumbel 1958,
Statistics of Extremes), whose tail gives the probability of an echo by chance.

One echo after another is found, placed and taken out, the loudest first (as
CLEAN does: Högbom 1974, Astronomy and Astrophysics Supplement 15), until what is
left is chance.

What the predictor leaves of the stroke's ring, where birds sang into what it learnt
from, is no chance: all strokes have it. It is loudest where listening begins, and dies
away as the stroke does: a return must stand over that as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.echoes.deconvolution import Correlations
from callresp.scene.air import absorption_db_per_m

Values = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

DRAWS = 300
CHANCE = 0.0005
MOST = 16
_AROUND_S = 0.020
_COARSE_S = 0.004
# Round an echo as strong as the rest of a decay there is no wall of its own.
_LOCAL_S = 0.06
# What rings on in a room is no noise: its loud moments stand so much further over the usual.
UNEVEN = 0.6
RESAMPLED = 60
# Over what is found within so much of where listening begins, less what the ring falls by then.
# A bell's ring is longer, but well learnt: a near wall must not hide the far ones.
EDGE_S, OVER_RING, RING_MOST_S = 0.004, 1.5, 0.5
# Where the ring's decay is taken from, behind the stroke.
_RING_S = ((0.020, 0.040), (0.040, 0.080))
# A wall is not smooth, nor is the air still: an echo is no exact copy, and leaves something behind.
# Of two within a millisecond and a half one alone is told, whichever is the louder.
HIDES = ((0.0015, -100.0), (0.035, 12.0), (0.15, 30.0))


@dataclass(frozen=True)
class Reflection:
    """One return: a delay, its gain against the stroke, how surely it is no chance.

    `gain_db` is within the stroke's own band, absorption by air and all.
    """

    delay_s: float
    delay_sd_s: float
    gain_db: float
    gain_sd_db: float
    chance: float
    score: float


@dataclass(frozen=True)
class Detection:
    """The returns in order of delay, and what they were found in.

    `gain` and `spread` are the mean's gain and its standard deviation at the
    delays `delay_s`.
    """

    returns: tuple[Reflection, ...]
    delay_s: Values
    gain: Values
    spread: Values
    threshold: float


def detect(found: Correlations, air_c: float, humidity: float) -> Detection:
    """Find the returns in the strokes' correlations.

    Parameters
    ----------
    found
        From `callresp.echoes.deconvolution.correlate`.
    air_c, humidity
        For what the air takes away on the way.
    """
    delay_s = (np.arange(found.values.shape[2]) + found.first) / found.rate_hz
    mixer = _Mixer(found, delay_s, air_c, humidity)
    chance = _Chance(mixer.off(), mixer.spread, found.rate_hz, np.random.default_rng(1))
    returns: list[Reflection] = []
    left = first = mixer.gain()
    for _ in range(MOST):
        at, score = chance.highest(left)
        risk = chance.of(score)
        if risk > CHANCE:
            break
        placed = mixer.place(at)
        one = _measured(mixer, placed, risk, score)
        if not any(_hides(other, one) for other in returns):
            returns.append(one)
        mixer.take_out(placed)
        left = mixer.gain()
    returns = _over_the_ring(sorted(returns, key=lambda one: one.delay_s), found)
    return Detection(tuple(returns), delay_s, first, mixer.spread, chance.threshold())


def _over_the_ring(returns: list[Reflection], found: Correlations) -> list[Reflection]:
    """The returns without those that may be what is left of the stroke's ring."""
    edge_s = found.first / found.rate_hz + EDGE_S
    left = max((one.score for one in returns if one.delay_s < edge_s), default=0.0)
    t60_s = _ring_t60_s(found) if left else 1.0
    return [
        one
        for one in returns
        if one.delay_s >= edge_s
        and one.score > OVER_RING * left * 10 ** (-3 * (one.delay_s - edge_s) / t60_s)
    ]


def _ring_t60_s(found: Correlations) -> float:
    """How slowly the strokes die away just behind their blow; rather too slowly than too fast."""
    noise = float(np.mean(found.clips[:, : found.stroke // 2] ** 2))
    count = len(found.clips)
    powers = []
    for from_s, to_s in _RING_S:
        first, last = (found.stroke + round(s * found.rate_hz) for s in (from_s, to_s))
        part = found.clips[:, first:last]
        # Products of different strokes, to which noise adds nothing on average.
        pairs = np.sum(part, axis=0) ** 2 - np.sum(part**2, axis=0)
        powers.append(max(float(np.mean(pairs)) / (count * (count - 1)), noise / count))
    fallen_db = 10 * math.log10(powers[0] / powers[1])
    apart_s = sum(_RING_S[1]) / 2 - sum(_RING_S[0]) / 2
    return float(np.clip(60 * apart_s / max(fallen_db, 0.1), 0.05, RING_MOST_S))


def _hides(loud: Reflection, faint: Reflection) -> bool:
    """Whether one return may be no more than a remnant of another that was taken out."""
    apart_s = abs(loud.delay_s - faint.delay_s)
    below_db = loud.gain_db - faint.gain_db
    return any(apart_s < within_s and below_db > least_db for within_s, least_db in HIDES)


class _Mixer:
    """Weighs strokes and bands into one gain over delay; echoes can be taken out."""

    def __init__(self, found: Correlations, delay_s: Values, air_c: float, humidity: float) -> None:
        self.found, self.delay_s = found, delay_s
        self._values = found.values.copy()
        per_m = absorption_db_per_m(found.middle_hz, air_c, humidity)
        # Some 340 m/s is near enough for how much the air takes.
        air = 10 ** (-per_m[:, None] * 340.0 * delay_s[None, :] / 20)
        self.air = air.astype(np.float32)
        # A band counts by how quiet it is, and by what the air leaves of it.
        self._weight = self._weights() * self.air
        power = found.power.astype(np.float32)
        shares = np.stack(
            [one @ (row * self.air) for one, row in zip(power, self._weight, strict=True)]
        )
        self._whole = shares.sum(axis=0)
        self._share = len(shares) * shares / self._whole
        self._parts = np.empty_like(shares)
        self._renew(0, len(delay_s))
        off = self.off()
        around = round(_AROUND_S * found.rate_hz)
        count = len(off)
        # What ends soon, such as the noise of the tip, must not be averaged away.
        power = np.sum(off**2, axis=0)
        spread = np.maximum(_smoothed(power, around), _smoothed(power, around // 4))
        spread /= count * max(count - 1, 1)
        self.spread = np.sqrt(np.maximum(spread, 1e-30))

    def _weights(self) -> Singles:
        """Inverse of each stroke's and band's noise around each delay, over its stationary one."""
        found = self.found
        around = round(_AROUND_S * found.rate_hz)
        weight = np.empty_like(found.values)
        for band in range(found.values.shape[1]):
            part = found.values[:, band]
            scale = found.power[:, band, None].astype(np.float32)
            # Sorting is several times as fast as choosing among so few.
            ranked = np.sort(part / scale, axis=0)
            common = 0.5 * (ranked[(len(ranked) - 1) // 2] + ranked[len(ranked) // 2])
            off = (part - common * scale) ** 2
            local = _smoothed(off, around) / scale
            # Nothing counts more than a tenth of its usual noise would let it.
            usual = float(np.median(local[:, :: max(1, around // 4)]))
            weight[:, band] = 1 / np.maximum(local, 0.1 * usual + 1e-30)
        return weight

    def _renew(self, low: int, high: int) -> None:
        """Mix again what lies between two delays."""
        here = np.s_[:, :, low:high]
        parts = np.einsum("kbt,kbt->kt", self._weight[here], self._values[here])
        self._parts[:, low:high] = len(parts) * parts / self._whole[low:high]

    def gain(self) -> Values:
        """The gain: the mean of each stroke's part, times the number of strokes."""
        return np.asarray(np.mean(self._parts, axis=0, dtype=np.float64))

    def off(self) -> Singles:
        """What each stroke's part has beside its share of the mean echo: noise.

        Strokes differ, in force and in the noise of the tip, and so do their echoes.
        """
        return np.asarray(self._parts - self._share * self._parts.mean(axis=0))

    def around(self, at: int, reach: int) -> tuple[Values, int]:
        """Each stroke's part in the gain about a delay, and where that begins."""
        low, high = max(at - reach, 0), min(at + reach + 1, len(self.delay_s))
        return self._parts[:, low:high].astype(np.float64), low

    def place(self, at: int) -> tuple[float, float, float]:
        """Delay (in samples), its standard deviation, and gain of the echo at a peak."""
        reach = round(_COARSE_S * self.found.rate_hz)
        each, low = self.around(at, reach)
        top = at - low
        peak = _peak(each.mean(axis=0), top)
        rng = np.random.default_rng(at)
        narrow = round(0.0012 * self.found.rate_hz)
        drawn = []
        for _ in range(RESAMPLED):
            rows = rng.integers(0, len(each), len(each))
            mean = each[rows].mean(axis=0)
            near = mean[max(top - narrow, 0) : top + narrow + 1]
            drawn.append(_peak(mean, max(top - narrow, 0) + int(np.argmax(near))))
        spread = float(np.std(drawn))
        gain = float(each.mean(axis=0)[top])
        return low + peak, spread, gain

    def take_out(self, placed: tuple[float, float, float]) -> None:
        """Subtract an echo from every stroke and band."""
        exact, _, gain = placed
        found = self.found
        reach = found.own.shape[2] // 2
        whole = round(exact)
        own = _shifted(found.own, exact - whole)
        low, high = max(whole - reach, 0), min(whole + reach + 1, found.values.shape[2])
        part = own[:, :, low - whole + reach : high - whole + reach]
        air = self.air[None, :, whole, None]
        self._values[:, :, low:high] -= (gain * air * part).astype(np.float32)
        self._renew(low, high)

    def level(self, exact: float) -> tuple[float, float]:
        """Gain of an echo in the stroke's own band, air and all, and its standard deviation."""
        at = round(exact)
        air, share = self.air[:, at].astype(np.float64), self.found.stroke_share
        # By bands: what reaches us of each, weighed by how much of the stroke lies in it.
        reference, _ = self.around(at, 0)
        gain = float(reference.mean())
        through = math.sqrt(float(np.sum(share * air**2)))
        sd = float(np.std(reference, ddof=1)) / math.sqrt(len(reference))
        return gain * through, sd * through


def _measured(
    mixer: _Mixer, placed: tuple[float, float, float], risk: float, score: float
) -> Reflection:
    exact, spread, _ = placed
    rate_hz = mixer.found.rate_hz
    gain, sd = mixer.level(exact)
    gain = max(gain, 1e-9)
    return Reflection(
        delay_s=(exact + mixer.found.first) / rate_hz,
        delay_sd_s=max(spread, 0.3) / rate_hz,
        gain_db=20 * math.log10(gain),
        gain_sd_db=float(20 / math.log(10) * sd / gain),
        chance=risk,
        score=score,
    )


class _Chance:
    """What the mean is like where nothing comes back: signs of the strokes drawn at random."""

    def __init__(
        self, off: Singles, spread: Values, rate_hz: int, rng: np.random.Generator
    ) -> None:
        self._spread, self._local = spread, round(_LOCAL_S * rate_hz)
        count = len(off)
        half = np.where(np.arange(count) < count // 2, -1.0, 1.0)
        signs = np.stack([rng.permutation(half) for _ in range(DRAWS)]).astype(np.float32)
        tops = np.empty(DRAWS)
        over = (off / (count * spread)).astype(np.float32)
        for first in range(0, DRAWS, 50):
            drawn = signs[first : first + 50] @ over
            tops[first : first + 50] = [self._highest(row)[1] for row in drawn]
        # Gumbel's distribution by its moments.
        self._beta = max(float(np.std(tops)) * math.sqrt(6) / math.pi, 1e-3)
        self._mode = float(np.mean(tops)) - 0.5772 * self._beta

    def highest(self, gain: Values) -> tuple[int, float]:
        """Where a gain has its highest score, and that."""
        return self._highest(gain / self._spread)

    def _highest(self, raw: npt.NDArray[np.floating]) -> tuple[int, float]:
        """Of a gain in standard deviations, or in what is usual there where that is more."""
        from scipy import ndimage

        step = max(1, self._local // 40)
        sizes = np.abs(raw[::step])
        usual = ndimage.median_filter(sizes, 2 * (self._local // step) + 1, mode="reflect")
        usual = np.maximum(usual / 0.6745, 1.0)
        # Where the usual is small a score is as high as the gain; elsewhere it is lower: only what
        # is higher than the score at the top can have a higher one.
        top = int(np.argmax(raw))
        least = self._scores(raw, usual, np.array([top]), step)[0]
        near = np.flatnonzero(raw >= least)
        scores = self._scores(raw, usual, near, step)
        best = int(np.argmax(scores))
        return int(near[best]), float(scores[best])

    @staticmethod
    def _scores(
        raw: npt.NDArray[np.floating], usual: Values, at: npt.NDArray[np.intp], step: int
    ) -> Values:
        here = np.interp(at, np.arange(len(usual)) * step, usual)
        return np.asarray(raw[at] / here / (1 + UNEVEN * np.minimum(here - 1, 1)), np.float64)

    def of(self, score: float) -> float:
        """Probability that chance alone comes so high somewhere among the delays."""
        return float(-math.expm1(-math.exp(-min((score - self._mode) / self._beta, 700.0))))

    def threshold(self) -> float:
        """The score that chance comes to with a probability of `CHANCE`."""
        return self._mode - self._beta * math.log(-math.log1p(-CHANCE))


def _smoothed(values: npt.NDArray[np.floating], around: int) -> Values:
    from scipy import ndimage

    return np.asarray(ndimage.uniform_filter1d(values, 2 * around + 1, axis=-1, mode="nearest"))


def _peak(values: Values, top: int) -> float:
    """A peak between samples, by the parabola through three."""
    if not 0 < top < len(values) - 1:
        return float(top)
    left, at, right = values[top - 1 : top + 2]
    bent = left - 2 * at + right
    return top + (float(np.clip(0.5 * (left - right) / bent, -0.5, 0.5)) if bent < 0 else 0.0)


def _shifted(values: Values, by: float) -> Values:
    """Values of the last axis moved later by a part of a sample."""
    from scipy import fft

    size = values.shape[-1]
    turn = np.exp(-2j * np.pi * by * fft.rfftfreq(size))
    return np.asarray(fft.irfft(fft.rfft(values, axis=-1) * turn, size, axis=-1))

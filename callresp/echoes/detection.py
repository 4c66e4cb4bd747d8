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
class Return:
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

    returns: tuple[Return, ...]
    delay_s: Values
    gain: Values
    spread: Values
    threshold: float


def detect(found: Correlations, air_c: float, humidity: float, seed: int = 1) -> Detection:
    """Find the returns in the strokes' correlations.

    Parameters
    ----------
    found
        From `callresp.echoes.deconvolution.correlate`.
    air_c, humidity
        For what the air takes away on the way.
    seed
        Of the draws.
    """
    delay_s = (np.arange(found.values.shape[2]) + found.first) / found.rate_hz
    mixer = _Mixer(found, delay_s, air_c, humidity)
    chance = _Chance(mixer.off(), mixer.spread, found.rate_hz, np.random.default_rng(seed))
    returns: list[Return] = []
    left = first = mixer.each().mean(axis=0)
    for _ in range(MOST):
        score = chance.scores(left)
        at = int(np.argmax(score))
        risk = chance.of(float(score[at]))
        if risk > CHANCE:
            break
        placed = mixer.place(at)
        one = _measured(mixer, placed, risk, float(score[at]))
        if not any(_hides(other, one) for other in returns):
            returns.append(one)
        mixer.take_out(placed)
        left = mixer.each().mean(axis=0)
    returns = _over_the_ring(sorted(returns, key=lambda one: one.delay_s), found)
    return Detection(tuple(returns), delay_s, first, mixer.spread, chance.threshold())


def _over_the_ring(returns: list[Return], found: Correlations) -> list[Return]:
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


def _hides(loud: Return, faint: Return) -> bool:
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
        self.air = 10 ** (-per_m[:, None] * 340.0 * delay_s[None, :] / 20)
        self._weight = self._weights()
        self._whole = np.einsum(
            "kbt,kb,bt->t", self._weight, found.power, self.air**2, optimize=True
        )
        off = self.off()
        around = round(_AROUND_S * found.rate_hz)
        count = len(off)
        # What ends soon, such as the noise of the tip, must not be averaged away.
        power = np.sum(off**2, axis=0)
        spread = np.maximum(_smoothed(power, around), _smoothed(power, around // 4))
        spread /= count * max(count - 1, 1)
        self.spread = np.sqrt(np.maximum(spread, 1e-30))

    def _weights(self) -> npt.NDArray[np.float32]:
        """Inverse of each stroke's and band's noise around each delay, over its stationary one."""
        found = self.found
        around = round(_AROUND_S * found.rate_hz)
        weight = np.empty_like(found.values)
        for band in range(found.values.shape[1]):
            part = found.values[:, band]
            scale = found.power[:, band, None]
            common = np.median(part / scale, axis=0)
            off = (part - common * scale) ** 2
            local = _smoothed(off, around) / scale
            # Nothing counts more than a tenth of its usual noise would let it.
            usual = float(np.median(local))
            weight[:, band] = 1 / np.maximum(local, 0.1 * usual + 1e-30)
        return weight

    def each(self) -> Values:
        """Each stroke's part in the gain, times the number of strokes: their mean is the gain."""
        parts = np.einsum("kbt,kbt,bt->kt", self._weight, self._values, self.air, optimize=True)
        return np.asarray(len(parts) * parts / self._whole, np.float64)

    def off(self) -> Values:
        """What each stroke's part has beside its share of the mean echo: noise.

        Strokes differ, in force and in the noise of the tip, and so do their echoes.
        """
        share = np.einsum(
            "kbt,kb,bt->kt", self._weight, self.found.power, self.air**2, optimize=True
        )
        share = len(share) * share / self._whole
        each = self.each()
        return np.asarray(each - share * each.mean(axis=0))

    def around(self, at: int, reach: int) -> tuple[Values, int]:
        """Each stroke's part in the gain, flattened in frequency, about a delay."""
        low, high = max(at - reach, 0), min(at + reach + 1, len(self.delay_s))
        weight, values = self._weight[:, :, low:high], self._values[:, :, low:high]
        air = self.air[:, low:high]
        parts = np.einsum("kbt,kbt,bt->kt", weight, values, air, optimize=True)
        return np.asarray(len(parts) * parts / self._whole[low:high], np.float64), low

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

    def level(self, exact: float) -> tuple[float, float]:
        """Gain of an echo in the stroke's own band, air and all, and its standard deviation."""
        at = round(exact)
        weight, power = self._weight[:, :, at].astype(np.float64), self.found.power
        air = self.air[:, at]
        # By bands: what reaches us of each, weighed by how much of the stroke lies in it.
        wanted = np.sum(weight * power, axis=0)
        share = np.sum(power, axis=0) / np.sum(power)
        reference, _ = self.around(at, 0)
        gain = float(reference.mean())
        through = math.sqrt(float(np.sum(share * air**2)))
        sd = float(np.std(reference, ddof=1)) / math.sqrt(len(reference)) if wanted.any() else 0.0
        return gain * through, sd * through


def _measured(
    mixer: _Mixer, placed: tuple[float, float, float], risk: float, score: float
) -> Return:
    exact, spread, _ = placed
    rate_hz = mixer.found.rate_hz
    gain, sd = mixer.level(exact)
    gain = max(gain, 1e-9)
    return Return(
        delay_s=(exact + mixer.found.first) / rate_hz,
        delay_sd_s=max(spread, 0.3) / rate_hz,
        gain_db=20 * math.log10(gain),
        gain_sd_db=float(20 / math.log(10) * sd / gain),
        chance=risk,
        score=score,
    )


class _Chance:
    """What the mean is like where nothing comes back: signs of the strokes drawn at random."""

    def __init__(self, off: Values, spread: Values, rate_hz: int, rng: np.random.Generator) -> None:
        self._spread, self._local = spread, round(_LOCAL_S * rate_hz)
        count = len(off)
        half = np.where(np.arange(count) < count // 2, -1.0, 1.0)
        signs = np.stack([rng.permutation(half) for _ in range(DRAWS)])
        tops = np.empty(DRAWS)
        for first in range(0, DRAWS, 50):
            drawn = signs[first : first + 50] @ off / count
            tops[first : first + 50] = [float(self.scores(row).max()) for row in drawn]
        self.tops = np.sort(tops)
        # Gumbel's distribution by its moments.
        self._beta = max(float(np.std(tops)) * math.sqrt(6) / math.pi, 1e-3)
        self._mode = float(np.mean(tops)) - 0.5772 * self._beta

    def scores(self, gain: Values) -> Values:
        """Gain in standard deviations, or in what is usual about a delay where that is more."""
        from scipy import ndimage

        raw = gain / self._spread
        step = max(1, self._local // 40)
        sizes = np.abs(raw[::step])
        usual = ndimage.median_filter(sizes, 2 * (self._local // step) + 1, mode="reflect")
        usual = np.interp(np.arange(len(raw)), np.arange(len(sizes)) * step, usual / 0.6745)
        usual = np.maximum(usual, 1.0)
        return np.asarray(raw / usual / (1 + UNEVEN * np.minimum(usual - 1, 1)))

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

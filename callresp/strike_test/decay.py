"""How long a partial rings: backward integration beside the fitted decay.

Backward integration (Schroeder 1965, JASA 37, 409) of the energy in the
partial's band, with the noise's share taken off and the integral ended where
the decay meets the noise, the missing tail added (as ISO 3382-1 describes).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from callresp.strike_test.modes import LN_1000, Mode, band_of, decaying

Values = npt.NDArray[np.float64]

FIT_FROM_DB = -3.0
FIT_RANGE_DB = (25.0, 15.0, 10.0)
_SPACING = 60


def alone(sound: Values, rate_hz: int, mode: Mode, others: Sequence[Mode], clip: int) -> Values:
    """A clip with all other partials subtracted."""
    rest = np.array(sound, dtype=np.float64)
    for other in others:
        if other is not mode:
            rest -= decaying(other.hz, other.rate, other.phasors[clip], len(rest), rate_hz)
    return rest


def envelope(sound: Values, rate_hz: int, hz: float, half_hz: float) -> tuple[Values, Values]:
    """Times (s) and squared amplitude of a narrow band."""
    times, values, _ = band_of([sound], rate_hz, hz, half_hz)
    return times[0], np.asarray(4 * np.abs(values[0]) ** 2)


def schroeder_t60(
    sound: Values, rate_hz: int, hz: float, half_hz: float, noise: float, guess_s: float
) -> float | None:
    """T60 by backward integration, or `None` where noise leaves less than 13 dB.

    Parameters
    ----------
    sound
        From the onset on.
    noise
        Mean squared amplitude of the band's noise, before the stroke.
    guess_s
        First estimate of the T60, for where the decay meets the noise.
    """
    times, power = envelope(sound, rate_hz, hz, half_hz)
    if len(times) < 16:
        return None
    rate = LN_1000 / guess_s
    start = float(np.mean(power[:3]))
    if start <= 2 * noise:
        return None
    # The time at which the decay is 5 dB over the noise.
    meets_s = math.log(max(start / max(noise * 3.2, 1e-20), 1.1)) / (2 * rate)
    count = int(np.searchsorted(times, times[0] + meets_s))
    count = min(max(count, 12), len(times))
    step_s = float(times[1] - times[0])
    kept = power[:count] - noise
    tail = max(float(np.mean(kept[-max(3, count // 20) :])), 0.0) / (2 * rate) / step_s
    left = np.cumsum(kept[::-1])[::-1] + tail
    left = np.maximum(left / left[0], 1e-12)
    level = 10 * np.log10(left)
    for reach in FIT_RANGE_DB:
        used = (level <= FIT_FROM_DB) & (level >= FIT_FROM_DB - reach)
        if level[-1] < FIT_FROM_DB - reach and used.sum() >= 6:
            slope = np.polyfit(times[:count][used], level[used], 1)[0]
            return float(-60.0 / slope) if slope < 0 else None
    return None


def band_noise(
    samples: npt.NDArray[np.float32],
    rate_hz: int,
    until_s: float,
    span_s: float,
    hz: float,
    half_hz: float,
) -> float:
    """Mean squared amplitude of a band in the quiet `span_s` before `until_s`."""
    last = round((until_s - 0.004) * rate_hz)
    first = max(0, last - round(span_s * rate_hz))
    part = np.asarray(samples[first:last], dtype=np.float64)
    if len(part) < 64:
        return 0.0
    _, power = envelope(part, rate_hz, hz, half_hz)
    return float(np.mean(power)) if len(power) else 0.0


def thinned(times: Values, power: Values, reference: float) -> tuple[tuple[float, float], ...]:
    """A decay as few (seconds, dB) points, for a picture."""
    if not len(times):
        return ()
    level = 10 * np.log10(np.maximum(power / max(reference, 1e-20), 1e-9))
    groups = np.array_split(np.arange(len(times)), min(_SPACING, len(times)))
    return tuple(
        (round(float(times[g].mean()), 4), round(float(np.mean(level[g])), 2)) for g in groups
    )

"""Reverberation: early decay time and T20 from the averaged strokes.

Method
------
The energy decay curve by backward integration (Schroeder 1965, JASA 37, 409) of
the strokes' mean response, ended where it meets the noise, the missing tail
added as an exponential decay (ISO 3382-1:2009, 5.3.3). The mean's energy is taken
from products of different strokes, to which noise adds nothing on average.

EDT is six times the time of the first 10 dB, T20 three times that from 5 to 25 dB
below the start, by straight lines; the noise must lie 10 dB below the range that
is used (ISO 3382-1:2009, 5.3 and annex A). A curve that bends by more than 10 parts
in a thousand (ISO 3382-2:2008, annex B) is no decay of a room: single walls make
steps in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.echoes.alignment import LOWEST_HZ
from callresp.echoes.deconvolution import Correlations

Values = npt.NDArray[np.float64]

T20_DB, EDT_DB = (-5.0, -25.0), (0.0, -10.0)
NEEDED_DB = 10.0
BENT_MOST = 10.0
# Shorter than this the curve is that of the stroke itself.
SHORTEST_S = 0.10
# Power over the noise below which a frequency counts less: the broadest band that leaves enough.
FAVOUR, ENOUGH_DB = (1e2, 1e3, 1e4, 1e5, 1e6), 45.0
_SMOOTH_S = 0.012
_KNEE = 3.0


@dataclass(frozen=True)
class Decay:
    """`edt_s` and `t20_s`, `None` where there is none; `why` says why not. `range_db` is usable."""

    edt_s: float | None
    t20_s: float | None
    range_db: float
    why: str = ""


def reverberation(found: Correlations, gain: Values) -> Decay:
    """EDT and T20 of a place.

    Parameters
    ----------
    found
        The strokes' aligned clips and their predictor.
    gain
        How loud each stroke is.
    """
    rate_hz = found.rate_hz
    wide = round(_SMOOTH_S * rate_hz)
    range_db = 0.0
    for favour in FAVOUR:
        power, noise = _mean_power(_responses(found, favour) / gain[:, None], found.stroke)
        after = power[found.stroke :]
        smooth = np.convolve(after, np.ones(wide) / wide, "valid")
        if len(smooth) < 8 * wide or noise <= 0:
            return Decay(None, None, 0.0, "too short to tell")
        top = float(smooth.max())
        range_db = 10 * float(np.log10(max(top, 1e-30) / noise))
        if range_db > ENOUGH_DB:
            break
    if range_db < -T20_DB[1] + NEEDED_DB:
        return Decay(None, None, range_db, f"noise leaves {range_db:.0f} dB, and T20 needs 35 dB")
    curve, times_s = _decay_curve(after, smooth, noise, rate_hz)
    t20, bent = _slope_s(curve, times_s, T20_DB)
    edt, _ = _slope_s(curve, times_s, EDT_DB)
    if t20 is None or t20 < SHORTEST_S:
        return Decay(None, None, range_db, "nothing rings on")
    if bent > BENT_MOST:
        return Decay(None, None, range_db, "what comes back are single echoes, no reverberation")
    return Decay(edt, t20, range_db)


def _responses(found: Correlations, favour: float) -> Values:
    """What each stroke is answered by: its clip, without the striker's ring, evenly coloured.

    Frequencies in which the mean stroke does not stand `favour` over the noise count less.
    """
    from scipy import fft

    count = found.clips.shape[1]
    size = fft.next_fast_len(count + len(found.predictor), real=True)
    spectra = fft.rfft(found.clips, size, axis=1) * fft.rfft(found.predictor, size)
    hertz = fft.rfftfreq(size, 1 / found.rate_hz)
    quiet = fft.rfft(fft.irfft(spectra, size, axis=1)[:, : round(0.9 * found.stroke)], size, axis=1)
    noise = np.mean(np.abs(quiet) ** 2, axis=0) * count / max(round(0.9 * found.stroke), 1)
    wide = max(1, round(100.0 * size / found.rate_hz))
    noise = np.convolve(noise, np.ones(wide) / wide, "same")
    signal = np.convolve(np.abs(spectra.mean(axis=0)) ** 2, np.ones(wide) / wide, "same")
    over = np.maximum(signal / (noise / len(spectra) + 1e-30) - 1, 0.0)
    share = np.sqrt(over / (favour + over)) * (hertz > LOWEST_HZ)
    return np.asarray(fft.irfft(spectra * share, size, axis=1)[:, :count])


def _mean_power(response: Values, stroke: int) -> tuple[Values, float]:
    """Square of the mean without the noise's share, over time; and that share before the stroke."""
    count = len(response)
    squares = np.sum(response**2, axis=0)
    both = np.sum(response, axis=0) ** 2
    power = (both - squares) / (count * max(count - 1, 1))
    quiet = squares[: round(0.9 * stroke)]
    return power, float(np.mean(quiet)) / count**2


def _decay_curve(
    after: Values, smooth: Values, noise: float, rate_hz: int
) -> tuple[Values, Values]:
    """Energy that is still to come over time, in dB, from the loudest moment on."""
    start = int(np.argmax(np.abs(after[: round(0.05 * rate_hz)])))
    below = np.flatnonzero(smooth[start:] < _KNEE * noise)
    end = start + (int(below[0]) if len(below) else len(smooth) - start)
    end = min(max(end, start + 16), len(after))
    part = after[start:end]
    left = np.cumsum(part[::-1])[::-1]
    # The tail beyond the knee, by the slope of the last third before it.
    last = smooth[start + 2 * (end - start) // 3 : end]
    tail = 0.0
    if len(last) > 16 and (last > 0).all():
        slope = -float(np.polyfit(np.arange(len(last)), np.log(last), 1)[0])
        tail = float(last[-1]) / slope if slope > 1e-7 else 0.0
    left = np.maximum(left + tail, 1e-30)
    return 10 * np.log10(left / left[0]), np.arange(len(left)) / rate_hz


def _slope_s(
    curve: Values, times_s: Values, span_db: tuple[float, float]
) -> tuple[float | None, float]:
    """Time of 60 dB by a straight line within a range, and how far the curve bends (‰)."""
    high, low = span_db
    first = int(np.argmax(curve <= high))
    under = np.flatnonzero(curve <= low)
    if not len(under) or under[0] - first < 8:
        return None, 0.0
    used = slice(first, int(under[0]))
    slope, level = np.polyfit(times_s[used], curve[used], 1)
    off = curve[used] - (level + slope * times_s[used])
    whole = float(np.sum((curve[used] - curve[used].mean()) ** 2)) or 1.0
    bent = 1000 * float(np.sum(off**2)) / whole
    return (float(-60 / slope) if slope < 0 else None), bent

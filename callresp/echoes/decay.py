"""Reverberation: early decay time and T20 from the averaged strokes, whole and in octaves.

Method
------
All that follows a stroke, its ring filtered out, is correlated with that stroke's own
first moments over their power (a Wiener estimate): tips sound different every time, but the
place's response is the same for all of them. The energy decay curve is that response's,
by backward integration (Schroeder 1965, JASA 37, 409), ended where it meets the noise, the
missing tail added as an exponential decay (ISO 3382-1:2009, 5.3.3). The mean's energy is taken
from products of different strokes, to which noise adds nothing on average.

EDT is six times the time of the first 10 dB, T20 three times that from 5 to 25 dB
below the start, by straight lines; the noise must lie 10 dB below the range that
is used (ISO 3382-1:2009, 5.3 and annex A). A curve that bends by more than 10 parts
in a thousand (ISO 3382-2:2008, annex B) is no decay of a room: single walls make
steps in it.

Octave bands have base-ten edges (IEC 61260-1:2014, 5.2 to 5.4) and run backward in time, so that
their own ring lies before what they let through (ISO 3382-1:2009, 7.3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.echoes.alignment import LOWEST_HZ
from callresp.echoes.deconvolution import AHEAD_S, TEMPLATE_S, Correlations, template_window

Values = npt.NDArray[np.float64]

T20_DB, EDT_DB = (-5.0, -25.0), (0.0, -10.0)
NEEDED_DB = 10.0
BENT_MOST = 10.0
BENT = "the decay is no straight line: single echoes, or octaves that ring for different times"
# Shorter than this the curve is that of the stroke itself.
SHORTEST_S = 0.10
# The lowest and the highest octave that a striker's stroke and a worked rate leave whole.
OCTAVES_HZ = (250.0, 500.0, 1000.0, 2000.0, 4000.0)
_SMOOTH_HZ, _SMOOTH_S = 100.0, 0.030
_KNEE = 3.0
# A line stands so far over the usual within so many Hz, in the last part of what is heard; this
# much on each side of it is left out.
LATE_SHARE, LINE_DB, LINE_AMONG_HZ, LINE_HZ = 0.5, 15.0, 150.0, 15.0


@dataclass(frozen=True)
class Decay:
    """`edt_s` and `t20_s`, `None` where there is none; `why` says why not. `range_db` is usable."""

    edt_s: float | None
    t20_s: float | None
    range_db: float
    why: str = ""


@dataclass(frozen=True)
class Reverberation:
    """Of the whole band, and of octaves by their nominal middles in Hz."""

    whole: Decay
    octaves: dict[float, Decay]


def reverberation(found: Correlations) -> Reverberation:
    """EDT and T20 of a place.

    Parameters
    ----------
    found
        The strokes' aligned clips and their predictor.
    """
    from scipy import fft, signal

    spectra, size = _responses(found)
    hertz = fft.rfftfreq(size, 1 / found.rate_hz)
    spectra *= _without_lines(found, hertz) * (hertz > LOWEST_HZ)
    count = found.clips.shape[1]

    def within(weight: npt.NDArray[np.complex128]) -> Decay:
        over_time = fft.irfft(spectra * weight, size, axis=1)
        return _decay(over_time[:, :count], found.stroke, found.rate_hz)

    octaves = {}
    for middle_hz in OCTAVES_HZ:
        exact_hz = 1000.0 * 10 ** (0.3 * round(np.log2(middle_hz / 1000.0)))
        edges = exact_hz * 10 ** np.array([-0.15, 0.15])
        taps = signal.butter(3, edges, "band", fs=found.rate_hz, output="sos")
        octaves[middle_hz] = within(signal.sosfreqz(taps, hertz, fs=found.rate_hz)[1].conj())
    return Reverberation(within(np.ones(len(hertz), np.complex128)), octaves)


def _responses(found: Correlations) -> tuple[npt.NDArray[np.complex128], int]:
    """Spectra of the place's response by each stroke, and the samples that they stand for."""
    from scipy import fft, ndimage, signal

    rate_hz, stroke, count = found.rate_hz, found.stroke, found.clips.shape[1]
    ahead, length = (round(s * rate_hz) for s in (AHEAD_S, TEMPLATE_S))
    size = fft.next_fast_len(count + len(found.predictor) + length, real=True)
    spectra = fft.rfft(found.clips, size, axis=1) * fft.rfft(found.predictor, size)
    bursts = fft.irfft(spectra, size, axis=1)
    window = template_window(ahead + length, rate_hz)
    first = np.zeros((len(bursts), size))
    first[:, : ahead + length] = bursts[:, stroke - ahead : stroke + length] * window
    templates = fft.rfft(np.roll(first, -ahead, axis=1), size, axis=1)
    quiet = bursts[:, len(found.predictor) : round(0.9 * stroke)]
    _, noise = signal.welch(quiet, rate_hz, nperseg=min(512, quiet.shape[1]))
    noise = np.median(noise, axis=0) * 0.5 * rate_hz * np.sum(window**2)
    wide = max(1, round(_SMOOTH_HZ * size / rate_hz))
    power = ndimage.uniform_filter1d(np.mean(np.abs(templates) ** 2, axis=0), wide)
    over = power + np.interp(np.linspace(0, 1, len(power)), np.linspace(0, 1, len(noise)), noise)
    return spectra * templates.conj() / over, size


def _without_lines(found: Correlations, hertz: Values) -> Values:
    """0 about pitches that ring on when all else has died away, as a bell's do; else 1.

    In a room the predictor can't tell a bell's ring from the room's; but the room rings at all
    pitches, and what is left of it at the others tells as much.
    """
    from scipy import fft, ndimage

    first = found.stroke + round(LATE_SHARE * (found.clips.shape[1] - found.stroke))
    late = found.clips[:, first:] * np.hanning(found.clips.shape[1] - first)
    power = np.mean(np.abs(fft.rfft(late, axis=1)) ** 2, axis=0)
    step_hz = 0.5 * found.rate_hz / (len(power) - 1)
    usual = ndimage.median_filter(power, 2 * round(LINE_AMONG_HZ / step_hz) + 1)
    lines = (power > 10 ** (LINE_DB / 10) * usual).astype(float)
    lines = ndimage.maximum_filter1d(lines, 2 * round(LINE_HZ / step_hz) + 1)
    lines = ndimage.uniform_filter1d(lines, max(1, round(LINE_HZ / step_hz)))
    return np.asarray(1 - np.interp(hertz, step_hz * np.arange(len(power)), lines))


def _decay(response: Values, stroke: int, rate_hz: int) -> Decay:
    power, noise = _mean_power(response, stroke)
    after = power[stroke:]
    wide = round(_SMOOTH_S * rate_hz)
    smooth = np.convolve(after, np.ones(wide) / wide, "valid")
    if len(smooth) < 4 * wide or noise <= 0:
        return Decay(None, None, 0.0, "too short to tell")
    curve, range_db = _decay_curve(after, smooth, noise, rate_hz)
    times_s = np.arange(len(curve)) / rate_hz
    if range_db < -T20_DB[1] + NEEDED_DB:
        return Decay(None, None, range_db, f"noise leaves {range_db:.0f} dB, and T20 needs 35 dB")
    t20, bent = _slope_s(curve, times_s, T20_DB)
    edt, _ = _slope_s(curve, times_s, EDT_DB)
    if t20 is None or t20 < SHORTEST_S:
        return Decay(None, None, range_db, "nothing rings on")
    if bent > BENT_MOST:
        return Decay(None, None, range_db, BENT)
    return Decay(edt, t20, range_db)


def _mean_power(response: Values, stroke: int) -> tuple[Values, float]:
    """Square of the mean without the noise's share, over time; and that share before the stroke."""
    count = len(response)
    squares = np.sum(response**2, axis=0)
    both = np.sum(response, axis=0) ** 2
    power = (both - squares) / (count * max(count - 1, 1))
    quiet = squares[: round(0.9 * stroke)]
    return power, float(np.mean(quiet)) / count**2


def _decay_curve(after: Values, smooth: Values, noise: float, rate_hz: int) -> tuple[Values, float]:
    """Energy that is still to come over time, in dB, from the loudest moment on; usable range."""
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
    curve = 10 * np.log10(left / left[0])
    # So far down the noise lies low enough.
    high = np.flatnonzero(smooth[start:end] < 10 ** (NEEDED_DB / 10) * noise)
    usable = int(high[0]) if len(high) else len(curve) - 1
    return curve, NEEDED_DB - float(curve[min(usable, len(curve) - 1)])


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

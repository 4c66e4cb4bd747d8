"""Finding strokes in a recording: where energy rises, then exactly when.

Method
------
`novelty` is a band-wise rise of log energy over the noise floor, with a lag, as
in onset detection functions (Böck & Widmer 2013, DAFx). `pick` places an onset
within a window by an autoregressive picker as seismologists use for first
arrivals: the error of a linear prediction from the sound before is split where
two variances describe it best (Sleeman & van Eck 1999, Physics of the Earth and
Planetary Interiors 113; Akaike's criterion after Maeda 1985). The prediction
removes the ringing of an earlier stroke.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Wave = npt.NDArray[np.float32]
Values = npt.NDArray[np.float64]

HOP_S = 0.002
_SIZE_S = 0.008
_BANDS = 9
_LOW_HZ = 250.0
_BLOCK = 1 << 15
_LAG = 3
SWELL_LAG_S, SWELL = 0.05, 0.75


@dataclass(frozen=True, slots=True)
class Onsets:
    """Onset candidates: times in seconds, and the mean rise over bands (log10)."""

    times_s: Values
    rises: Values


def band_levels(samples: Wave, rate_hz: int) -> tuple[Values, Values]:
    """Log energy over the floor, shape ``(bands, frames)``, and the band edges in Hz."""
    from scipy import fft

    size = 1 << int(np.ceil(np.log2(_SIZE_S * rate_hz)))
    hop = round(HOP_S * rate_hz)
    window = np.hanning(size).astype(np.float32)
    top = min(16000.0, 0.45 * rate_hz)
    edges = np.geomspace(_LOW_HZ, top, _BANDS + 1)
    bins = np.searchsorted(np.fft.rfftfreq(size, 1 / rate_hz), edges)
    padded = np.pad(samples, size // 2)
    count = max(1 + (len(padded) - size) // hop, 0)
    energy = np.empty((_BANDS, count))
    for first in range(0, count, _BLOCK):
        last = min(first + _BLOCK, count)
        part = padded[first * hop : (last - 1) * hop + size]
        frames = np.lib.stride_tricks.sliding_window_view(part, size)[::hop] * window
        # In single precision, as the recording is: numpy's own would work in double.
        bins_of = fft.rfft(frames, axis=1)
        power = bins_of.real**2 + bins_of.imag**2
        for band in range(_BANDS):
            low, high = bins[band], max(bins[band + 1], bins[band] + 1)
            energy[band, first:last] = power[:, low:high].sum(axis=1)
    floor = np.quantile(energy, 0.2, axis=1, keepdims=True) if count else np.ones((_BANDS, 1))
    floor = np.maximum(1.5 * floor, 1e-14)
    return np.log10(1 + energy / floor), edges


def novelty(levels: Values) -> Values:
    """Mean rise over the bands against the loudest of the frames just before."""
    from scipy import ndimage

    before = ndimage.maximum_filter1d(levels, 3, axis=1)
    before = np.roll(before, _LAG, axis=1)
    before[:, :_LAG] = levels[:, :_LAG]
    return np.asarray(np.maximum(levels - before, 0.0).mean(axis=0))


def find(samples: Wave, rate_hz: int, rise: float = 0.22, apart_s: float = 0.02) -> Onsets:
    """All onset candidates of a recording.

    Parameters
    ----------
    samples
        float32, shape ``(n,)``.
    rate_hz
        Their rate.
    rise
        Least mean rise over the bands, log10.
    apart_s
        Least distance between two onsets.
    """
    from scipy import signal

    levels, _ = band_levels(samples, rate_hz)
    curve = novelty(levels)
    # In wind and rain the curve fluctuates; an onset must stand out from that as well.
    noise = float(np.median(np.abs(curve - np.median(curve)))) if len(curve) else 0.0
    least = max(rise, float(np.median(curve)) + 6 * noise) if len(curve) else rise
    peaks, _ = signal.find_peaks(curve, height=least, distance=max(1, round(apart_s / HOP_S)))
    # A peak of the lagged curve stands about one frame behind the rise.
    times = np.maximum(peaks * HOP_S - HOP_S, 0.0)
    return Onsets(times, curve[peaks])


def swells(samples: Wave, rate_hz: int) -> Values:
    """Times at which a band rises above its maximum of the last second, also slowly.

    Strokes do, and so does a bird; a partial that beats does not.
    """
    from scipy import ndimage, signal

    levels, _ = band_levels(samples, rate_hz)
    smooth = ndimage.uniform_filter1d(levels, 7, axis=1)
    long, lag = round(1.0 / HOP_S), round(SWELL_LAG_S / HOP_S)
    before = ndimage.maximum_filter1d(smooth, long, axis=1, origin=(long - 1) // 2)
    before = np.roll(before, lag, axis=1)
    before[:, :lag] = smooth[:, :lag]
    risen = (smooth - before).max(axis=0) if smooth.size else np.zeros(0)
    peaks, _ = signal.find_peaks(risen, height=SWELL, distance=max(1, round(0.05 / HOP_S)))
    return np.asarray(np.maximum(peaks * HOP_S - SWELL_LAG_S / 2, 0.0))


@dataclass(frozen=True, slots=True)
class Pick:
    """An onset within a window: when, and how far energy rises there (dB)."""

    at_s: float
    rise_db: float


def prediction_error(part: Values, before: Values, order: int) -> Values:
    """What a linear prediction learnt from `before` leaves of `part`.

    `part` must start with `order` samples of history, which are not returned.
    """
    from scipy import linalg, signal

    before = before - before.mean()
    full = signal.correlate(before, before, "full", method="fft")[len(before) - 1 :][: order + 1]
    power = full[0]
    if power <= 0:
        return np.asarray(part[order:], dtype=np.float64)
    # A little white noise regularises the equations for a pure tone.
    full[0] *= 1 + 1e-6
    taps = linalg.solve_toeplitz(full[:-1], full[1:])
    error = signal.lfilter(np.r_[1.0, -taps], [1.0], part)
    return np.asarray(error[order:])


def pick(
    samples: Wave, rate_hz: int, about_s: float, early_s: float, late_s: float, learn_s: float
) -> Pick | None:
    """Place an onset near `about_s`, within `early_s` before and `late_s` after.

    Parameters
    ----------
    samples
        The recording, shape ``(n,)``.
    rate_hz
        Samples a second.
    about_s
        When the stroke is expected.
    early_s, late_s
        How much earlier or later it may be.
    learn_s
        How much of the sound before is free of other onsets.

    Returns
    -------
    Pick or None
        `None` when the window lies outside the recording.
    """
    first = round((about_s - early_s) * rate_hz)
    last = round((about_s + late_s) * rate_hz)
    learn = max(round(min(learn_s, 0.08) * rate_hz), 64)
    order = int(min(48, learn // 4))
    start = first - max(learn, order)
    if start < 0 or last + 8 > len(samples):
        return None
    sound = np.asarray(samples[start : last + round(0.012 * rate_hz)], dtype=np.float64)
    before = sound[: first - start]
    part = sound[first - start - order :]
    error = prediction_error(part, before, order)
    return _split(error, last - first, rate_hz, first / rate_hz)


def _split(error: Values, inside: int, rate_hz: int, first_s: float) -> Pick | None:
    """The split of `error` into two variances with the least Akaike criterion."""
    count = len(error)
    if count < 64:
        return None
    power = np.cumsum(error**2) + 1e-18
    # Look only up to shortly after the strongest stretch: after a stroke all decays.
    short = max(8, round(0.002 * rate_hz))
    energy = np.convolve(error**2, np.ones(short), "full")[short - 1 :]
    top = int(np.argmax(energy[: max(inside, 1)]))
    end = min(count, top + 2 * short)
    k = np.arange(16, max(end - 8, 17))
    quiet = power[k - 1] / k
    loud = (power[end - 1] - power[k - 1]) / (end - k)
    criterion = k * np.log(quiet) + (end - k) * np.log(np.maximum(loud, 1e-18))
    at = int(k[np.argmin(criterion)])
    at = min(at, max(inside, 1))
    quiet_power = power[at - 1] / at
    after = error[at : at + 2 * short]
    rise = float(np.mean(after**2)) / quiet_power if len(after) else 1.0
    return Pick(first_s + at / rate_hz, 10 * float(np.log10(max(rise, 1e-9))))

"""What follows each stroke, correlated with that stroke's own first arrival.

Method
------
The train of aligned clips is filtered by one linear predictor, learnt on their
mean once the tip has left (Makhoul 1975, Proc. IEEE 63, covariance method): what
rings by poles, a bar for seconds, is left as a short burst at each arrival, the
stroke's own included, so that its ring is no echo.

The burst at the stroke is the template: that of the stroke itself where it stands
clear of the noise, else that of the mean (a Wiener estimate, frequency by
frequency). All behind it is correlated with the template over the noise's
spectrum: the matched filter (Turin 1960, IRE Trans. Information Theory 6), apart
in bands, because birds and gusts lie in some bands at some moments only, and
because the air takes high bands away with distance (ISO 9613-1).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.echoes.alignment import LOWEST_HZ, AlignedStrokes, cut, highpassed

Wave = npt.NDArray[np.float32]
Values = npt.NDArray[np.float64]
Spectra = npt.NDArray[np.complex128]

# Returns before this are of the stroke itself: its bounce, the ground, the machine's own frame.
EARLIEST_S = 0.020
TEMPLATE_S = 0.018
_TAPER_S = 0.003
_FILTER_S = 0.010
AHEAD_S = 0.0015
_BEFORE_S = 0.30
_ORDER_S = 0.008
# The ring that the predictor is learnt on, from the stroke on.
_LEARNT_S = (0.012, 0.3)
BANDS = 8


@dataclass(frozen=True)
class Correlations:
    """Matched filter of every stroke in every band, over delay.

    Attributes
    ----------
    rate_hz, first
        Sample n of the last axis is a delay of ``(n + first) / rate_hz`` seconds.
    values
        float32, shape ``(strokes, bands, delays)``.
    power
        What an echo as loud as the stroke would give, shape ``(strokes, bands)``.
    stroke_share
        How much of the strokes' own energy lies in each band, whatever the noise is there.
    own
        The filter's answer to the template itself: shape ``(strokes, bands, 2 m + 1)``.
    middle_hz
        Of each band.
    predictor
        Coefficients of the filter, from 1.
    clips
        What was filtered: aligned clips, the stroke at sample `stroke`.
    """

    rate_hz: int
    first: int
    values: npt.NDArray[np.float32]
    power: Values
    stroke_share: Values
    own: Values
    middle_hz: Values
    predictor: Values
    clips: Values
    stroke: int


def correlate(
    samples: Wave, rate_hz: int, strokes: AlignedStrokes, longest_s: float
) -> Correlations:
    """Correlate what follows each stroke with its first arrival.

    Parameters
    ----------
    samples, rate_hz
        The recording.
    strokes
        Where its strokes are.
    longest_s
        The longest delay that is looked at; less than the strokes are apart.
    """
    from scipy import fft

    clean = highpassed(samples, rate_hz)
    before, after = round(_BEFORE_S * rate_hz), round((longest_s + 0.05) * rate_hz)
    clips = cut(clean, rate_hz, strokes.at_s, before, after)
    weight = strokes.gain / _noise_power(clips, rate_hz)
    mean = np.average(clips / strokes.gain[:, None], axis=0, weights=weight * strokes.gain)
    predictor = predictor_of(mean, before, rate_hz)
    size = fft.next_fast_len(clips.shape[1] + len(predictor), real=True)
    bursts = fft.irfft(fft.rfft(clips, size, axis=1) * fft.rfft(predictor, size), size, axis=1)
    bursts = bursts[:, : clips.shape[1]]
    ahead, length = round(AHEAD_S * rate_hz), round((TEMPLATE_S + AHEAD_S) * rate_hz)
    start = before - ahead
    window = template_window(length, rate_hz)
    first = round(EARLIEST_S * rate_hz)
    # Whole steps of what a template's own answer needs: it is taken from every so many bins.
    reach = length + round(_FILTER_S * rate_hz)
    few = fft.next_fast_len(2 * reach + 64, real=True)
    step = -(-(after + 2 * length) // few)
    size = few * step
    templates, noise = _templates(bursts, start, length, window, strokes.gain, size)
    # What lies behind the template alone, faded in over a moment.
    rest = bursts[:, start:].copy()
    rest[:, :length] = 0.0
    ramp = round(0.002 * rate_hz)
    rest[:, length : length + ramp] *= np.linspace(0, 1, ramp)
    hertz = fft.rfftfreq(size, 1 / rate_hz)
    shares, middle_hz = _bands(hertz, rate_hz)
    # What is left to do is much, and single precision enough for it.
    spectra = fft.rfft(rest.astype(np.float32), size, axis=1)
    scale = float(np.sqrt(noise.mean()))
    templates = (templates / scale).astype(np.complex64)
    spectra, noise = spectra / np.float32(scale), noise / scale**2
    # The predictor flattened the templates: what the strokes themselves are made of is before it.
    flattened = np.abs(fft.rfft(predictor, size)) ** 2
    energy = np.asarray(shares) @ (np.mean(np.abs(templates) ** 2, axis=0) / flattened)
    count = round(longest_s * rate_hz) - first
    values = np.empty((len(clips), len(shares), count), np.float32)
    power = np.empty((len(clips), len(shares)))
    own = np.empty((len(clips), len(shares), 2 * reach + 1))
    for band, share in enumerate(shares):
        over = _short(share / noise, size, rate_hz).astype(np.float32)
        found = fft.irfft(spectra * templates.conj() * over, size, axis=1)
        values[:, band] = found[:, first : first + count]
        each = fft.irfft(np.abs(templates[:, ::step]) ** 2 * over[::step], few, axis=1)
        power[:, band] = each[:, 0]
        own[:, band] = np.concatenate([each[:, -reach:], each[:, : reach + 1]], axis=1)
    return Correlations(
        rate_hz,
        first,
        values,
        np.maximum(power, 1e-30),
        energy / np.sum(energy),
        own,
        middle_hz,
        predictor,
        clips,
        before,
    )


def _short(weight: Values, size: int, rate_hz: int) -> Values:
    """A weight of frequencies, smoothed so that its filter ends within ±`_FILTER_S`.

    A longer one would put faint copies of every echo beside it.
    """
    from scipy import fft

    taps = fft.irfft(weight, size)
    half = round(_FILTER_S * rate_hz)
    window = np.zeros(size)
    fall = 0.5 + 0.5 * np.cos(np.pi * np.arange(half) / half)
    window[:half] = fall
    window[-half + 1 :] = fall[:0:-1]
    return np.asarray(np.maximum(fft.rfft(taps * window).real, 0.0))


def _noise_power(clips: Values, rate_hz: int) -> Values:
    """Mean square of what sounds in a clip before its stroke, shape ``(k,)``."""
    quiet = clips[:, : round((_BEFORE_S - 0.02) * rate_hz)]
    each = np.mean(quiet**2, axis=1)
    return np.asarray(np.maximum(each, 0.1 * float(np.median(each)) + 1e-20))


def predictor_of(mean: Values, stroke: int, rate_hz: int) -> Values:
    """The filter that leaves of a ringing mean stroke what no linear prediction explains.

    By least squares over what rings once the noise of the tip is over (the covariance
    method): with that noise in it, the poles would come out too short.

    Parameters
    ----------
    mean
        The mean of all strokes as they came in, shape ``(n,)``.
    stroke
        The sample of it at which the stroke begins.
    rate_hz
        Samples a second.

    Returns
    -------
    Values
        The filter's taps, the first of them 1.
    """
    order = round(_ORDER_S * rate_hz)
    first, last = (stroke + round(s * rate_hz) for s in _LEARNT_S)
    part = mean[first - order : last]
    # Sums of products of what lies i and j samples back. From one row to the next they are the
    # same but at both ends, and so take a hundredth of the sums.
    sums = np.empty((order + 1, order + 1))
    sums[0] = sums[:, 0] = np.correlate(part, part[order:], "valid")[::-1]
    before, after = part[:order][::-1], part[-order:][::-1]
    for i in range(order):
        sums[i + 1, 1:] = sums[i, :-1] + before[i] * before - after[i] * after
    normal = sums[1:, 1:]
    normal[np.diag_indices(order)] += 1e-6 * np.trace(normal) / order + 1e-30
    taps = np.linalg.solve(normal, sums[1:, 0])
    return np.concatenate([[1.0], -taps])


def template_window(length: int, rate_hz: int) -> Values:
    """A window that leaves a stroke's first moments as they are, and lets their end die away."""
    window = np.ones(length)
    end = round(_TAPER_S * rate_hz)
    window[-end:] = 0.5 + 0.5 * np.cos(np.linspace(0, np.pi, end))
    return window


def _templates(
    bursts: Values, start: int, length: int, window: Values, gain: Values, size: int
) -> tuple[Spectra, Values]:
    """Spectrum of each stroke's template, and the noise's, over the bins of `size`."""
    from scipy import fft

    cuts = fft.rfft(bursts[:, start : start + length] * window, size, axis=1)
    step = length // 2
    places = range(0, start - length - step, step)
    quiet = np.stack([bursts[:, at : at + length] for at in places], axis=1)
    quiet = (
        quiet * np.hanning(length) * np.sqrt(np.sum(window**2) / np.sum(np.hanning(length) ** 2))
    )
    few = fft.next_fast_len(2 * length, real=True)
    spectra = np.abs(fft.rfft(quiet, few, axis=2)) ** 2
    # Medians over the strokes, not means: a bird in one of them is no noise of the place.
    noise = _smoothed(np.median(np.mean(spectra, axis=1), axis=0), 3)
    noise = np.interp(np.linspace(0, 1, cuts.shape[1]), np.linspace(0, 1, len(noise)), noise)
    noise = np.maximum(noise, 1e-9 * float(noise.max()) + 1e-30)
    mean = gain @ cuts / np.sum(gain**2)
    off = cuts - gain[:, None] * mean
    wide = max(1, size // length)
    spread = _smoothed(np.median(np.abs(off) ** 2, axis=0) / np.log(2), wide)
    # What a stroke has of its own, beyond what the noise lets it seem to have.
    true = np.maximum(spread - noise, 0.0)
    return gain[:, None] * mean + off * (true / (true + noise)), noise


def _smoothed(values: Values, wide: int) -> Values:
    from scipy import ndimage

    return np.asarray(ndimage.uniform_filter1d(values, wide))


def _bands(hertz: Values, rate_hz: int) -> tuple[list[Values], Values]:
    """Shares of each bin that belong to bands of equal width in octaves; they sum to 1."""
    edges = np.geomspace(LOWEST_HZ, 0.46 * rate_hz, BANDS + 1)
    middle = np.sqrt(edges[:-1] * edges[1:])
    place = np.log(np.maximum(hertz, 1.0))
    shares = []
    for number in range(BANDS):
        share = np.interp(place, np.log(middle), np.eye(BANDS)[number])
        # Below and above the outermost middles nothing else has a share.
        shares.append(np.where((hertz > LOWEST_HZ) & (hertz < edges[-1]), share, 0.0))
    return shares, middle

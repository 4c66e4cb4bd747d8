"""Finding each stroke of a plan in a recording, to a small part of a millisecond.

A recorder starts when somebody started it, its clock and the board's differ by
some parts in a million, and a coil does not strike after the same time twice.
First the comb of all planned times is slid over the recording's onset curve
(`callresp.strike_test.onsets`), for every difference in rate that clocks have;
then each stroke is placed by its own first arrival, against the mean of all.

The comb must fit far better than others do: combs of the same pauses in another order
meet a recording's loud moments as often as that of another plan would.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.errors import UserError
from callresp.strike_test import onsets

Wave = npt.NDArray[np.float32]
Values = npt.NDArray[np.float64]

RATE_MAX_HZ = 24000
SKEW_MOST_PPM = 250
# A stroke may lie this far from where the two clocks put it.
JITTER_S = 0.006
# Its first arrival: long enough to tell it by, and over before any return that is asked for.
FIRST_S = 0.014
LOWEST_HZ = 150.0
_ROUNDS = 4
_LEAST_SHARE, _LEAST_STROKES = 0.3, 4
# Chance comes to 6, strokes as faint as the noise to 20; other orders of the pauses come to 7 to
# 16, the more the louder the strokes, and the right one to twice that.
_LEAST_HEIGHT = 7.5
_OTHER_ORDERS, _OVER_OTHERS = 24, 1.3


@dataclass(frozen=True)
class AlignedStrokes:
    """Where the strokes lie in a recording.

    Attributes
    ----------
    at_s
        First arrival of each, seconds from the recording's start, shape ``(k,)``.
    gain
        How loud each is against their mean, as a factor.
    snr_db
        Of the first arrivals over what sounds just before them: their median.
    planned
        Which strokes of the plan they are.
    """

    at_s: Values
    gain: Values
    snr_db: float
    planned: npt.NDArray[np.int64]


def slide(
    planned_s: Values, curve: Values, hop_s: float, skew_ppm: float = SKEW_MOST_PPM
) -> tuple[float, float, float]:
    """Slide a comb of times over an onset curve, for clocks that differ by up to `skew_ppm`.

    Returns
    -------
    offset_s, skew, score
        Recording time is ``offset_s + (1 + skew) · planned``. The score says by
        how many standard deviations that offset stands over all others.
    """
    middle = float(np.mean(planned_s))
    span = float(np.ptp(planned_s))
    step = max(hop_s / max(0.5 * span, 1.0), 1e-5)
    count = int(skew_ppm * 1e-6 / step)
    least = max(_LEAST_SHARE * len(planned_s), min(_LEAST_STROKES, len(planned_s)))
    # One loud knock must not outweigh many strokes.
    cap = float(np.quantile(curve, 0.995)) if len(curve) else 0.0
    capped = np.minimum(curve, cap) - min(float(np.median(curve)) if len(curve) else 0.0, cap)
    best = (0.0, 0.0, -np.inf)
    for skew in np.arange(-count, count + 1) * step:
        at = np.round((planned_s - middle) * (1 + skew) / hop_s).astype(np.int64)
        low, high = -int(at.max()), len(capped) - int(at.min())
        score = np.zeros(high - low)
        inside = np.zeros(high - low)
        for place in at:
            score[-place - low : -place - low + len(capped)] += capped
            inside[-place - low : -place - low + len(capped)] += 1
        # A recording that holds so few of the strokes tells nothing.
        score[inside < least] = 0.0
        top = int(np.argmax(score))
        spread = float(np.std(score)) or 1.0
        height = (float(score[top]) - float(np.mean(score))) / spread
        if height > best[2]:
            best = ((top + low) * hop_s - middle * (1 + skew), float(skew), height)
    return best


def align_strokes(samples: Wave, rate_hz: int, planned_s: Values, name: str) -> AlignedStrokes:
    """Find the strokes of a plan in a recording.

    Parameters
    ----------
    samples, rate_hz
        The recording, float32 of shape ``(n,)``.
    planned_s
        When each stroke was to sound, on the board's clock.
    name
        Of the recording, for what is wrong with it.

    Raises
    ------
    UserError
        The recording does not hold the plan's strokes.
    """
    levels, _ = onsets.band_levels(samples, rate_hz)
    curve = onsets.novelty(levels)
    offset_s, skew, height = slide(planned_s, curve, onsets.HOP_S)
    if height < max(_LEAST_HEIGHT, _OVER_OTHERS * _other_orders(planned_s, curve)):
        raise UserError(
            "the plan's strokes can't be found in it",
            where=name,
            remedy="is it the recording of this plan, and loud enough?",
        )
    # A peak of the lagged curve stands about one frame behind the rise.
    due_s = offset_s + (1 + skew) * planned_s - onsets.HOP_S
    whole = (due_s > 0.05) & (due_s < len(samples) / rate_hz - 0.1)
    planned = np.flatnonzero(whole)
    at_s, gain, snr_db = _placed(highpassed(samples, rate_hz), rate_hz, due_s[whole])
    return AlignedStrokes(at_s, gain, snr_db, planned)


def _other_orders(planned_s: Values, curve: Values) -> float:
    """The best fit of combs of the same pauses in other orders."""
    rng = np.random.default_rng(1)
    pauses = np.diff(planned_s)
    combs = (np.append(0.0, np.cumsum(rng.permutation(pauses))) for _ in range(_OTHER_ORDERS))
    return max(slide(comb, curve, onsets.HOP_S, 0.0)[2] for comb in combs)


def highpassed(samples: npt.NDArray[np.floating], rate_hz: int) -> Values:
    """The sound from `LOWEST_HZ` on, by a filter of zero phase."""
    from scipy import signal

    taps = signal.butter(3, LOWEST_HZ, "high", fs=rate_hz, output="sos")
    return np.asarray(signal.sosfiltfilt(taps, samples.astype(np.float64)))


def cut(samples: Values, rate_hz: int, at_s: Values, before: int, after: int) -> Values:
    """Clips about moments between samples, shape ``(k, before + after)``.

    Each is shifted by the part of a sample that its moment lies behind one, so that
    all have it at sample `before`. Zeros stand where the recording has none.
    """
    from scipy import fft

    exact = at_s * rate_hz
    first = np.floor(exact).astype(np.int64)
    late = exact - first
    room = 64
    clips = np.zeros((len(at_s), before + after + 2 * room))
    for row, start in zip(clips, first - before - room, strict=True):
        low, high = max(start, 0), min(start + len(row), len(samples))
        if high > low:
            row[low - start : high - start] = samples[low:high]
    size = fft.next_fast_len(clips.shape[1] + 2 * room, real=True)
    spectra = fft.rfft(clips, size, axis=1)
    turn = np.exp(2j * np.pi * np.outer(late, np.arange(spectra.shape[1])) / size)
    shifted = fft.irfft(spectra * turn, size, axis=1)
    return np.asarray(shifted[:, room : room + before + after])


def _placed(samples: Values, rate_hz: int, due_s: Values) -> tuple[Values, Values, float]:
    """Each stroke's moment and gain, by its first arrival against the mean of all."""
    before, after = round(0.012 * rate_hz), round(FIRST_S * rate_hz)
    quiet = cut(samples, rate_hz, due_s - 0.05, round(0.03 * rate_hz), 0)
    noise = np.mean(quiet**2, axis=1)
    # By the envelope first: waves of a pure tone look alike a cycle apart.
    shift = _by_envelope(cut(samples, rate_hz, due_s, 2 * before, 2 * after), rate_hz)
    at_s = due_s + _smooth_clock(due_s, shift)
    most = round(0.0025 * rate_hz)
    for number in range(_ROUNDS):
        wide = cut(samples, rate_hz, at_s, before + most, after + most)
        mean = np.average(wide, axis=0, weights=1 / (noise + np.median(noise)))
        move = _by_wave(wide, mean[most:-most], most) / rate_hz
        at_s = at_s + (move - np.median(move) if number else move)
    wide = cut(samples, rate_hz, at_s, before, after)
    mean = np.average(wide, axis=0, weights=1 / (noise + np.median(noise)))
    start = _first_rise(mean, before, rate_hz)
    at_s = at_s + start
    wide = cut(samples, rate_hz, at_s, before, after)
    mean = np.average(wide, axis=0, weights=1 / (noise + np.median(noise)))
    energy = float(np.sum(mean[before:] ** 2)) or 1e-30
    gain = wide[:, before:] @ mean[before:] / energy
    ratio = energy / after / np.maximum(noise, 1e-20)
    return at_s, np.clip(gain, 0.1, 10.0), 10 * float(np.log10(np.median(ratio) + 1e-12))


def _by_envelope(clips: Values, rate_hz: int) -> Values:
    """Shift of each clip's energy against the mean of all, in seconds."""
    from scipy import ndimage

    smooth = ndimage.uniform_filter1d(clips**2, max(3, round(0.001 * rate_hz)), axis=1)
    smooth = np.sqrt(smooth)
    smooth -= np.median(smooth, axis=1, keepdims=True)
    smooth /= np.linalg.norm(smooth, axis=1, keepdims=True) + 1e-12
    most = round(JITTER_S * rate_hz)
    moves = np.zeros(len(clips))
    for _ in range(3):
        mean = np.mean([np.roll(row, -round(m)) for row, m in zip(smooth, moves, strict=True)], 0)
        moves = _by_wave(smooth, mean[most:-most], most)
        moves -= np.median(moves)
    return np.asarray(moves / rate_hz)


def _by_wave(clips: Values, mean: Values, most: int) -> Values:
    """Shift, in samples, at which each clip is most like the mean; within ±`most`."""
    windows = np.lib.stride_tricks.sliding_window_view(clips, len(mean), axis=1)
    like = windows @ mean
    like = like[:, : 2 * most + 1]
    top = np.clip(np.argmax(like, axis=1), 1, like.shape[1] - 2)
    rows = np.arange(len(clips))
    left, at, right = like[rows, top - 1], like[rows, top], like[rows, top + 1]
    bent = left - 2 * at + right
    part = np.where(bent < 0, 0.5 * (left - right) / np.where(bent < 0, bent, -1.0), 0.0)
    return np.asarray(top + np.clip(part, -0.5, 0.5) - most)


def _smooth_clock(due_s: Values, shift_s: Values) -> Values:
    """The shifts, with those that lie off the line of two clocks drawn back to it."""
    middle = due_s - due_s.mean()
    used = np.ones(len(due_s), dtype=bool)
    line = np.full(len(due_s), float(np.median(shift_s)))
    for _ in range(4):
        if used.sum() < 4:
            break
        slope, level = np.polyfit(middle[used], shift_s[used], 1)
        line = level + np.clip(slope, -4e-4, 4e-4) * middle
        left = np.abs(shift_s - line)
        used = left < max(3 * 1.4826 * float(np.median(left)), 3e-4)
    return np.asarray(np.where(used, shift_s, line))


def _first_rise(mean: Values, before: int, rate_hz: int) -> float:
    """Where the mean stroke begins, in seconds behind sample `before`."""
    energy = np.convolve(mean**2, np.ones(max(3, round(0.0005 * rate_hz))), "same")
    top = float(energy.max())
    floor = float(np.median(energy[: before // 2]))
    above = np.flatnonzero(energy > max(0.05 * top, 4 * floor))
    return float(above[0] - before) / rate_hz if len(above) else 0.0

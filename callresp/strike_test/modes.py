"""Partials of a struck sound: frequency between the bins, decay, amplitude.

Method
------
Candidates are peaks of spectra over windows from 20 ms to some seconds, so
that short and long partials both show. Each is then fitted as a decaying
sinusoid by least squares, frequency and decay together, amplitude and phase
solved for (variable projection; Golub & Pereyra 2003, Inverse Problems 19).
In white noise this is the maximum likelihood estimate and reaches the
Cramér-Rao bound at usable signal-to-noise ratios. Partials are fitted one
after another with all others taken out, and again, until they settle (RELAX;
Li & Stoica 1996, IEEE Trans. Signal Processing 44). Each fit is made on a
narrow band shifted to 0 Hz and decimated, which leaves few samples.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]
Phasors = npt.NDArray[np.complex128]

LN_1000 = math.log(1000.0)
WINDOWS_S = (0.02, 0.06, 0.2, 0.7, 2.2, 5.0)
# After the onset: by then the noise of the tip is over.
CONTACT_OVER_S = 0.003
PARTIALS_MAX = 14
# Spans over which a first guess is made.
SPANS_S = (0.02, 0.06, 0.2, 0.7, 2.2)
ROUNDS = 3
# Kept over a window's side lobes, which a decay within the window raises a little.
SIDE_LOBE_DB = 6.0
# The most that a partial may have decayed before the stretch that it is fitted to.
DECAYED_MOST_DB = 20.0
_FAINT_DB = -50.0


@dataclass(frozen=True)
class Clip:
    """The sound of one free stroke from its onset on, shape ``(n,)``."""

    sound: Values
    rate_hz: int

    @property
    def length_s(self) -> float:
        """Its length."""
        return len(self.sound) / self.rate_hz


@dataclass(frozen=True)
class Mode:
    """A decaying sinusoid ``A exp(-rate t) cos(2π hz t + φ)``.

    `phasors` holds ``A exp(jφ)`` at the onset of each clip; `each_hz` and
    `each_rate` what each clip alone says, where that was asked for.
    """

    hz: float
    rate: float
    phasors: Phasors
    each_hz: Values
    each_rate: Values
    sure: float = 1.0

    @property
    def t60_s(self) -> float:
        """Time in which it falls by 60 dB."""
        return LN_1000 / self.rate

    @property
    def amplitude(self) -> float:
        """Median amplitude at the onset."""
        return float(np.median(np.abs(self.phasors)))

    def wave(self, count: int, rate_hz: int, clip: int) -> Values:
        """Its samples in one clip."""
        return decaying(self.hz, self.rate, self.phasors[clip], count, rate_hz)


def powers(step: complex, count: int) -> Phasors:
    """``exp(step n)`` for n from 0: a product of two small tables, ten times as fast as exp."""
    chunk = max(1, math.isqrt(count))
    starts = np.exp(step * chunk * np.arange(-(-count // chunk)))
    return np.asarray(np.outer(starts, np.exp(step * np.arange(chunk))).ravel()[:count])


def decaying(hz: float, rate: float, phasor: complex, count: int, rate_hz: int) -> Values:
    """Samples of a decaying sinusoid."""
    return np.asarray((phasor * powers((2j * np.pi * hz - rate) / rate_hz, count)).real)


def candidates(clips: Sequence[Clip]) -> list[float]:
    """Frequencies (Hz) where spectra of the clips have peaks, strongest first."""
    found: list[tuple[float, float]] = []
    longest_s = max(clip.length_s for clip in clips)
    for window_s in reversed([w for w in WINDOWS_S if w < longest_s] or [0.8 * longest_s]):
        for hz, strength in _peaks(clips, window_s):
            near = [n for n, (other, _) in enumerate(found) if abs(hz - other) <= 1.6 / window_s]
            if not near:
                found.append((hz, strength))
            # A partial is as strong as in the window that fits it best, so that all compare.
            for n in near[:1] if len(near) == 1 else ():
                found[n] = (found[n][0], max(found[n][1], strength))
    found.sort(key=lambda pair: -pair[1])
    top = found[0][1] if found else 0.0
    return [hz for hz, strength in found if strength > top * 10 ** (_FAINT_DB / 10)]


def _peaks(clips: Sequence[Clip], window_s: float) -> list[tuple[float, float]]:
    """Spectral peaks of one window length: (Hz, amplitude² of a lasting tone)."""
    from scipy import ndimage, signal

    usable = [c for c in clips if c.length_s >= window_s + CONTACT_OVER_S]
    if not usable:
        return []
    rate_hz = usable[0].rate_hz
    count, start = int(window_s * rate_hz), round(CONTACT_OVER_S * rate_hz)
    window = np.hanning(count)
    size = 1 << (2 * count - 1).bit_length()
    power = np.zeros(size // 2 + 1)
    for clip in usable:
        spectrum = np.abs(np.fft.rfft(clip.sound[start : start + count] * window, size)) ** 2
        power += spectrum / len(usable)
    power *= (2 / window.sum()) ** 2
    hertz = np.fft.rfftfreq(size, 1 / rate_hz)
    # The floor under a peak: the median over a fifth of its frequency, 40 bins at least.
    level = 10 * np.log10(power + 1e-20)
    wide = max(41, min(2001, int(40 * size / count)))
    floor = ndimage.median_filter(level[:: max(1, wide // 41)], 41)
    floor = np.interp(np.arange(len(level)), np.arange(len(floor)) * max(1, wide // 41), floor)
    tops, _ = signal.find_peaks(level, prominence=9, distance=max(1, int(1.5 * size / count)))
    kept = [t for t in tops if level[t] > floor[t] + 13 and 60 < hertz[t] < 0.47 * rate_hz]
    kept = [t for t in kept if level[t] > _side_lobes_db(t, tops, level, size / count)]
    return [(float(hertz[t]), float(power[t])) for t in kept]


def _side_lobes_db(
    at: int, tops: npt.NDArray[np.int64], level_db: Values, bins_each: float
) -> float:
    """The most that side lobes of other peaks can amount to at a bin of a spectrum.

    A Hann window's fall as ``1 / (pi d (d^2 - 1))`` at a distance of d bins
    (Harris 1978, Proc. IEEE 66, 51).
    """
    apart = np.abs(tops - at) / bins_each
    other = apart > 1.5
    if not other.any():
        return -np.inf
    d = apart[other]
    return (
        float(np.max(level_db[tops[other]] - 20 * np.log10(np.pi * d * (d**2 - 1)))) + SIDE_LOBE_DB
    )


def band_of(
    sounds: Sequence[Values], rate_hz: int, hz: float, half_hz: float
) -> tuple[list[Values], list[Phasors], Values]:
    """Heterodyne: a narrow band of each sound as a complex signal at a low rate.

    Returns
    -------
    times_s, values, taps
        Times from the start of each sound (only where the filter is filled),
        complex values (amplitude A gives A/2), and the filter's taps.
    """
    length = max(9, int(2.0 * rate_hz / half_hz)) | 1
    length = min(length, max(9, (min(len(s) for s in sounds) // 3) | 1))
    taps = np.hanning(length + 2)[1:-1]
    taps /= taps.sum()
    step = max(1, int(rate_hz / (5 * half_hz)))
    times, values = [], []
    turning = powers(-2j * np.pi * hz / rate_hz, max(len(s) for s in sounds))
    first = -((1 - length) // step) * step  # where the filter is filled, in whole steps
    for sound in sounds:
        shifted = (sound * turning[: len(sound)]).view(np.float64).reshape(-1, 2)
        windows = np.lib.stride_tricks.sliding_window_view(shifted, length, axis=0)
        out = windows[first + 1 - length :: step] @ taps
        values.append(out.view(np.complex128)[:, 0])
        times.append((first + step * np.arange(len(out)) - (length - 1) / 2) / rate_hz)
    return times, values, taps


def _fit(
    times: Sequence[Values],
    values: Sequence[Phasors],
    start: tuple[float, float],
    span_hz: float,
    fastest: float,
) -> tuple[float, float]:
    """Frequency offset (Hz) and decay (1/s, up to `fastest`) that explain the most energy.

    All signals begin at the same time, so that the longest one's times serve all; when that is
    changes no signal's share.
    """
    from scipy import optimize

    count = max(len(t) for t in times)
    step_s = float(times[0][1] - times[0][0])

    def missed(guess: Values) -> float:
        offset, rate = guess[0], math.exp(guess[1])
        if abs(offset) > span_hz or not 0.05 < rate < fastest:
            return 0.0
        got = 0.0
        whole = powers((2j * np.pi * offset - rate) * step_s, count)
        for z in values:
            v = whole[: len(z)]
            got += float(abs(np.vdot(v, z))) ** 2 / max(float(np.vdot(v, v).real), 1e-30)
        return float(-got)

    scale = max(sum(float(np.vdot(z, z).real) for z in values), 1e-30)
    simplex = np.array([start, start, start], dtype=np.float64)
    simplex[:, 1] = math.log(start[1])
    simplex[1, 0] += max(0.02, start[1] / 40)
    simplex[2, 1] += 0.3
    done = optimize.minimize(
        lambda g: missed(g) / scale,
        simplex[0],
        method="Nelder-Mead",
        options={"initial_simplex": simplex, "xatol": 1e-5, "fatol": 1e-12, "maxiter": 300},
    )
    return float(done.x[0]), math.exp(float(done.x[1]))


def _start(times: Values, values: Phasors) -> tuple[float, float]:
    """First guess of frequency offset and decay: the best of several spans from the onset.

    A short sound in a long clip stands over the noise in the short spans only; a
    long sound gets its frequency from the long spans.
    """
    step_s = float(times[1] - times[0]) if len(times) > 1 else 1e-3
    best = (-1.0, 0.0, 1.0)
    for span_s in (*SPANS_S, float(times[-1] - times[0])):
        part = values[: max(8, round(span_s / step_s))]
        size = 1 << (4 * len(part) - 1).bit_length()
        spectrum = np.abs(np.fft.fft(part * np.hanning(len(part) + 2)[1:-1], size))
        offset = float(np.fft.fftfreq(size, step_s)[int(np.argmax(spectrum))])
        for rate in (1.0 / span_s, 3.5 / span_s):
            v = np.exp((2j * np.pi * offset - rate) * times)
            got = float(abs(np.vdot(v, values)) ** 2 / max(np.vdot(v, v).real, 1e-30))
            if got > best[0]:
                best = (got, offset, min(max(rate, 0.3), 1500.0))
    return best[1], best[2]


def fit_mode(
    sounds: Sequence[Values],
    rate_hz: int,
    hz: float,
    half_hz: float,
    skip_s: float = 0.0,
    each: bool = False,
) -> Mode | None:
    """Fit one decaying sinusoid near `hz` in a band of ±`half_hz` of each sound.

    The first `skip_s` are left out of the fit; phasors are still those of the
    start. With `each` every sound is fitted alone as well. Returns `None` where
    too little sound is left, or where what is found decays too fast to be told
    in that band, or to be traced back to the start.
    """
    skip = round(skip_s * rate_hz)
    times, values, taps = band_of([s[skip:] for s in sounds], rate_hz, hz, half_hz)
    if min(len(v) for v in values) < 8:
        return None
    longest = int(np.argmax([len(v) for v in values]))
    # What decays by 60 dB within the filter's own length can't be told from the filter.
    fastest = LN_1000 * rate_hz / len(taps)
    offset, rate = _start(times[longest], values[longest])
    start = (offset if abs(offset) <= half_hz else 0.0, min(rate, 0.5 * fastest))
    offset, rate = _fit(times, values, start, half_hz, fastest)
    if rate > 0.95 * fastest or skip_s * rate > LN_1000 * DECAYED_MOST_DB / 60:
        return None
    gain = _gain(taps, offset, rate, rate_hz)
    phasors, sure = _phasors(times, values, offset, rate)
    back = np.exp(-(2j * np.pi * (hz + offset) - rate) * skip / rate_hz)
    alone = [
        _fit([t], [z], (offset, rate), half_hz, fastest)
        for t, z in zip(times, values, strict=True)
        if each
    ]
    return Mode(
        hz=hz + offset,
        rate=rate,
        phasors=2 * phasors / gain * back,
        each_hz=hz + np.array([a[0] for a in alone]),
        each_rate=np.array([a[1] for a in alone]),
        sure=sure,
    )


def _gain(taps: Values, offset: float, rate: float, rate_hz: int) -> complex:
    """What the filter makes of a decaying sinusoid, referred to the filter's middle."""
    k = np.arange(len(taps)) - (len(taps) - 1) / 2
    return complex(np.sum(taps * np.exp(-(2j * np.pi * offset - rate) * k / rate_hz)))


def _phasors(
    times: Sequence[Values], values: Sequence[Phasors], offset: float, rate: float
) -> tuple[Phasors, float]:
    """Complex amplitude at time 0 in each signal, and the share of energy it explains."""
    found, explained, energy = [], 0.0, 0.0
    for t, z in zip(times, values, strict=True):
        v = np.exp((2j * np.pi * offset - rate) * t)
        early = t <= max(3 / rate, t[min(7, len(t) - 1)])
        c = np.vdot(v, z) / max(np.vdot(v, v).real, 1e-30)
        found.append(c)
        left = z[early] - c * v[early]
        here = float(np.vdot(z[early], z[early]).real)
        energy += here
        explained += here - float(np.vdot(left, left).real)
    return np.array(found), explained / max(energy, 1e-30)


def find_modes(clips: Sequence[Clip]) -> list[Mode]:
    """The partials that several strokes of one striker share, lowest first."""
    starts = candidates(clips)[:PARTIALS_MAX]
    if not starts:
        return []
    rate_hz = clips[0].rate_hz
    count = min(max(len(c.sound) for c in clips), int(7 * rate_hz))
    left = [c.sound[:count].astype(np.float64) for c in clips]
    modes: dict[int, Mode] = {}
    skip_s = CONTACT_OVER_S
    for turn in range(ROUNDS):
        if turn and modes:
            skip_s = _knock_over(list(modes.values()), left, rate_hz)
        for number, hz in enumerate(starts):
            old = modes.get(number)
            if turn and old is None:
                continue
            hz = old.hz if old else hz
            apart = [
                abs(hz - (modes[n].hz if n in modes else h))
                for n, h in enumerate(starts)
                if n != number
            ]
            half_hz = min(max(0.5 * min(apart, default=400.0), 12.0), 200.0)
            sounds = [
                s + (old.wave(len(s), rate_hz, c) if old else 0.0) for c, s in enumerate(left)
            ]
            new = fit_mode(sounds, rate_hz, hz, half_hz, skip_s, each=turn == ROUNDS - 1)
            if new is None:
                modes.pop(number, None)
                left = sounds
                continue
            modes[number] = new
            left = [s - new.wave(len(s), rate_hz, c) for c, s in enumerate(sounds)]
        if not modes:
            return []
        modes = _worth_keeping(modes, left, rate_hz) if turn < ROUNDS - 1 else modes
    return _settled(list(modes.values()))


def _knock_over(modes: Sequence[Mode], left: Sequence[Values], rate_hz: int) -> float:
    """When the knock of a tip or a hollow body has decayed below the partials, s.

    The first time at which the residual is 12 dB below the partials; at most a
    fifth of the shortest strong partial's T60.
    """
    top = max(mode.amplitude for mode in modes)
    strong = [m for m in modes if m.amplitude > 0.1 * top]
    latest_s = min(0.04, 0.2 * min(m.t60_s for m in strong))
    frame = max(16, round(0.002 * rate_hz))
    frames = max(1, round(latest_s * rate_hz / frame))
    own = np.zeros(frames * frame)
    rest = np.zeros(frames)
    for clip, sound in enumerate(left):
        part = sound[: frames * frame]
        rest[: len(part) // frame] += (
            (part[: len(part) // frame * frame] ** 2).reshape(-1, frame).sum(axis=1)
        )
        own += sum(m.wave(len(own), rate_hz, clip) for m in modes) ** 2
    quiet = rest < 0.06 * own.reshape(-1, frame).sum(axis=1)
    first = int(np.argmax(quiet)) if quiet.any() else frames
    return max(first * frame / rate_hz, CONTACT_OVER_S)


def _worth_keeping(modes: dict[int, Mode], left: list[Values], rate_hz: int) -> dict[int, Mode]:
    """Drop what is no partial, and add its sound back to the residual."""
    top = _strongest(list(modes.values()))
    kept = {}
    for number, mode in modes.items():
        if _is_partial(mode, top):
            kept[number] = mode
            continue
        for clip, sound in enumerate(left):
            sound += mode.wave(len(sound), rate_hz, clip)
    return kept


def _strongest(modes: Sequence[Mode]) -> float:
    """Amplitude of the strongest partial; a fit that is none must not hide the others."""
    return max((mode.amplitude for mode in modes if _is_partial(mode, 0.0)), default=0.0)


def _is_partial(mode: Mode, top: float) -> bool:
    """Loud enough, long enough, and the fit explains most of its band."""
    loud = mode.amplitude > top * 10 ** (_FAINT_DB / 20)
    return loud and mode.sure > 0.5 and 0.008 < mode.t60_s < 60.0


def _settled(modes: list[Mode]) -> list[Mode]:
    top = _strongest(modes)
    kept: list[Mode] = []
    for mode in sorted(modes, key=lambda m: -m.amplitude):
        # Drop the weaker of two fits to one partial.
        if _is_partial(mode, top) and all(abs(mode.hz - k.hz) > 0.3 for k in kept):
            kept.append(mode)
    return sorted(kept, key=lambda mode: mode.hz)


def with_added_loss(modes: Sequence[Mode], added: float) -> list[Mode]:
    """The same partials with a loss (1/s) added to each, as a damper adds it."""
    return [replace(mode, rate=mode.rate + added) for mode in modes]

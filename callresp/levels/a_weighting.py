"""A-weighting, as sound level meters apply it.

Goal
----
Report levels as people who measure noise at a site do.

Conventions
-----------
Weights are dB relative to 1 kHz. The curve is that of IEC 61672-1:2013, annex
E: four poles at f1 (double), f2, f3 and f4 (double), from f_r = 1 kHz,
f_L = 10**1.5 Hz, f_H = 10**3.9 Hz and f_A = 10**2.45 Hz. Table 3 of the
standard gives it at the exact third-octave frequencies 1000 * 10**(n/10),
rounded to 0.1 dB; the tests hold us to every row from 10 Hz to 20 kHz.

Levels are found in the frequency domain, so the weight is exact at every bin
and there is no digital filter whose top octave falls away.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from callresp.io.audio import SILENCE_DB, SINE_POWER, Recording
from callresp.io.score import Note

Values = npt.NDArray[np.float64]

# Samples of a window: longer than a period of the lowest tone that counts, many times.
WINDOW = 65536
FADE_S = 0.5
_F_R = 1000.0
_F_L = 10**1.5
_F_H = 10**3.9
_F_A = 10**2.45


def pole_frequencies() -> tuple[float, float, float, float]:
    """The pole frequencies f1 to f4 in hertz (IEC 61672-1:2013, annex E).

    Examples
    --------
    >>> [round(hertz, 2) for hertz in pole_frequencies()]
    [20.6, 107.65, 737.86, 12194.22]
    """
    d = math.sqrt(0.5)
    c = _F_L**2 * _F_H**2
    b = (_F_R**2 + c / _F_R**2 - d * (_F_L**2 + _F_H**2)) / (1 - d)
    root = math.sqrt(b * b - 4 * c)
    f1 = math.sqrt((-b - root) / 2)
    f4 = math.sqrt((-b + root) / 2)
    f2 = (3 - math.sqrt(5)) / 2 * _F_A
    f3 = (3 + math.sqrt(5)) / 2 * _F_A
    return f1, f2, f3, f4


def a_weight_db(frequency_hz: npt.ArrayLike) -> Values:
    """A-weight at any frequency, dB; minus infinity at 0 Hz.

    Examples
    --------
    >>> [round(float(weight), 1) for weight in a_weight_db([100, 1000, 10000])]
    [-19.1, 0.0, -2.5]
    """
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(_power(frequency_hz)))


def _power(frequency_hz: npt.ArrayLike) -> Values:
    return _raw(np.asarray(frequency_hz, np.float64)) / _raw(np.asarray(_F_R))


def _raw(frequency_hz: Values) -> Values:
    f1, f2, f3, f4 = (hertz**2 for hertz in pole_frequencies())
    f = frequency_hz**2
    return np.asarray(f**4 * f4**2 / ((f + f1) ** 2 * (f + f2) * (f + f3) * (f + f4) ** 2))


def weighted_power(samples: npt.ArrayLike, sample_rate_hz: int) -> float:
    """A-weighted mean square of samples, shape ``(n,)``; 0.5 for a full-scale sine at 1 kHz.

    Both ends are faded over a quarter of its length, half a second at most, so
    that a piece cut out of a sound does not weigh the click of its own edges.
    """
    values = np.asarray(samples, np.float64).ravel()
    if values.size == 0:
        return 0.0
    fade = min(values.size // 4, round(FADE_S * sample_rate_hz))
    taper = np.ones(values.size)
    taper[:fade] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / max(fade, 1))
    taper[values.size - fade :] = taper[:fade][::-1]
    return _windowed_power(values, taper, sample_rate_hz)


def _windowed_power(values: Values, window: Values, sample_rate_hz: int) -> float:
    """A-weighted mean square of what a window lets through, without its mean."""
    values = values - float(np.dot(values, window)) / float(window.sum())
    spectrum = np.abs(np.fft.rfft(values * window)) ** 2
    twice = np.full(len(spectrum), 2.0)
    twice[0] = 1.0
    if values.size % 2 == 0:
        twice[-1] = 1.0
    hertz = np.fft.rfftfreq(values.size, 1 / sample_rate_hz)
    total = float(np.sum(twice * spectrum * _power(hertz)))
    return total / values.size / float(np.sum(window**2))


def recording_levels_db(
    recording: Recording, progress: Callable[[float], None] | None = None
) -> tuple[float, float]:
    """Level of a whole recording, plain and A-weighted, dB re a full-scale sine.

    Both are energy means over its length (L_eq and L_Aeq, IEC 61672-1:2013, 3.10,
    before calibration), and of several channels the energy mean of each: a mixed
    waveform would be weaker by what cancels. A steady offset is no sound and does
    not count. It is read block by block.

    Parameters
    ----------
    recording
        One of its channels, or all of them.
    progress
        Called with the share done, 0 to 1.
    """
    channels = range(1, recording.channels + 1)
    if recording.channel is None and recording.channels > 1:
        sources = [recording.only(channel) for channel in channels]
    else:
        sources = [recording]
    powers = []
    for number, source in enumerate(sources):

        def tell(share: float, done: int = number) -> None:
            if progress is not None:
                progress((done + share) / len(sources))

        powers.append(_channel_powers(source, tell))
    if sources[0] is not recording:
        energy = float(np.mean([source.health.energy for source in sources]))
        recording.health = replace(sources[0].health, energy=energy, channel_energy=energy)
    floor = SINE_POWER * 10 ** (SILENCE_DB / 10)
    plain, weighted = (
        10 * math.log10(max(float(np.mean(power)), floor) / SINE_POWER)
        for power in zip(*powers, strict=True)
    )
    return plain, weighted


def _channel_powers(recording: Recording, tell: Callable[[float], None]) -> tuple[float, float]:
    """Mean square without its mean, and A-weighted, of one channel.

    Sine windows that overlap by half weigh every sample alike, and have no edges
    that click.
    """
    window = np.sin(np.pi * (np.arange(WINDOW) + 0.5) / WINDOW)
    energy = total = 0.0
    count = 0
    found: list[float] = []
    kept = np.zeros(0)
    last = kept
    for block in recording.blocks():
        samples = block.astype(np.float64)
        energy += float(np.dot(samples, samples))
        total += float(samples.sum())
        count += len(samples)
        kept = np.concatenate([kept, samples])
        last = np.concatenate([last, samples])[-WINDOW:]
        while len(kept) >= WINDOW:
            found.append(_windowed_power(kept[:WINDOW], window, recording.sample_rate_hz))
            kept = kept[WINDOW // 2 :]
        tell(min(1.0, count / max(1, recording.frames)))
    if not found:
        weighted = weighted_power(last, recording.sample_rate_hz)
    else:
        # The end is no less a part of it than the middle.
        found.append(_windowed_power(last, window, recording.sample_rate_hz))
        weighted = float(np.mean(found))
    mean = total / max(count, 1)
    return max(energy / max(count, 1) - mean**2, 0.0), weighted


def note_a_level_db(note: Note) -> float:
    """A-weighted level of a note, dB re a full-scale sine at 1 kHz.

    The note's level lies in its own band, so it is weighted there: at its pitch
    where it has one, else by the mean weight over its band. A note without
    pitch or band keeps its plain level.
    """
    if note.pitch_hz is not None:
        return float(note.level_db + a_weight_db(note.pitch_hz))
    if not 0 < note.low_hz <= note.high_hz:
        return float(note.level_db)
    band = np.linspace(note.low_hz, note.high_hz, 33)
    return float(note.level_db + 10 * np.log10(np.mean(_power(band))))

"""The sound of one note, and what is true of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.scene.songs import Sung
from callresp.sound import SINE_POWER

Wave = npt.NDArray[np.float64]

EDGE = 0.1  # -20 dB re the envelope's peak: where truth puts onset and offset
TRACK_STEP_S = 0.004
_PITCHED = {"whistle", "sweep", "trill", "vibrato", "stack"}


@dataclass(frozen=True, slots=True)
class Voiced:
    """A note's wave, peak 1 before `gain`, and its truth from the wave's start.

    `track` holds (seconds from the wave's start, hertz), empty where unpitched;
    `power` is the mean square between onset and offset at unit gain.
    """

    wave: Wave
    onset_s: float
    offset_s: float
    track: tuple[tuple[float, float], ...]
    low_hz: float
    high_hz: float
    power: float

    @property
    def energy(self) -> float:
        """Mean square times seconds, at unit gain."""
        return self.power * (self.offset_s - self.onset_s)


def voiced(sung: Sung, rate_hz: int) -> Voiced:
    """Make the sound of a note."""
    if sung.shape == "knock":
        wave, envelope, low, high = _knock(sung, rate_hz)
    else:
        count = max(int(sung.length_s * rate_hz), 8)
        envelope = _envelope(count, sung.attack, sung.decay)
        if sung.shape in ("buzz", "click"):
            wave, low, high = _harsh(sung, envelope, rate_hz)
        else:
            wave, low, high = _tonal(sung, envelope, rate_hz)
    loud = np.flatnonzero(envelope >= EDGE)
    first, last = int(loud[0]), int(loud[-1]) + 1
    return Voiced(
        wave=wave,
        onset_s=first / rate_hz,
        offset_s=last / rate_hz,
        track=_track(sung, first / rate_hz, last / rate_hz),
        low_hz=low,
        high_hz=high,
        power=float(np.mean(wave[first:last] ** 2)),
    )


def _envelope(count: int, attack: float, decay: float) -> Wave:
    """Raised-cosine rise and fall; their lengths are shares of the note's."""
    envelope = np.ones(count)
    rise = max(int(count * attack), min(count // 2, 24))
    fall = max(int(count * decay), min(count // 2, 24))
    envelope[:rise] *= 0.5 - 0.5 * np.cos(np.pi * (np.arange(rise) + 0.5) / rise)
    envelope[-fall:] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 0.5) / fall)
    return np.asarray(envelope / envelope.max())


def pitch_at(sung: Sung, share: npt.ArrayLike) -> Wave:
    """Pitch in hertz at a share 0..1 of the note's length."""
    place = np.asarray(share, dtype=np.float64)
    curved = place + sung.bend * place * (1 - place)
    course = sung.from_hz * (sung.to_hz / sung.from_hz) ** curved
    if sung.depth:
        turns = sung.rate_hz * sung.length_s * place
        course = course * (1 + sung.depth * np.sin(2 * np.pi * turns))
    return np.asarray(course)


def _track(sung: Sung, onset_s: float, offset_s: float) -> tuple[tuple[float, float], ...]:
    if sung.shape not in _PITCHED:
        return ()
    steps = max(int((offset_s - onset_s) / TRACK_STEP_S), 1)
    times = np.linspace(onset_s, offset_s, steps + 1)
    course = pitch_at(sung, np.clip(times / sung.length_s, 0, 1))
    return tuple((float(t), float(hz)) for t, hz in zip(times, course, strict=True))


def _tonal(sung: Sung, envelope: Wave, rate_hz: int) -> tuple[Wave, float, float]:
    count = len(envelope)
    course = pitch_at(sung, (np.arange(count) + 0.5) / count)
    phase = 2 * np.pi * np.cumsum(course) / rate_hz
    # A pure tone has a weak second harmonic, as whistling syrinxes do (from memory).
    partials = max(sung.partials, 2)
    tilt_db = sung.tilt_db
    wave = np.zeros(count)
    highest = 1
    for number in range(1, partials + 1):
        if number * course.max() >= 0.45 * rate_hz:
            break
        wave += 10 ** (-tilt_db * (number - 1) / 20) * np.sin(number * phase + 1.7 * number)
        highest = number if tilt_db * (number - 1) < 20 else highest
    wave *= envelope / np.abs(wave).max()
    return wave, float(course.min()), float(course.max() * highest)


def _harsh(sung: Sung, envelope: Wave, rate_hz: int) -> tuple[Wave, float, float]:
    """A band of noise; a buzz beats."""
    rng = np.random.default_rng(sung.grain)
    count = len(envelope)
    wide = 0.5 if sung.shape == "buzz" else 0.9
    low = sung.from_hz * (1 - wide / 2)
    high = min(sung.from_hz * (1 + wide), 0.45 * rate_hz)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hertz = np.fft.rfftfreq(count, 1 / rate_hz)
    skirt = np.clip(np.minimum(hertz - low, high - hertz) / (0.1 * sung.from_hz) + 1, 0, 1)
    wave = np.fft.irfft(spectrum * skirt, count) * envelope
    if sung.rate_hz:
        beat = np.cos(2 * np.pi * sung.rate_hz * np.arange(count) / rate_hz)
        wave *= 0.65 - 0.35 * beat
    return wave / (3 * np.sqrt(np.mean(wave**2)) + 1e-12), float(low), float(high)


def _knock(sung: Sung, rate_hz: int) -> tuple[Wave, Wave, float, float]:
    """Bill or beak on wood: a thud and a few quickly damped modes of the log."""
    count = int(0.03 * rate_hz)
    time_s = np.arange(count) / rate_hz
    # The log is the same at every stroke: its modes hang on the singer, not on the stroke.
    modes = np.random.default_rng(int(sung.from_hz * 1000)).uniform(0.7, 2.6, 5)
    wave = np.zeros(count)
    for number, mode in enumerate(modes):
        decay_s = 0.006 / (1 + 0.4 * number)
        tone = np.sin(2 * np.pi * sung.from_hz * mode * time_s)
        wave += tone * np.exp(-time_s / decay_s) / (1 + number)
    click = np.random.default_rng(sung.grain).standard_normal(count) * np.exp(-time_s / 0.0008)
    wave += 0.8 * click
    rise = int(0.0004 * rate_hz) + 1
    wave[:rise] *= np.linspace(0, 1, rise)
    envelope = np.exp(-time_s / 0.006)
    envelope[:rise] *= np.linspace(0.05, 1, rise)
    return wave / np.abs(wave).max(), envelope, sung.from_hz * 0.5, sung.from_hz * 4


def gain_for(level_db: float, power: float) -> float:
    """Gain that brings a wave of mean square `power` to a level re a full-scale sine."""
    return float(np.sqrt(SINE_POWER * 10 ** (level_db / 10) / power))

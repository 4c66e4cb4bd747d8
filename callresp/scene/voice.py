"""The sound of one note, and what is true of it.

Every shape has an envelope that is known exactly; truth takes its edges from
there. What the air takes away more from high partials than from low ones is
in the wave already; the level is set afterwards, from the schedule.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.io.audio import SINE_POWER
from callresp.scene.air import absorption_db_per_m
from callresp.scene.motifs import PITCHED, SongNote

Wave = npt.NDArray[np.float64]
Track = tuple[tuple[float, float], ...]

EDGE = 0.1  # -20 dB re the envelope's peak: where truth puts onset and offset
TRACK_STEP_S = 0.004
KNOCK_DECAY_S = 0.006
_KNOCK_RISE_S = 0.0004
_MODES = 5
_CLICK = 0.8
_CLICK_DECAY_S = 0.0008
_NEPER = np.log(10) / 20  # of a decibel
_AIR_POINTS = 16
_BAND_POINTS = 33
# Bands of unpitched shapes, against their middle.
_SPANS = {"buzz": (0.75, 1.5), "click": (0.55, 1.9), "knock": (0.5, 4.0)}
_HEARD_DB = 25.0  # partials this far below the strongest no longer widen the band


@dataclass(frozen=True, slots=True)
class AirPath:
    """What air does to sound on its way: `distance_m` of it, of a temperature and humidity."""

    distance_m: float
    temperature_c: float
    humidity: float

    def gain(self, frequency_hz: npt.ArrayLike, against_hz: float) -> Wave:
        """Amplitude left at `frequency_hz` over that left at `against_hz`."""
        air = absorption_db_per_m(frequency_hz, self.temperature_c, self.humidity)
        base = absorption_db_per_m(against_hz, self.temperature_c, self.humidity)
        return np.asarray(10 ** (-(air - base) * self.distance_m / 20))


@dataclass(frozen=True, slots=True)
class Voiced:
    """A note's wave, and its truth in seconds from the wave's start.

    `wave` has the level asked for; `track` holds (seconds, hertz), and is empty
    where unpitched; the band `low_hz` to `high_hz` holds its energy.
    """

    wave: Wave
    onset_s: float
    offset_s: float
    track: Track
    low_hz: float
    high_hz: float


def extent(sung: SongNote, rate_hz: int) -> tuple[int, int]:
    """Samples of onset and offset, from the start of the note's envelope."""
    loud = np.flatnonzero(envelope(sung, rate_hz) >= EDGE)
    return int(loud[0]), int(loud[-1]) + 1


def voiced(sung: SongNote, level_db: float, path: AirPath, rate_hz: int) -> Voiced:
    """Make the sound of a note as it reaches the microphone.

    Parameters
    ----------
    level_db
        RMS level between onset and offset, dB re a full-scale sine.
    """
    shape = envelope(sung, rate_hz)
    if sung.shape == "knock":
        wave = _knock(sung, rate_hz)
    elif sung.shape in PITCHED:
        wave = _tonal(sung, shape, path, rate_hz)
    else:
        wave = _harsh(sung, shape, rate_hz)
    if sung.shape not in PITCHED:
        wave = _through_air(wave, sung.middle_hz, path, rate_hz)
    loud = np.flatnonzero(shape >= EDGE)
    first, last = int(loud[0]), int(loud[-1]) + 1
    power = float(np.mean(wave[first:last] ** 2))
    low_hz, high_hz = band(sung, rate_hz)
    return Voiced(
        wave=wave * np.sqrt(SINE_POWER * 10 ** (level_db / 10) / power),
        onset_s=first / rate_hz,
        offset_s=last / rate_hz,
        track=_track(sung, first / rate_hz, last / rate_hz),
        low_hz=low_hz,
        high_hz=high_hz,
    )


def envelope(sung: SongNote, rate_hz: int) -> Wave:
    """Amplitude of a note over its length, peak 1."""
    count = max(round(sung.length_s * rate_hz), 16)
    if sung.shape == "knock":
        shape = _struck(np.arange(count) / rate_hz)
        _rise(shape, _KNOCK_RISE_S, rate_hz)
        return np.asarray(shape / shape.max())
    place = (np.arange(count) + 0.5) / count
    away = (place - sung.peak) / np.where(place < sung.peak, -sung.peak, 1 - sung.peak)
    shape = np.exp(sung.lean_db * _NEPER / 2 * (np.cos(np.pi * away) - 1))
    _rise(shape, sung.attack_s, rate_hz)
    _rise(shape[::-1], sung.release_s, rate_hz)
    return np.asarray(shape / shape.max())


def _rise(shape: Wave, length_s: float, rate_hz: int) -> None:
    """Let a shape rise from 0 in a raised cosine."""
    steps = min(max(round(length_s * rate_hz), 8), len(shape))
    shape[:steps] *= 0.5 - 0.5 * np.cos(np.pi * (np.arange(steps) + 0.5) / steps)


def pitch_at(sung: SongNote, share: npt.ArrayLike) -> Wave:
    """Pitch in hertz at a share 0..1 of the note's length: a parabola in log frequency."""
    place = np.asarray(share, dtype=np.float64)
    start, middle, end = np.log(sung.hertz)
    slope = 4 * middle - 3 * start - end
    course = np.exp(start + slope * place + (end - start - slope) * place**2)
    if sung.depth:
        turns = sung.rate_hz * sung.length_s * place
        course = course * (1 + sung.depth * np.sin(2 * np.pi * turns))
    return np.asarray(course)


def band(sung: SongNote, rate_hz: int) -> tuple[float, float]:
    """The band that holds a note's energy, from its lowest to its highest frequency in hertz."""
    middle, top = sung.middle_hz, 0.45 * rate_hz
    if sung.shape not in PITCHED:
        below, above = _SPANS[sung.shape]
        return middle * below, min(middle * above, top)
    course = pitch_at(sung, np.linspace(0, 1, _BAND_POINTS))
    heard = 1 + int(_HEARD_DB / sung.tilt_db)
    highest = max(min(sung.partials, heard, int(top / course.max())), 1)
    return float(course.min()), float(course.max() * highest)


def _track(sung: SongNote, onset_s: float, offset_s: float) -> Track:
    if sung.shape not in PITCHED:
        return ()
    steps = max(int(np.ceil((offset_s - onset_s) / TRACK_STEP_S)), 1)
    times = np.linspace(onset_s, offset_s, steps + 1)
    course = pitch_at(sung, np.clip(times / sung.length_s, 0, 1))
    return tuple(zip(times.tolist(), course.tolist(), strict=True))


def _tonal(sung: SongNote, shape: Wave, path: AirPath, rate_hz: int) -> Wave:
    """A tone with its harmonics; even a pure whistle has a faint second one (from memory)."""
    count = len(shape)
    course = pitch_at(sung, (np.arange(count) + 0.5) / count)
    phase = 2 * np.pi * np.cumsum(course) / rate_hz
    points = np.linspace(0, count - 1, _AIR_POINTS)
    wave = np.zeros(count)
    for number in range(1, sung.partials + 1):
        if number * course.max() >= 0.45 * rate_hz:
            break
        below_db = sung.tilt_db * (number - 1)
        air = path.gain(number * course[points.astype(int)], sung.middle_hz)
        size = 10 ** (-below_db / 20) * np.interp(np.arange(count), points, air)
        wave += size * np.sin(number * phase + 1.7 * number)
    return np.asarray(wave * shape)


def _harsh(sung: SongNote, shape: Wave, rate_hz: int) -> Wave:
    """A band of noise; a buzz beats."""
    rng = np.random.default_rng(sung.grain)
    count = len(shape)
    low, high = band(sung, rate_hz)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hertz = np.fft.rfftfreq(count, 1 / rate_hz)
    skirt = np.clip(np.minimum(hertz - low, high - hertz) / (0.1 * sung.middle_hz) + 1, 0, 1)
    wave = np.fft.irfft(spectrum * skirt, count) * shape
    if sung.rate_hz:
        wave *= 0.65 - 0.35 * np.cos(2 * np.pi * sung.rate_hz * np.arange(count) / rate_hz)
    return np.asarray(wave)


def _struck(time_s: Wave) -> Wave:
    """RMS envelope of a struck log: its click and its modes, as `_knock` sums them."""
    modes = sum(_mode_size(number, time_s) ** 2 / 2 for number in range(_MODES))
    return np.asarray(np.sqrt(modes + (_CLICK * np.exp(-time_s / _CLICK_DECAY_S)) ** 2))


def _mode_size(number: int, time_s: Wave) -> Wave:
    """Higher modes are weaker and die sooner."""
    return np.asarray(np.exp(-time_s * (1 + 0.4 * number) / KNOCK_DECAY_S) / (1 + number))


def _knock(sung: SongNote, rate_hz: int) -> Wave:
    """Bill or beak on wood: a click, and a few quickly damped modes of the log."""
    count = max(round(sung.length_s * rate_hz), 16)
    time_s = np.arange(count) / rate_hz
    # The log is the same at every stroke: its modes hang on the singer, not on the stroke.
    log = np.random.default_rng(list(sung.voice.encode())).uniform(0.7, 2.6, _MODES)
    click = np.random.default_rng(sung.grain).standard_normal(count)
    wave = _CLICK * click * np.exp(-time_s / _CLICK_DECAY_S)
    for number, mode in enumerate(log):
        turns = 2 * np.pi * sung.middle_hz * mode * time_s
        wave += np.sin(turns) * _mode_size(number, time_s)
    _rise(wave, _KNOCK_RISE_S, rate_hz)
    return wave


def _through_air(wave: Wave, middle_hz: float, path: AirPath, rate_hz: int) -> Wave:
    """A broad sound after its path: the spectrum weighted, without delay."""
    hertz = np.fft.rfftfreq(len(wave), 1 / rate_hz)
    return np.asarray(np.fft.irfft(np.fft.rfft(wave) * path.gain(hertz, middle_hz), len(wave)))

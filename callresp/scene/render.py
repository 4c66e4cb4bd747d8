"""From a schedule of notes to sound and truth, a second at a time.

The direct sound falls with distance (inverse distance law and ISO 9613-1); the
diffuse tail does not, so that far singers sound further inside the place. All
is scaled so that the loudest moment stays below full scale.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
import numpy.typing as npt
from scipy import signal

from callresp.scene.air import SPEED_OF_SOUND, way_gain
from callresp.scene.noise import seconds_of
from callresp.scene.recipe import Recipe, Singer
from callresp.scene.songs import Sung, schedule
from callresp.scene.voice import Voiced, gain_for, voiced
from callresp.score import HeardHeader, HeardScore, Note, write_heard
from callresp.sound import SINE_POWER, Samples, WavWriter, power_db

RATE_HZ = 48000
# Level at 1 m of a singer with level_db 0, dB re a full-scale sine, before scaling.
AT_ONE_METRE_DB = 0.0
PEAK = 0.7
NOISE_CREST = 5.0
NOISE_ALONE_DB = -30.0

Wave = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scene:
    """A rendered scene: samples of shape ``(n,)`` and what is true of them."""

    samples: Samples
    sample_rate_hz: int
    truth: HeardScore


@dataclass(frozen=True, slots=True)
class _Placed:
    """A note as it reaches the microphone, at unit scale."""

    sung: Sung
    sound: Voiced
    at_s: float
    gain: float

    @property
    def end_s(self) -> float:
        return self.at_s + len(self.sound.wave) / RATE_HZ


def _place(recipe: Recipe, singers: dict[str, Singer], sung: Sung) -> _Placed:
    singer = singers[sung.voice]
    sound = voiced(sung, RATE_HZ)
    middle_hz = float(np.sqrt(sung.from_hz * sung.to_hz))
    way = way_gain(singer.distance_m, middle_hz, recipe.temperature_c, recipe.humidity)
    gain = gain_for(AT_ONE_METRE_DB + sung.level_db, sound.power) * way
    return _Placed(sung, sound, sung.at_s + singer.distance_m / SPEED_OF_SOUND, gain)


@dataclass(frozen=True, slots=True)
class _Levels:
    """Scale of the singers, and power in the birds' band of the noises together."""

    scale: float
    noise_power: float


def _levels(recipe: Recipe, placed: list[_Placed]) -> _Levels:
    """Scale so that singers and noise at the stated SNR fit below full scale."""
    energy = sum(note.gain**2 * note.sound.energy for note in placed)
    sounding_s = sum(note.sound.offset_s - note.sound.onset_s for note in placed)
    if not placed:
        power = SINE_POWER * 10 ** (NOISE_ALONE_DB / 10)
        return _Levels(0.0, power if recipe.noise else 0.0)
    mean = energy / sounding_s
    snr = 10 ** ((recipe.snr_db or 0.0) / 10)
    noise_power = mean / snr if recipe.noise else 0.0
    loudest = max(note.gain * float(np.abs(note.sound.wave).max()) for note in placed)
    # Wind and traffic carry most of their power below the birds' band: about 10 dB (measured).
    crest = loudest * 1.5 + NOISE_CREST * np.sqrt(10 * noise_power)
    scale = PEAK / crest
    return _Levels(scale, noise_power * scale**2)


def _tail(recipe: Recipe) -> Wave:
    """A diffuse, exponentially decaying tail (Schroeder's model of late sound)."""
    count = int(recipe.reverb_t60_s * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    rng = np.random.default_rng([recipe.seed, 60])
    tail = rng.standard_normal(count) * 10 ** (-3 * time_s / recipe.reverb_t60_s)
    tail[: int(0.012 * RATE_HZ)] = 0.0
    return np.asarray(tail * np.sqrt(10 ** (recipe.reverb_db / 10) / np.sum(tail**2)))


class _Reverb:
    """Convolution by blocks, overlap and add."""

    def __init__(self, tail: Wave) -> None:
        self._tail = tail
        self._over = np.zeros(len(tail) + RATE_HZ)

    def __call__(self, dry: Wave) -> Wave:
        wet = signal.fftconvolve(dry, self._tail)
        over = self._over
        over[: len(wet)] += wet
        out = over[: len(dry)].copy()
        over[: -len(dry)] = over[len(dry) :]
        over[-len(dry) :] = 0.0
        return out


def _singing(recipe: Recipe, placed: list[_Placed], scale: float) -> Iterator[Wave]:
    """The singers with their tail, a second at a time."""
    reverb = _Reverb(_tail(recipe))
    coming = deque(sorted(placed, key=lambda note: note.at_s))
    sounding: list[_Placed] = []
    second = 0
    distance = {singer.voice: singer.distance_m for singer in recipe.singer}
    while True:
        direct, diffuse = np.zeros(RATE_HZ), np.zeros(RATE_HZ)
        while coming and coming[0].at_s < second + 1:
            sounding.append(coming.popleft())
        for note in sounding:
            part, start = _part(note, second)
            direct[start : start + len(part)] += part
            # The diffuse field is that of a singer 10 m off, wherever it sits.
            share = distance[note.sung.voice] / 10.0
            diffuse[start : start + len(part)] += part * share
        sounding = [note for note in sounding if note.end_s > second + 1]
        yield scale * (direct + reverb(diffuse))
        second += 1


def _part(note: _Placed, second: int) -> tuple[Wave, int]:
    """The part of a note that falls in a second, and where it starts there."""
    first = round(note.at_s * RATE_HZ) - second * RATE_HZ
    low, high = max(0, -first), min(len(note.sound.wave), RATE_HZ - first)
    return note.gain * note.sound.wave[low:high], max(first, 0)


def _noises(recipe: Recipe, power: float) -> Iterator[Wave]:
    shares = np.array([10 ** (noise.share_db / 10) for noise in recipe.noise])
    gains = np.sqrt(power * shares / shares.sum()) if len(shares) else shares
    streams = [seconds_of(noise.kind, recipe.seed, RATE_HZ) for noise in recipe.noise]
    while True:
        wave = np.zeros(RATE_HZ)
        for gain, stream in zip(gains, streams, strict=True):
            wave += gain * next(stream)
        yield wave


def _truth(recipe: Recipe, placed: list[_Placed], scale: float) -> HeardScore:
    notes = []
    for place in placed:
        sound, at_s = place.sound, round(place.at_s * RATE_HZ) / RATE_HZ
        track = tuple((round(at_s + t, 6), round(hz, 3)) for t, hz in sound.track)
        pitches = [hz for _, hz in track]
        notes.append(
            Note(
                id=0,
                onset_s=round(at_s + sound.onset_s, 6),
                offset_s=round(at_s + sound.offset_s, 6),
                pitch_hz=round(float(np.median(pitches)), 3) if pitches else None,
                level_db=round(power_db((place.gain * scale) ** 2 * sound.power), 3),
                voice=place.sung.voice,
                tonality=1.0 if pitches else 0.0,
                phrase=place.sung.phrase,
                low_hz=round(sound.low_hz, 2),
                high_hz=round(sound.high_hz, 2),
                track=track,
            )
        )
    notes = [note for note in notes if note.offset_s < recipe.seconds]
    notes.sort(key=lambda note: (note.onset_s, note.voice))
    header = HeardHeader(
        recording=f"{recipe.name}.wav",
        start=recipe.start,
        duration_s=recipe.seconds,
        sample_rate_hz=RATE_HZ,
        detector="truth",
        profile=f"seed {recipe.seed}",
    )
    numbered = tuple(msgspec.structs.replace(note, id=i) for i, note in enumerate(notes))
    return HeardScore(header=header, notes=numbered)


def _stream(recipe: Recipe) -> tuple[Iterator[Samples], HeardScore]:
    singers = {singer.voice: singer for singer in recipe.singer}
    placed = [_place(recipe, singers, sung) for sung in schedule(recipe)]
    levels = _levels(recipe, placed)

    def seconds() -> Iterator[Samples]:
        left = round(recipe.seconds * RATE_HZ)
        singing = _singing(recipe, placed, levels.scale)
        noises = _noises(recipe, levels.noise_power)
        while left > 0:
            wave = next(singing) + next(noises)
            yield wave[:left].astype(np.float32)
            left -= RATE_HZ

    return seconds(), _truth(recipe, placed, levels.scale)


def render(recipe: Recipe) -> Scene:
    """Render a scene in memory."""
    seconds, truth = _stream(recipe)
    return Scene(np.concatenate(list(seconds)), RATE_HZ, truth)


def render_to(
    recipe: Recipe,
    wav: Path,
    truth_path: Path,
    progress: Callable[[float], None] = lambda share: None,
) -> HeardScore:
    """Render a scene to a WAV file and its truth to a heard score, by the second."""
    seconds, truth = _stream(recipe)
    with WavWriter(wav, RATE_HZ, frames=round(recipe.seconds * RATE_HZ)) as out:
        for number, samples in enumerate(seconds, start=1):
            out.write(samples)
            progress(min(number / recipe.seconds, 1.0))
    write_heard(truth_path, truth)
    return truth

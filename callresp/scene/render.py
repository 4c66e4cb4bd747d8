"""From a recipe to sound and truth, a second at a time.

Memory does not grow with the length of a scene: songs, notes and noises are
all made when their second comes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from callresp.io.audio import Samples, WavWriter, power_db
from callresp.io.files import whole_file
from callresp.io.score import HeardScore, Note
from callresp.io.score_files import line
from callresp.scene.levels import Levels, levels, noise_power
from callresp.scene.noise import NoiseSource
from callresp.scene.place import Convolver, EchoTap, echoes, tail, with_echoes
from callresp.scene.recipe import Recipe, vary
from callresp.scene.schedule import Arrival, arrivals
from callresp.scene.truth import header, median_hz, ordered
from callresp.scene.voice import AirPath, Voiced, voiced
from callresp.scene.walls import wall_response

RATE_HZ = 48000
# The diffuse field of a singer is that of one so far off, wherever it sits.
DIFFUSE_AT_M = 10.0

Wave = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scene:
    """A rendered scene: samples of shape ``(n,)`` and what is true of them."""

    samples: Samples
    sample_rate_hz: int
    truth: HeardScore


@dataclass(frozen=True, slots=True)
class _ArrivingNote:
    """A note at the microphone: its first sample, and its sound with and for the echoes."""

    first: int
    arrival: Arrival
    voiced: Voiced
    wave: Wave
    diffuse: float

    @property
    def last(self) -> int:
        return self.first + len(self.wave)


class PreparedScene:
    """A scene ready to be rendered: its levels are set, its sound not yet made."""

    def __init__(self, recipe: Recipe) -> None:
        self.recipe = recipe
        self.sample_rate_hz = RATE_HZ
        self.frames = round(recipe.seconds * RATE_HZ)
        self._noises = self._fresh_noises()
        self.levels: Levels = levels(recipe, self._noises, RATE_HZ)
        self._paths = {
            s.voice: AirPath(s.distance_m, recipe.temperature_c, recipe.humidity)
            for s in recipe.singer
        }
        self._echoes = {s.voice: echoes(recipe, s, RATE_HZ) for s in recipe.singer}
        walled = recipe.singer if recipe.wall else ()
        self._walls = {s.voice: wall_response(recipe, s, RATE_HZ) for s in walled}

    def _fresh_noises(self) -> list[NoiseSource]:
        recipe = self.recipe
        return [NoiseSource(n.kind, recipe.seed, recipe.seconds, RATE_HZ) for n in recipe.noise]

    def blocks(
        self, block: int = RATE_HZ, hear: Callable[[Note], None] = lambda note: None
    ) -> Iterator[Samples]:
        """Yield the sound as float32 blocks of shape ``(n,)``, n ≤ `block`.

        Each pass makes the same samples, whatever the block.

        Parameters
        ----------
        hear
            Is given the truth of every note, in order of arrival, as it is made.
        """
        left = self.frames
        rest = np.zeros(0, dtype=np.float32)
        for wave in self._seconds(hear):
            rest = np.concatenate([rest, wave[:left].astype(np.float32)])
            left -= min(left, len(wave))
            whole = len(rest) // block * block
            for start in range(0, whole, block):
                yield rest[start : start + block]
            rest = rest[whole:]
            if left == 0:
                break
        if len(rest):
            yield rest

    def direct(self) -> Iterator[Wave]:
        """The direct sounds alone, a second at a time, as they stand in the mix."""
        for direct, _ in self._voices(lambda note: None, with_reflections=False):
            yield direct

    def noise(self) -> Iterator[Wave]:
        """The noises alone, a second at a time, as they stand in the mix."""
        noises = self._fresh_noises()
        second = 0
        while True:
            wave = np.zeros(RATE_HZ)
            for gain, noise in zip(self.levels.noise, noises, strict=True):
                wave += gain * noise(second)
            yield wave
            second += 1

    def _seconds(self, hear: Callable[[Note], None]) -> Iterator[Wave]:
        reverb = Convolver(tail(self.recipe, RATE_HZ), RATE_HZ)
        voices = self._voices(hear, with_reflections=True)
        for (direct, diffuse), noise in zip(voices, self.noise(), strict=False):
            yield direct + reverb(diffuse) + noise

    def _voices(
        self, hear: Callable[[Note], None], *, with_reflections: bool
    ) -> Iterator[tuple[Wave, Wave]]:
        """Direct sounds (with early echoes), and what they put into the diffuse field."""
        notes = arrivals(self.recipe)
        waiting = deque([first] if (first := next(notes, None)) else [])
        sounding: list[_ArrivingNote] = []
        start = 0
        while True:
            end = start + RATE_HZ
            while waiting and waiting[0].at_s * RATE_HZ < end:
                note = self._sounding(waiting.popleft(), with_reflections)
                if (true := self._true(note)).offset_s < self.recipe.seconds:
                    hear(true)
                sounding.append(note)
                waiting.extend([later] if (later := next(notes, None)) else [])
            direct, diffuse = np.zeros(RATE_HZ), np.zeros(RATE_HZ)
            for note in sounding:
                low, high = max(note.first, start), min(note.last, end)
                part = note.wave[low - note.first : high - note.first]
                direct[low - start : high - start] += part
                diffuse[low - start : high - start] += note.diffuse * part
            sounding = [note for note in sounding if note.last > end]
            yield direct, diffuse
            start = end

    def _sounding(self, arrival: Arrival, with_reflections: bool) -> _ArrivingNote:
        voice = arrival.singer.voice
        sound = voiced(arrival.sung, arrival.level_db, self._paths[voice], RATE_HZ)
        reflections: tuple[EchoTap, ...] = self._echoes[voice] if with_reflections else ()
        wave = with_echoes(sound.wave, reflections)
        if with_reflections and voice in self._walls:
            wave = _before_walls(wave, self._walls[voice])
        return _ArrivingNote(
            first=round(arrival.at_s * RATE_HZ),
            arrival=arrival,
            voiced=sound,
            wave=self.levels.scale * wave,
            diffuse=arrival.singer.distance_m / DIFFUSE_AT_M,
        )

    def _true(self, note: _ArrivingNote) -> Note:
        sound, at_s = note.voiced, note.first / RATE_HZ
        track = tuple((round(at_s + t, 6), round(hz, 3)) for t, hz in sound.track)
        level_db = note.arrival.level_db + power_db(0.5 * self.levels.scale**2)
        around = noise_power(self.levels, self._noises, sound.low_hz, sound.high_hz)
        snr_db = level_db - power_db(around) if around else 120.0
        return Note(
            id=0,
            onset_s=round(at_s + sound.onset_s, 6),
            offset_s=round(at_s + sound.offset_s, 6),
            pitch_hz=median_hz(track),
            level_db=round(level_db, 3),
            voice=note.arrival.singer.voice,
            tonality=1.0 if track else 0.0,
            phrase=note.arrival.phrase,
            snr_db=round(snr_db, 2),
            low_hz=round(sound.low_hz, 2),
            high_hz=round(sound.high_hz, 2),
            track=track,
        )


def _before_walls(wave: Wave, response: Wave) -> Wave:
    from scipy import signal

    return np.asarray(signal.oaconvolve(wave, response))


def render(
    recipe: Recipe,
    *,
    seed: int | None = None,
    seconds: float | None = None,
    snr_db: float | None = None,
) -> Scene:
    """Render a scene in memory, perhaps with another seed, length or SNR.

    Parameters
    ----------
    recipe
        What is to be heard.
    seed, seconds, snr_db
        What is to be otherwise; `None` leaves it.

    Returns
    -------
    Scene
        Samples, and the truth about each note.

    Raises
    ------
    UserError
        When a value can't be.

    Examples
    --------
    >>> from callresp.scene.recipe import load_recipe
    >>> from callresp.scene.render import render
    >>> scene = render(load_recipe("solo"), seed=7, seconds=2)
    >>> scene.samples.shape, scene.sample_rate_hz
    ((96000,), 48000)
    """
    recipe = vary(recipe, seed=seed, seconds=seconds, snr_db=snr_db)
    prepared = PreparedScene(recipe)
    notes: list[Note] = []
    samples = np.concatenate(list(prepared.blocks(hear=notes.append)))
    truth = HeardScore(header=header(recipe, RATE_HZ), notes=tuple(ordered(notes)))
    return Scene(samples, RATE_HZ, truth)


def render_to(
    recipe: Recipe,
    wav: Path,
    truth_path: Path,
    progress: Callable[[float], None] | None = None,
) -> int:
    """Render a scene to a WAV file and its truth to a heard score, in constant memory.

    Parameters
    ----------
    recipe
        What is to be heard.
    wav, truth_path
        The files to write.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    int
        The number of notes.

    Raises
    ------
    UserError
        When a file can't be written.
    """
    prepared = PreparedScene(recipe)
    count = 0
    with whole_file(Path(truth_path)) as part, part.open("w", encoding="utf-8") as out:
        out.write(line(header(recipe, RATE_HZ)) + "\n")
        with WavWriter(Path(wav), RATE_HZ, frames=prepared.frames) as sound:
            for note in ordered(_notes(prepared, sound, progress)):
                out.write(line(note) + "\n")
                count += 1
    return count


def _notes(
    prepared: PreparedScene, sound: WavWriter, progress: Callable[[float], None] | None
) -> Iterator[Note]:
    """Write the sound of a scene; yield the truth of each second behind it."""
    heard: list[Note] = []
    done = 0
    for samples in prepared.blocks(hear=heard.append):
        sound.write(samples)
        yield from heard
        heard.clear()
        done += len(samples)
        if progress:
            progress(done / prepared.frames)

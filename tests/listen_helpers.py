"""Notes and recordings made up for the tests of voices, rhythm and second opinions."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from pathlib import Path

import numpy as np
import numpy.typing as npt
import scipy.signal

from callresp.io.audio import open_recording, write_wav
from callresp.io.score import Note
from callresp.listen.notes import FEATURES, NOTE, Rows
from callresp.listen.offline import note_table
from callresp.listen.online import Event, Listener
from callresp.listen.profile import Profile

RATE_HZ = 44100
Wave = npt.NDArray[np.float64]


def tone(hertz: float, seconds: float, rate_hz: int = RATE_HZ, peak: float = 1.0) -> Wave:
    """A sine of exact frequency."""
    return peak * np.sin(2 * np.pi * hertz * np.arange(round(seconds * rate_hz)) / rate_hz)


def sung(
    wave: Wave,
    at_s: float,
    start_hz: float,
    end_hz: float,
    seconds: float,
    size: float,
    rate_hz: int = RATE_HZ,
    edge_s: float = 0.006,
) -> None:
    """Add a whistle that goes from one pitch to another, with soft edges."""
    count = round(seconds * rate_hz)
    course = np.linspace(start_hz, end_hz, count)
    ends = np.minimum(np.arange(count), np.arange(count)[::-1])
    first = round(at_s * rate_hz)
    whistle = np.sin(2 * np.pi * np.cumsum(course) / rate_hz)
    wave[first : first + count] += size * np.minimum(1.0, ends / (edge_s * rate_hz)) * whistle


def rung(wave: Wave, below_db: float, rate_hz: int = RATE_HZ, seed: int = 9) -> Wave:
    """What a place that rings for half a second gives back of a wave, `below_db` below it."""
    ring_s = np.arange(round(0.5 * rate_hz)) / rate_hz
    ring = np.random.default_rng(seed).standard_normal(len(ring_s)) * 10 ** (-3 * ring_s / 0.5)
    ring[: round(0.03 * rate_hz)] *= np.linspace(0, 1, round(0.03 * rate_hz))
    echo = scipy.signal.fftconvolve(wave, ring)[: len(wave)]
    echo *= np.sqrt(np.mean(wave**2) / np.mean(echo**2)) * 10 ** (-below_db / 20)
    return np.asarray(echo)


def calls(
    onsets_s: Sequence[float], seconds: float, hertz: float = 3000.0, partials: int = 1
) -> Wave:
    """Calls of some 80 ms that fall away gently, 40 dB over faint noise."""
    wave = 0.001 * np.random.default_rng(7).standard_normal(round(seconds * RATE_HZ))
    time_s = np.arange(round(0.18 * RATE_HZ)) / RATE_HZ
    call = sum(tone(k * hertz, 0.18, peak=0.4 / k) for k in range(1, partials + 1))
    call = call * np.minimum(1.0, time_s / 0.003) * np.exp(-np.maximum(time_s - 0.03, 0) / 0.02)
    call[-200:] *= np.linspace(1, 0, 200)
    for onset_s in onsets_s:
        first = round(onset_s * RATE_HZ)
        wave[first : first + len(call)] += call[: len(wave) - first]
    return wave


def recorded(folder: Path, wave: Wave, rate_hz: int = RATE_HZ, name: str = "calls.wav") -> Path:
    """A recording of a wave."""
    path = folder / name
    write_wav(path, wave, rate_hz)
    return path


def heard(
    wave: npt.NDArray[np.floating],
    folder: Path,
    profile: Profile | None = None,
    rate_hz: int = 48000,
    subtype: str = "PCM_24",
) -> Rows:
    """What the listener makes of a wave: rows of `NOTE`, in no voices."""
    path = folder / "heard.wav"
    write_wav(path, wave, rate_hz, subtype)
    return note_table(open_recording(path), profile or Profile())[0].notes


def online(
    wave: npt.NDArray[np.floating],
    size: int = 256,
    rate_hz: int = 48000,
    profile: Profile | None = None,
) -> list[tuple[float, Event]]:
    """Every event of a wave heard by blocks, with the time, in sound heard, at which it came."""
    listener, samples = Listener(rate_hz, profile), wave.astype(np.float32)
    events: list[tuple[float, Event]] = []
    for start in range(0, len(samples), size):
        now_s = (start + size) / rate_hz
        events += [(now_s, event) for event in listener.push(samples[start : start + size])]
    return [*events, *((len(samples) / rate_hz, event) for event in listener.finish())]


def row(
    at_s: float, hertz: float, level_db: float = -30.0, length_s: float = 0.08, knock: bool = False
) -> tuple[Rows, Rows]:
    """One note's row of `NOTE` and `FEATURES`: a steady tone, or a knock."""
    note, features = np.zeros(1, NOTE), np.zeros(1, FEATURES)
    note["onset_s"], note["offset_s"] = at_s, at_s + (0.02 if knock else length_s)
    note["pitch_hz"] = np.nan if knock else hertz
    note["level_db"] = level_db
    note["tonality"] = 0.1 if knock else 0.98
    note["low_hz"], note["high_hz"] = (0.5 * hertz, 6 * hertz) if knock else (hertz, hertz)
    features["centroid_hz"] = hertz
    features["start_hz"] = features["end_hz"] = np.nan if knock else hertz
    features["attack_ms"], features["decay_ms"] = (5.0, 16.0) if knock else (15.0, 18.0)
    return note, features


def table(rows: Sequence[tuple[Rows, Rows]]) -> tuple[Rows, Rows]:
    """Rows put together in order of onset."""
    notes = np.concatenate([note for note, _ in rows])
    features = np.concatenate([feature for _, feature in rows])
    order = np.argsort(notes["onset_s"], kind="stable")
    return notes[order], features[order]


def truth_rows(notes: Sequence[Note]) -> tuple[Rows, Rows]:
    """The true notes of a scene as the listener would lay them out."""
    made, features = np.zeros(len(notes), NOTE), np.zeros(len(notes), FEATURES)
    for i, note in enumerate(notes):
        made[i]["onset_s"], made[i]["offset_s"] = note.onset_s, note.offset_s
        made[i]["pitch_hz"] = np.nan if note.pitch_hz is None else note.pitch_hz
        made[i]["level_db"], made[i]["tonality"] = note.level_db, note.tonality
        made[i]["low_hz"], made[i]["high_hz"] = note.low_hz, note.high_hz
        ends = (note.track[0][1], note.track[-1][1]) if note.track else (np.nan, np.nan)
        features[i]["start_hz"], features[i]["end_hz"] = ends
        if note.pitch_hz is None:
            features[i]["centroid_hz"] = np.sqrt(note.low_hz * note.high_hz)
    return made, features


def pairwise_f(true: Sequence[str], found: Sequence[int]) -> float:
    """F over all pairs of notes: put together, against belonging together."""
    together = apart = both = 0
    for (a, x), (b, y) in combinations(zip(true, found, strict=True), 2):
        together += a == b
        apart += x == y
        both += a == b and x == y
    return 2 * both / (together + apart)

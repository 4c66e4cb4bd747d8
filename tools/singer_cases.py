"""Recordings for the bench of singers: birds alone, mixes of them, marked choruses.

What is true of a mix is known from its parts, which are kept apart: a note
belongs to the bird whose part has the most energy within the note's band and
time. Where two parts lie within `SURE_DB` of each other there, or where the
added noise is the strongest, the note belongs to nobody and is left out.

A recording of one bird alone needs no mark: every note of it is that bird's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile as sf
import soxr
from bench_data import columns

from callresp.io.score import Note

Wave = npt.NDArray[np.float64]
RATE_HZ = 44100
SURE_DB = 6.0
SOUNDS = (".wav", ".flac", ".ogg", ".mp3")
FADE_S = 0.1
NOISE = "noise"
# Callers and single calls: heard alone, not mixed with songbirds.
CALLERS = frozenset(
    {"toad", "cicada-orni", "cricket-pellucens", "petrel-XC46092", "lapwing-peewit"}
)
BOUT_REST_S = 1.0  # between marks that belong to two bouts
LONGEST_BOUT_S = 8.0
CROWD_S, LONGEST_IN_CROWD_S = 24.0, 4.0
# What the singer model may be tuned on. Everything else that is given is scored on.
TUNING = frozenset(
    {
        *("finch_notes", "b06", "toad", "spinetail"),
        *("bengalese-gy6or6", "zebra-R402", "tit-B32", "cricket-pellucens"),
    }
)

# Two names of one bird: the package's Bengalese finch is the one of that name in its repository.
SAME_BIRD = {"bengalese-finch": "bengalese-bl26lb16"}


@dataclass(frozen=True, slots=True)
class Clip:
    """One recording of one bird, shape ``(n,)`` at `RATE_HZ`; `spans_s` is where it sings."""

    bird: str
    name: str
    samples: Wave
    spans_s: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Box:
    """A mark of who sings in a band and a time."""

    start_s: float
    end_s: float
    who: str
    low_hz: float = 0.0
    high_hz: float = 1e6


@dataclass(frozen=True, slots=True)
class Case:
    """A recording whose singers are known, from its `parts` or by `boxes`."""

    name: str
    samples: Wave
    parts: dict[str, Wave] = field(default_factory=dict)
    boxes: tuple[Box, ...] = ()
    spans_s: tuple[tuple[float, float], ...] = ((0.0, float("inf")),)
    bouts: int = 0


def read_wave(path: Path) -> Wave:
    """A file as one channel at `RATE_HZ`."""
    samples, rate = sf.read(path, always_2d=True)
    return np.asarray(soxr.resample(samples.mean(axis=1), rate, RATE_HZ))


def sounds(folder: Path) -> list[Path]:
    """The sound files of a folder, in order of name."""
    return sorted(p for p in folder.iterdir() if p.suffix.lower() in SOUNDS)


def birds_of(folder: Path) -> dict[str, list[Clip]]:
    """Birds of a folder: each sub-folder is one, and so is each file without a mark of who."""
    found: dict[str, list[Clip]] = {}
    for sub in sorted(p for p in folder.iterdir() if p.is_dir()):
        if clips := [clip(sub.name, path) for path in sounds(sub) if not has_boxes(path)]:
            found[sub.name] = clips
    for path in sounds(folder):
        if not has_boxes(path):
            found[path.stem] = [clip(path.stem, path)]
    return found


def has_boxes(path: Path) -> bool:
    """Whether a file of marks (begin, end, who) lies beside a recording."""
    return path.with_suffix(".txt").is_file()


def clip(bird: str, path: Path) -> Clip:
    """A recording of one bird; where it sings comes from marks, or else is all of it."""
    samples = read_wave(path)
    spans = _spans(path) or ((0.0, len(samples) / RATE_HZ),)
    return Clip(bird, path.stem, samples, spans)


def _spans(path: Path) -> tuple[tuple[float, float], ...]:
    """Each bout, from a little before its first mark to a little after its last."""
    marks = path.with_suffix(".csv")
    if not marks.is_file():
        return ()
    found: list[tuple[float, float]] = []
    for onset_s, offset_s in sorted(columns(marks, "onset_s", "offset_s").tolist()):
        if found and onset_s - found[-1][1] < BOUT_REST_S:
            found[-1] = (found[-1][0], max(found[-1][1], offset_s))
        else:
            found.append((onset_s, offset_s))
    return tuple((start - 0.1, end + 0.1) for start, end in found)


def marked(path: Path) -> Case:
    """A chorus with marks beside it: begin, end, who by tabs, perhaps a line with the band."""
    boxes: list[Box] = []
    for text in path.with_suffix(".txt").read_text(encoding="utf-8").splitlines():
        cells = text.split("\t")
        if cells[0] == "\\" and boxes:
            last = boxes[-1]
            low, high = float(cells[1]), float(cells[2])
            boxes[-1] = Box(last.start_s, last.end_s, last.who, low, high)
        elif len(cells) >= 3:
            boxes.append(Box(float(cells[0]), float(cells[1]), cells[2].strip()))
    return Case(path.stem, read_wave(path), boxes=tuple(boxes))


def alone(clips: Sequence[Clip]) -> list[Case]:
    """Each recording by itself, as it is."""
    return [
        Case(f"{c.bird}/{c.name}", c.samples, {c.bird: c.samples}, (), c.spans_s, len(c.spans_s))
        for c in clips
    ]


def bouts(clips: Sequence[Clip]) -> list[Wave]:
    """The bouts of a bird, at a common level, faded at both ends; the longest ones cut off."""
    found = []
    for one in clips:
        for start_s, end_s in one.spans_s:
            end_s = min(end_s, start_s + LONGEST_BOUT_S)
            start = max(0, int((start_s - FADE_S) * RATE_HZ))
            wave = one.samples[start : int((end_s + FADE_S) * RATE_HZ)].copy()
            wave *= 0.1 / max(loudness(wave), 1e-9)
            fade = np.linspace(0, 1, int(FADE_S * RATE_HZ))
            wave[: len(fade)] *= fade
            wave[-len(fade) :] *= fade[::-1]
            found.append(wave)
    # A mark or two far from the others may be a call; a bout is what has some length.
    return [wave for wave in found if len(wave) > 1.0 * RATE_HZ] or found


def loudness(wave: Wave) -> float:
    """RMS value of the loud tenth of a song, by pieces of 10 ms."""
    step = RATE_HZ // 100
    pieces = wave[: len(wave) // step * step].reshape(-1, step)
    power = np.sort(np.mean(pieces**2, axis=1))
    return float(np.sqrt(np.mean(power[-max(1, len(power) // 10) :])))


def pairs_of_birds(
    birds: dict[str, list[Clip]], most: int
) -> Iterator[tuple[list[Clip], list[Clip]]]:
    """Pairs of birds, at most so many: each with the next by name, then the next but one, ….

    So each bird comes as often as another, and birds of one kind meet.
    """
    names = sorted(birds)
    rings = [
        (names[k], names[(k + step) % len(names)])
        for step in range(1, (len(names) - 1) // 2 + 1)
        for k in range(len(names))
    ] or list(combinations(names, 2))
    for first, second in rings[:most]:
        yield birds[first], birds[second]


def in_turns(
    first: Sequence[Clip], second: Sequence[Clip], gap_s: float, second_db: float = 0.0
) -> Case:
    """Six bouts of two birds in turns; below 0 s of gap each begins before the other's end."""
    names = (first[0].bird, second[0].bird)
    songs = (bouts(first), bouts(second))
    turns = []
    at = 0.5
    for k in range(6):
        own = songs[k % 2]
        wave = own[(k // 2) % len(own)] * 10 ** ((second_db if k % 2 else 0.0) / 20)
        turns.append((at, names[k % 2], wave))
        # A bout much shorter than the overlap would lie within the one before it.
        at += len(wave) / RATE_HZ + max(gap_s, -0.4 * len(wave) / RATE_HZ)
    return _laid(f"{names[0]} and {names[1]}", turns, bouts=6)


def at_once(first: Sequence[Clip], second: Sequence[Clip], second_db: float) -> Case:
    """Two birds that sing over each other, three bouts each, the second by so much fainter."""
    names = (first[0].bird, second[0].bird)
    ones, others = bouts(first), bouts(second)
    turns = []
    at = 0.5
    for k in range(3):
        one, other = ones[k % len(ones)], others[k % len(others)]
        turns += [
            (at, names[0], one),
            (at + 0.2 * len(one) / RATE_HZ, names[1], other * 10 ** (second_db / 20)),
        ]
        at += max(len(one), len(other) + 0.2 * len(one)) / RATE_HZ + 1.5
    return _laid(f"{names[0]} and {names[1]}", turns, bouts=6)


def crowd(birds: dict[str, list[Clip]], seed: int) -> Case:
    """Three to six birds of different kinds, by `seed`, each singing and resting for itself.

    They are 0 to 15 dB fainter than the loudest may be, each with the tail of its own place, in
    pink noise 45 dB below. Of one kind are birds whose names begin alike, up to a hyphen.
    """
    rng = np.random.default_rng(1000 + seed)
    kinds: dict[str, list[str]] = {}
    for name in sorted(birds):
        kinds.setdefault(name.split("-")[0], []).append(name)
    turns = []
    for kind in rng.permutation(sorted(kinds))[: 3 + seed % 4]:
        name = str(rng.choice(kinds[kind]))
        songs = bouts(birds[name])
        level = 10 ** (rng.uniform(-15, 0) / 20)
        at = rng.uniform(0.3, 3.0)
        k = int(rng.integers(len(songs)))
        while at < CROWD_S - 1.0:
            wave = songs[k % len(songs)][: int(LONGEST_IN_CROWD_S * RATE_HZ)].copy()
            fade = np.linspace(1, 0, int(FADE_S * RATE_HZ))
            wave[-len(fade) :] *= fade
            turns.append((at, name, wave * level))
            at += len(wave) / RATE_HZ + rng.uniform(1.0, 5.0)
            k += 1
    case = reverberated(_laid(" ".join(sorted({who for _, who, _ in turns})), turns, bouts=0))
    return with_noise(case, pink(len(case.samples), seed), 45.0)


def _laid(name: str, turns: Sequence[tuple[float, str, Wave]], bouts: int) -> Case:
    """Bouts laid out over a faint bed of pink noise, 60 dB below the songs."""
    count = int(0.5 * RATE_HZ) + max(int(at * RATE_HZ) + len(wave) for at, _, wave in turns)
    parts = {who: np.zeros(count) for _, who, _ in turns}
    for at, who, wave in turns:
        begin = int(at * RATE_HZ)
        parts[who][begin : begin + len(wave)] += wave
    bed = pink(count, 1) * 0.1 * 10 ** (-60 / 20)
    return Case(name, np.sum(list(parts.values()), axis=0) + bed, parts | {NOISE: bed}, bouts=bouts)


def pink(count: int, seed: int) -> Wave:
    """Pink noise from 100 Hz up, of RMS value 1."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(count))
    hertz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    shaped = np.fft.irfft(spectrum / np.sqrt(np.maximum(hertz, 100.0)), count)
    return np.asarray(shaped / np.sqrt(np.mean(shaped**2)))


def wind(count: int, seed: int) -> Wave:
    """Noise that falls by 9 dB an octave, in gusts of some seconds, of RMS value 1."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hertz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    rumble = np.fft.irfft(spectrum / np.maximum(hertz, 60.0) ** 1.5, count)
    knots = rng.uniform(-12, 6, max(2, int(count / RATE_HZ / 1.5) + 2))
    gusts = 10 ** (np.interp(np.arange(count) / RATE_HZ / 1.5, np.arange(len(knots)), knots) / 20)
    blown = rumble * gusts
    return np.asarray(blown / np.sqrt(np.mean(blown**2)))


def with_noise(case: Case, noise: Wave, below_db: float) -> Case:
    """A case with noise added, so many decibels below the loud part of the song."""
    added = noise * loudness(case.samples) * 10 ** (-below_db / 20)
    parts = dict(case.parts)
    parts[NOISE] = parts.get(NOISE, 0.0) + added
    return Case(case.name, case.samples + added, parts, case.boxes, case.spans_s, case.bouts)


def reverberated(case: Case, near_db: float = -12.0, far_db: float = -4.0) -> Case:
    """A case in a wood: each bird with a decaying tail of its own, one near, the next far.

    The tail is noise that decays by 60 dB in 0.9 s (Moorer 1979).
    """
    parts, shares = {}, (near_db, far_db)
    for k, (who, wave) in enumerate(case.parts.items()):
        if who == NOISE:
            parts[who] = wave
            continue
        time_s = np.arange(int(0.9 * RATE_HZ)) / RATE_HZ
        tail = np.random.default_rng(k).standard_normal(len(time_s)) * 10 ** (-3 * time_s / 0.9)
        tail *= np.sqrt(10 ** (shares[k % 2] / 10) / np.sum(tail**2))
        tail[0] += 1.0
        size = len(wave) + len(tail)
        wet = np.fft.irfft(np.fft.rfft(wave, size) * np.fft.rfft(tail, size), size)
        parts[who] = wet[: len(wave)]
    return Case(
        case.name, np.sum(list(parts.values()), axis=0), parts, (), case.spans_s, case.bouts
    )


class Truth:
    """Who sang a note of a case."""

    def __init__(self, case: Case) -> None:
        self._case = case
        self._power = {} if case.boxes else {who: _power(w) for who, w in case.parts.items()}

    def of(self, note: Note) -> str | None:
        """The singer of a note, or None where nobody can be named."""
        if not any(a <= note.onset_s <= b for a, b in self._case.spans_s):
            return None
        return self._boxed(note) if self._case.boxes else self._strongest(note)

    def _boxed(self, note: Note) -> str | None:
        middle_s = 0.5 * (note.onset_s + note.offset_s)
        hertz = note.pitch_hz or np.sqrt(max(note.low_hz, 1.0) * max(note.high_hz, 1.0))
        inside = [
            box
            for box in self._case.boxes
            if box.start_s <= middle_s <= box.end_s and box.low_hz <= hertz <= box.high_hz
        ]
        return inside[0].who if len(inside) == 1 else None

    def _strongest(self, note: Note) -> str | None:
        first = int(note.onset_s * RATE_HZ / HOP)
        last = max(first + 1, int(np.ceil(note.offset_s * RATE_HZ / HOP)))
        bin_hz = RATE_HZ / WINDOW
        low = int(note.low_hz / bin_hz)
        high = max(low + 2, int(np.ceil(note.high_hz / bin_hz)) + 1)
        found = sorted(
            (float(p[first:last, low:high].sum()) + 1e-30, who) for who, p in self._power.items()
        )
        if len(found) > 1 and found[-1][0] < found[-2][0] * 10 ** (SURE_DB / 10):
            return None
        return None if found[-1][1] == NOISE else found[-1][1]


WINDOW, HOP = 1024, 256


def _power(wave: Wave) -> npt.NDArray[np.float32]:
    """Power by frame and bin."""
    padded = np.pad(wave, (WINDOW // 2, WINDOW))
    frames = np.lib.stride_tricks.sliding_window_view(padded, WINDOW)[::HOP]
    shape = np.hanning(WINDOW)
    rows = [
        np.abs(np.fft.rfft(frames[k : k + 512] * shape)) ** 2 for k in range(0, len(frames), 512)
    ]
    return np.concatenate(rows).astype(np.float32)

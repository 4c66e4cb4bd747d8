"""Clips of callers in noise for the bench of presence: the same caller, other callers, nothing.

A case is an example of at most 3 s, and a recording that holds the same caller or does not.
An example is the loudest of its clip; of a clip whose notes are marked, the loudest of these.
The level of a clip is that of its caller: of what lies above the lowest band that any matcher
looks at, in marked notes where there are marks. Of three in ten clips that may be tuned on,
the rest, rumble and knocks on a cage, holds three quarters of the power or more.
Where a caller has several recordings, the example and the recording differ; else they are
of one recording, in other noise. Noise is pink over the whole band.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import scipy.signal
import soundfile as sf
import soxr
from bench_data import columns
from singer_cases import SOUNDS, TUNING

from callresp.scout.strangers import pink_noise

Wave = npt.NDArray[np.float32]
RATE_HZ = 32_000
EXAMPLE_S, LONGEST_S, AROUND_S = 3.0, 5.0, 0.5
LEAST_SUNG_S = 0.3  # of marked notes in a clip
LOW_HZ = 200  # the lowest band of the templates, and of ours but for drums
DRUMS = ("grouse",)  # kinds that lie below it
NOISE = "n"  # how hops and wings are marked among the notes of two zebra finches
ROWS = ("0 dB", "-10 dB", "-15 dB", "other bird", "tempo", "pitch", "wood", "overlap")
# Folders whose name does not begin with the kind of caller.
KINDS = {"finch_notes": "bengalese", "b06": "bengalese", "bengalese-finch": "bengalese"}
# Marked choruses: no caller alone.
CHORUSES = ("spinetail", "warblers")


@dataclass(frozen=True, slots=True)
class Case:
    """An example, a recording, and whether it holds the example's caller (or kind)."""

    row: str
    caller: str
    example: int
    recording: Wave
    here: bool


@dataclass(frozen=True, slots=True)
class Caller:
    """One individual: its kind, and at `RATE_HZ` its clips and an example out of each."""

    kind: str
    name: str
    clips: tuple[Wave, ...]
    examples: tuple[Wave, ...]


def callers(one: Sequence[Path], many: Sequence[Path], use: str) -> list[Caller]:
    """Callers of the folders that are tuned on, or scored on."""
    named = {folder.name: sorted(folder.iterdir()) for folder in one}
    for folder in many:
        for inside in sorted(folder.iterdir()):
            if inside.is_dir():
                named[inside.name] = sorted(inside.iterdir())
            elif inside.suffix in SOUNDS:
                named[inside.stem] = [inside]
    found = []
    for name, files in named.items():
        if name in CHORUSES or (name in TUNING) != (use == "tuning"):
            continue
        kind = KINDS.get(name, name.split("-")[0])
        sounds = [path for path in files if path.suffix in SOUNDS]
        both = [of for path in sounds for of in _clips(path, kind in DRUMS)]
        if both:
            clips, examples = zip(*both, strict=True)
            found.append(Caller(kind, name, clips, examples))
    return found


def _clips(path: Path, drum: bool) -> list[tuple[Wave, Wave]]:
    samples, rate_hz = sf.read(path, dtype="float32", always_2d=True)
    whole = soxr.resample(samples.mean(axis=1), rate_hz, RATE_HZ)
    size = int(LONGEST_S * RATE_HZ)
    sung = _marked(path)
    own = called(whole, sung, drum)
    pieces = []
    for at in range(0, max(1, len(whole) - size // 2), size):
        one, inside = whole[at : at + size], slice(at, at + size)
        inside_s = np.diff(sung.clip(at / RATE_HZ, (at + size) / RATE_HZ))
        # What was cut between two songs holds a cage, and no caller.
        if sung.size and inside_s.sum() < LEAST_SUNG_S:
            continue
        level = own[inside].std()
        if len(one) > 0.2 * RATE_HZ and level > 0.02 * own.std():
            clip = (one / (level + 1e-9)).astype(np.float32)
            pieces.append((clip, loudest(clip, own[inside])))
    return pieces


def called(samples: Wave, marked_s: npt.NDArray[np.float64], drum: bool) -> Wave:
    """What of a recording is its caller's: above `LOW_HZ` but for drums, in marked notes."""
    own = samples
    if not drum:
        high = scipy.signal.butter(4, LOW_HZ, "highpass", fs=RATE_HZ, output="sos")
        own = scipy.signal.sosfiltfilt(high, samples)
    if marked_s.size:
        sung = np.zeros(len(samples), np.float32)
        for first, last in (marked_s * RATE_HZ).astype(int):
            sung[first:last] = 1.0
        own = own * sung
    return np.asarray(own, dtype=np.float32)


def _marked(path: Path) -> npt.NDArray[np.float64]:
    """Onsets and offsets of the notes marked beside a recording, shape ``(n, 2)``, seconds."""
    marks = path.with_suffix(".csv")
    if not marks.is_file():
        return np.zeros((0, 2))
    return columns(marks, "onset_s", "offset_s", without=NOISE)


def loudest(clip: Wave, own: Wave) -> Wave:
    """Of a clip the `EXAMPLE_S` in which its caller, from `called`, is loudest.

    A cage is knocked louder than its bird sings, and a knock is no example of a song.
    """
    size = int(EXAMPLE_S * RATE_HZ)
    if len(clip) <= size:
        return clip
    held = np.cumsum(np.r_[0.0, own.astype(np.float64) ** 2])
    at = int(np.argmax(held[size:] - held[:-size]))
    return clip[at : at + size]


def in_noise(clip: Wave, snr_db: float, rng: np.random.Generator) -> Wave:
    """A clip of level 1 with half a second around it, over pink noise."""
    rim = np.zeros(int(AROUND_S * RATE_HZ), np.float32)
    sound = np.concatenate([rim, clip, rim])
    noise = pink_noise(len(sound), RATE_HZ, int(rng.integers(2**31)))
    mixed = sound + noise * np.float32(10 ** (-snr_db / 20))
    return np.asarray(0.5 * mixed / np.abs(mixed).max(), dtype=np.float32)


def wood(clip: Wave, rng: np.random.Generator) -> Wave:
    """Through a wood: a second of reverberation as strong as the sound, and no treble.

    As loud as it was: the row asks about the wood, not about noise.
    """
    time_s = np.arange(RATE_HZ) / RATE_HZ
    tail = rng.standard_normal(RATE_HZ) * np.exp(-6.9 * time_s)
    tail *= 0.9 / np.sqrt(np.sum(tail**2))
    tail[0] += 1.0
    low = scipy.signal.butter(2, 4000, fs=RATE_HZ, output="sos")
    heard = scipy.signal.sosfilt(low, scipy.signal.fftconvolve(clip, tail))
    return np.asarray(heard * np.sqrt(np.sum(clip**2) / np.sum(heard**2)), dtype=np.float32)


def _warped(row: str, rng: np.random.Generator) -> Callable[[Wave], Wave]:
    import librosa

    up = bool(rng.integers(2))
    if row == "tempo":
        rate = 1.15 if up else 1 / 1.15
        return lambda clip: np.asarray(librosa.effects.time_stretch(clip, rate=rate))
    steps = 2 if up else -2
    return lambda clip: np.asarray(librosa.effects.pitch_shift(clip, sr=RATE_HZ, n_steps=steps))


def _both(one: Wave, other: Wave, rng: np.random.Generator) -> Wave:
    size = max(len(one), len(other))
    joined = np.zeros(size, np.float32)
    joined[: len(one)] += one
    at = int(rng.integers(size - len(other) + 1))
    joined[at : at + len(other)] += other
    return joined / np.float32(np.sqrt(2))


def cases(known: Sequence[Caller], each: int, seed: int) -> tuple[list[Wave], list[Case]]:
    """Examples, and cases of every row: `each` with the caller and twice as many without."""
    rng = np.random.default_rng(seed)
    examples: list[Wave] = []
    made: list[Case] = []
    for caller in known:
        chosen = int(rng.integers(len(caller.clips)))
        examples.append(caller.examples[chosen])
        own = [clip for n, clip in enumerate(caller.clips) if n != chosen] or [*caller.clips]
        kin = [c for one in known if one.kind == caller.kind and one is not caller
               for c in one.clips]  # fmt: skip
        strange = [c for one in known if not _akin(one.kind, caller.kind) for c in one.clips]

        def pick(clips: Sequence[Wave]) -> Wave:
            return clips[int(rng.integers(len(clips)))]

        def add(row: str, clip: Wave, here: bool, snr_db: float = 0.0) -> None:
            recording = in_noise(clip, snr_db, rng)
            made.append(Case(row, caller.name, len(examples) - 1, recording, here))  # noqa: B023

        for here in (True, False, False):
            for _ in range(each):
                # The same clip at each level: what differs between these rows is the noise.
                clip = pick(own if here else strange)
                for snr_db in (0, -10, -15):
                    add(f"{snr_db} dB", clip, here, snr_db)
                if kin:
                    add("other bird", pick(kin if here else strange), here)
                for row in ("tempo", "pitch"):
                    clip = pick(own if here else strange)
                    add(row, _warped(row, rng)(clip) if here else clip, here)
                add("wood", wood(pick(own if here else strange), rng), here)
                first = pick(own if here else strange)
                add("overlap", _both(first, pick(strange), rng), here)
        for snr_db in (0, -10, -15):
            add(f"{snr_db} dB", 0 * pick(strange)[: 2 * RATE_HZ], False)
    return examples, made


def _akin(one: str, other: str) -> bool:
    """Of one kind of animal: 'zebracall' holds the calls of the singers of 'zebra'."""
    return one.startswith(other) or other.startswith(one)


def others(known: Sequence[Caller], kind: str, minutes: float, seed: int) -> Wave:
    """A stretch of all callers but those of a kind, near and far, in pink noise."""
    rng = np.random.default_rng(seed)
    clips = [clip for one in known if not _akin(one.kind, kind) for clip in one.clips]
    sound = pink_noise(int(60 * minutes * RATE_HZ), RATE_HZ, seed)
    at = 0
    while True:
        clip = clips[int(rng.integers(len(clips)))]
        at += int(rng.exponential(4.0) * RATE_HZ)
        if at + len(clip) > len(sound):
            return np.asarray(0.9 * sound / np.abs(sound).max(), dtype=np.float32)
        sound[at : at + len(clip)] += clip * np.float32(10 ** (rng.uniform(-12, 15) / 20))
        at += len(clip)

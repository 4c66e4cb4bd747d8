"""Second opinions from librosa: onsets by spectral flux, and pitch by pYIN.

References
----------
McFee et al., "librosa: Audio and Music Signal Analysis in Python", SciPy 2015.
pYIN: Mauch & Dixon, ICASSP 2014.

Long recordings as overlapping chunks, for methods that want an array.

Conventions
-----------
A chunk is a middle, which is its own, with `before` and `after` samples round
it that belong to its neighbours: a method may use them, but what it finds
there is dropped. Middles start at multiples of `middle`, so that frames of a
hop that divides it fall on one grid through the whole recording.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

_HOP = 512  # librosa's own default


class LibrosaOnsets:
    """Onsets by `librosa.onset.onset_detect` with its default settings.

    The strength is found chunk by chunk and the peaks are picked over the
    whole, as one call on the whole recording would.
    """

    def __init__(self, recording: Any) -> None:
        self.rate_hz = int(recording.sample_rate_hz)
        self.middle = _HOP * (20 * self.rate_hz // _HOP)
        self.before = self.after = 8 * _HOP
        self._parts: list[npt.NDArray[np.float32]] = []

    def take(self, chunk: Chunk) -> None:
        """Take the next chunk."""
        import librosa

        samples = chunk.samples
        strength = librosa.onset.onset_strength(y=samples, sr=self.rate_hz, hop_length=_HOP)
        first = chunk.before // _HOP
        count = None if chunk.last else chunk.middle // _HOP
        self._parts.append(np.asarray(strength, np.float32)[first:][:count])

    def onsets_s(self) -> npt.NDArray[np.float64]:
        """Onsets of all chunks so far, in seconds."""
        import librosa

        found = librosa.onset.onset_detect(
            onset_envelope=np.concatenate(self._parts),
            sr=self.rate_hz,
            hop_length=_HOP,
            units="time",
        )
        return np.asarray(found, np.float64)


@dataclass(frozen=True, slots=True)
class Pitches:
    """Pitch by frames: seconds, hertz (nan: unvoiced), probability of voicing."""

    at_s: npt.NDArray[np.float64]
    pitch_hz: npt.NDArray[np.float64]
    voiced: npt.NDArray[np.float64]


class PyinPitches:
    """Pitch by `librosa.pyin` in the listening band.

    Its window is 1024 samples at 44.1 kHz, half of librosa's default, since
    birds sing higher and faster than people, and its pitches lie 20 cents
    apart, not 10, since the band is wide and the time goes with the square of
    their number; the rest is as librosa has it.
    """

    rate_hz = 44100
    hop = 245  # 180 frames a second exactly

    def __init__(self, low_hz: float, high_hz: float) -> None:
        self.middle = 4 * self.rate_hz
        self.before = self.after = self.rate_hz // 2
        # pYIN needs two periods of the lowest pitch in its window.
        self._low_hz = max(low_hz, 2.5 * self.rate_hz / 1024)
        self._high_hz = min(high_hz, self.rate_hz / 4)
        self._pitch: list[npt.NDArray[np.float64]] = []
        self._voiced: list[npt.NDArray[np.float64]] = []

    def take(self, chunk: Chunk) -> None:
        """Take the next chunk."""
        import librosa

        samples = chunk.samples
        if len(samples) < 1024:
            samples = np.pad(samples, (0, 1024 - len(samples)))
        pitch, _, probability = librosa.pyin(
            samples,
            fmin=self._low_hz,
            fmax=self._high_hz,
            sr=self.rate_hz,
            frame_length=1024,
            hop_length=self.hop,
            resolution=0.2,
        )
        first = chunk.before // self.hop
        count = None if chunk.last else chunk.middle // self.hop
        self._pitch.append(np.asarray(pitch, np.float64)[first:][:count])
        self._voiced.append(np.asarray(probability, np.float64)[first:][:count])

    def pitches(self) -> Pitches:
        """Pitch of all chunks so far."""
        pitch = np.concatenate(self._pitch)
        at_s = np.arange(len(pitch)) * self.hop / self.rate_hz
        return Pitches(at_s, pitch, np.concatenate(self._voiced))


def voiced_runs(found: Pitches, jump_cents: float = 300.0) -> list[tuple[int, int]]:
    """Frames of each voiced run: a rest or a leap of pitch parts two notes."""
    voiced = np.isfinite(found.pitch_hz)
    with np.errstate(invalid="ignore"):
        leap = np.abs(np.diff(np.log2(found.pitch_hz))) * 1200 > jump_cents
    starts = voiced.copy()
    starts[1:] &= ~voiced[:-1] | leap
    ends = voiced.copy()
    ends[:-1] &= ~voiced[1:] | leap
    return list(
        zip(np.flatnonzero(starts).tolist(), (np.flatnonzero(ends) + 1).tolist(), strict=True)
    )


Samples = npt.NDArray[np.float32]
Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class Chunk:
    """A stretch of a recording.

    Attributes
    ----------
    samples
        Shape ``(n,)``, with its surroundings.
    before
        How many of them come before the middle.
    middle
        How many are the chunk's own.
    start
        Place of the middle in the recording, in samples at the chunks' rate.
    last
        Whether the recording ends with it.
    """

    samples: Samples
    before: int
    middle: int
    start: int
    last: bool

    @property
    def own(self) -> Samples:
        """The middle alone."""
        return self.samples[self.before : self.before + self.middle]


def resampled(
    recording: Any, rate_hz: int, progress: Progress | None = None
) -> Iterator[npt.NDArray[np.float32]]:
    """The blocks of a recording at another rate (soxr, high quality)."""
    taken = 0
    same = recording.sample_rate_hz == rate_hz
    if not same:
        import soxr

        stream = soxr.ResampleStream(recording.sample_rate_hz, rate_hz, 1, dtype="float32")
    for block in recording.blocks():
        taken += len(block)
        yield block if same else stream.resample_chunk(block)
        if progress is not None:
            progress(min(1.0, taken / max(1, recording.frames)))
    if not same:
        yield stream.resample_chunk(np.zeros(0, np.float32), last=True)


def chunks(blocks: Iterator[Samples], middle: int, before: int, after: int) -> Iterator[Chunk]:
    """Cut a stream of blocks into chunks; memory is that of one chunk.

    Examples
    --------
    >>> found = list(chunks(iter([np.arange(7, dtype=np.float32)]), 3, 1, 1))
    >>> [chunk.samples.tolist() for chunk in found]
    [[0.0, 1.0, 2.0, 3.0], [2.0, 3.0, 4.0, 5.0, 6.0], [5.0, 6.0]]
    >>> [chunk.own.tolist() for chunk in found]
    [[0.0, 1.0, 2.0], [3.0, 4.0, 5.0], [6.0]]
    """
    held = np.zeros(0, np.float32)
    lead = 0
    start = 0
    for block in blocks:
        held = np.concatenate([held, block]) if len(held) else block
        while len(held) > lead + middle + after:
            yield Chunk(held[: lead + middle + after], lead, middle, start, last=False)
            start += middle
            drop = max(0, lead + middle - before)
            lead = lead + middle - drop
            held = held[drop:].copy()
    while len(held) > lead:
        own = min(middle, len(held) - lead)
        reach = lead + own + after
        yield Chunk(held[:reach], lead, own, start, last=lead + own == len(held))
        start += own
        drop = max(0, lead + own - before)
        lead = lead + own - drop
        held = held[drop:]

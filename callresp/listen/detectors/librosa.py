"""Detectors of librosa: onsets by spectral flux, and pitch by pYIN.

References
----------
McFee et al., "librosa: Audio and Music Signal Analysis in Python", SciPy 2015.
pYIN: Mauch & Dixon, ICASSP 2014.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.io.audio import Recording
from callresp.listen.detectors.chunks import Chunk

_HOP = 512  # this and the next are librosa's own defaults
_WINDOW = 2048
JUMP_CENTS = 300.0  # between two frames, by which pitch leaps


class LibrosaOnsets:
    """Onsets by `librosa.onset.onset_detect` with its default settings.

    The onset strength is found chunk by chunk and its peaks are picked over the
    whole, as one call on the whole recording would.
    """

    def __init__(self, recording: Recording) -> None:
        self.rate_hz = int(recording.sample_rate_hz)
        self.middle = _HOP * (20 * self.rate_hz // _HOP)
        self.before = self.after = 8 * _HOP
        self._parts: list[npt.NDArray[np.float32]] = []

    def take(self, chunk: Chunk) -> None:
        """Take the next chunk."""
        import librosa

        # A window's worth at least, or librosa warns.
        samples = np.pad(chunk.samples, (0, max(0, _WINDOW - len(chunk.samples))))
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


def voiced_runs(found: Pitches) -> list[tuple[int, int]]:
    """Frames of each voiced run: a rest or a leap of pitch parts two notes."""
    voiced = np.isfinite(found.pitch_hz)
    with np.errstate(invalid="ignore"):
        leap = np.abs(np.diff(np.log2(found.pitch_hz))) * 1200 > JUMP_CENTS
    starts = voiced.copy()
    starts[1:] &= ~voiced[:-1] | leap
    ends = voiced.copy()
    ends[:-1] &= ~voiced[1:] | leap
    return list(
        zip(np.flatnonzero(starts).tolist(), (np.flatnonzero(ends) + 1).tolist(), strict=True)
    )

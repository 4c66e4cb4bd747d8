"""The detectors that the listening bench puts side by side, ours and its peers.

Every peer runs with the settings of its own library or of its own command
line, on samples that are already in memory. Some of their thresholds hang on
the level, so each hears every recording twice, as it is and scaled to a peak of
0.9, and the bench shows its better row. Ours does its whole job once, from the
file on. What is not installed here is named with the reason and left out.

Licences: madmom's networks are CC BY-NC-SA 4.0 (its LICENSE file); aubio is
GPL-3.0. Neither is needed by callresp itself.
"""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from callresp.io.audio import open_recording
from callresp.io.score import HeardScore
from callresp.listen.detectors.registry import detectors
from callresp.listen.offline import transcribe

Floats = npt.NDArray[np.float64]
Samples = npt.NDArray[np.float32]
OURS = "callresp"
COMMON_RATE_HZ = 44100
PEAK = 0.9


@dataclass(frozen=True, slots=True)
class Peer:
    """A detector of onsets.

    `prepare` builds whatever is loaded once (networks, say) and returns the
    function from samples and rate to onsets in seconds. A `rate_hz` means that
    the sound is resampled to that rate first, outside the timing.
    """

    name: str
    prepare: Callable[[], Callable[[Samples, int], Floats]]
    rate_hz: int | None = None
    missing: str | None = None


def peers(wanted: tuple[str, ...] = ()) -> list[Peer]:
    """Every peer, or those named."""
    reasons = {detector.name: detector.missing for detector in detectors()}
    rate = COMMON_RATE_HZ
    found = [
        Peer("librosa", _librosa, None, reasons["librosa"]),
        Peer("librosa 44.1k", _librosa, rate, reasons["librosa"]),
        Peer("SuperFlux", lambda: _madmom("superflux"), rate, reasons["superflux"]),
        Peer("CNN", lambda: _madmom("cnn"), rate, reasons["cnn"]),
        Peer("RNN", lambda: _madmom("rnn"), rate, reasons["rnn"]),
        Peer("RNN online", lambda: _madmom("rnn-online"), rate, reasons["rnn-online"]),
        Peer("aubio", _aubio, rate, _no_aubio()),
    ]
    return [peer for peer in found if not wanted or peer.name in wanted]


def hear_ours(path: Path) -> HeardScore:
    """The whole job with the one set of defaults: notes, pitch, level, voices, phrases."""
    return transcribe(open_recording(path))


def read(path: Path, rate_hz: int | None) -> tuple[Samples, int]:
    """The samples of a file, resampled where a peer wants it so."""
    recording = open_recording(path)
    samples = np.concatenate(list(recording.blocks()))
    if rate_hz is None or rate_hz == recording.sample_rate_hz:
        return samples, recording.sample_rate_hz
    import soxr

    return np.asarray(soxr.resample(samples, recording.sample_rate_hz, rate_hz)), rate_hz


def scaled(samples: Samples) -> Samples:
    """The same sound with its peak at `PEAK`."""
    return samples * np.float32(PEAK / max(float(np.abs(samples).max()), 1e-9))


def _librosa() -> Callable[[Samples, int], Floats]:
    import librosa

    return lambda samples, rate: np.asarray(
        librosa.onset.onset_detect(y=samples, sr=rate, units="time"), dtype=np.float64
    )


def _madmom(name: str) -> Callable[[Samples, int], Floats]:
    """By madmom's own processors and the settings of its own programs, on the whole sound."""
    from callresp.listen.detectors.chunks import Chunk
    from callresp.listen.detectors.madmom import MadmomOnsets

    def onsets(samples: Samples, rate: int) -> Floats:
        method = MadmomOnsets(name)
        method.take(Chunk(samples, before=0, middle=len(samples), start=0, last=True))
        return method.onsets_s()

    return onsets


def _no_aubio() -> str | None:
    if importlib.util.find_spec("aubio") is None:
        return "not installed; install aubio"
    try:
        importlib.import_module("aubio")
    except ImportError as fault:
        return f"does not import here ({fault})"
    return None


def _aubio() -> Callable[[Samples, int], Floats]:
    """With the settings of ``aubio onset``: method default, window 512, hop 256, interval 12 ms."""
    aubio = importlib.import_module("aubio")
    window, hop = 512, 256

    def onsets(samples: Samples, rate: int) -> Floats:
        detect = aubio.onset("default", window, hop, rate)
        detect.set_minioi_ms(12.0)
        found = []
        padded = np.pad(samples, (0, -len(samples) % hop))
        for start in range(0, len(padded), hop):
            if detect(padded[start : start + hop])[0]:
                found.append(detect.get_last_s())
        return np.asarray(found, dtype=np.float64)

    return onsets

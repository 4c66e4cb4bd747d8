"""Compile the inner loops, so that the first recording need not wait for that.

Run by the set-up as ``python -m callresp.listen.precompile``; a second run finds
them compiled. Librosa keeps compiled loops of its own, and may leave broken ones
if two processes use it for the first time at once.
"""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
from pathlib import Path

import numpy as np
import numpy.typing as npt

from callresp.io.audio import open_recording, write_wav
from callresp.listen.detectors.registry import LIBROSA, NATIVE, detectors
from callresp.listen.notes import FEATURES, NOTE
from callresp.listen.offline import transcribe
from callresp.listen.voices import choruses
from callresp.listen.voices.assign import assign_voices, why
from callresp.listen.voices.looks import looks_of
from callresp.listen.voices.online_voices import VoiceTracker
from callresp.listen.voices.pair_evidence import pairs_of

RATE_HZ = 48000


def main() -> None:
    """Hear what uses every kernel, ours and librosa's: half of ours on another core."""
    singers = multiprocessing.get_context("spawn").Process(target=tell_singers_apart)
    singers.start()
    for detector in detectors():
        if detector.name in (NATIVE, *LIBROSA) and detector.missing is None:
            hear_sweeps(detector.name)
    singers.join()
    sys.exit(singers.exitcode)


def tell_singers_apart() -> None:
    """Give notes of two singers who overlap to them, at once and as they come, and say why."""
    notes, features = np.zeros(40, NOTE), np.zeros(40, FEATURES)
    notes["onset_s"] = 0.1 * np.arange(40)
    notes["offset_s"] = notes["onset_s"] + 0.15
    notes["pitch_hz"] = notes["low_hz"] = notes["high_hz"] = np.tile([900.0, 7000.0], 20)
    notes["tonality"] = 1.0
    why(assign_voices(notes, features), features, 0)
    pairs = pairs_of(looks_of(notes, features), notes["onset_s"], notes["offset_s"])
    choruses.crossed(40, pairs)
    choruses.accounts_for(np.arange(40), pairs)
    choruses.joined(np.arange(40), np.full(40, -1), pairs)
    VoiceTracker().assign(notes[:1])


def hear_sweeps(detector: str = NATIVE) -> None:
    """Transcribe two seconds of sweeps and knocks."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sweeps.wav"
        write_wav(path, _sweeps(), RATE_HZ)
        transcribe(open_recording(path), detector=detector)


def _sweeps() -> npt.NDArray[np.float64]:
    rng = np.random.default_rng(0)
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    sweep = np.sin(2 * np.pi * (2000 * time_s + 400 * time_s**2))
    gate = (time_s % 0.25 < 0.1) & (time_s > 0.5)
    wave = 0.2 * sweep * gate + 0.001 * rng.standard_normal(len(time_s))
    for start in range(RATE_HZ, 2 * RATE_HZ - 2000, 4800):
        knock = rng.standard_normal(400) * np.exp(-np.arange(400) / 60)
        wave[start : start + 400] += 0.3 * knock
    return wave


if __name__ == "__main__":
    main()

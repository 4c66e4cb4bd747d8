"""Compile the inner loops, so that the first recording need not wait for that.

Run by the set-up as ``python -m callresp.listen.precompile``; a second run finds
them compiled. Librosa keeps compiled loops of its own, and may leave broken ones
if two processes use it for the first time at once.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from callresp.io.audio import open_recording, write_wav
from callresp.listen.detectors.registry import LIBROSA, NATIVE, detectors
from callresp.listen.offline import transcribe
from callresp.listen.online import Listener

RATE_HZ = 48000


def main() -> None:
    """Transcribe two seconds of sweeps and knocks, which use every kernel."""
    rng = np.random.default_rng(0)
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    sweep = np.sin(2 * np.pi * (2000 * time_s + 400 * time_s**2))
    gate = (time_s % 0.25 < 0.1) & (time_s > 0.5)
    wave = 0.2 * sweep * gate + 0.001 * rng.standard_normal(len(time_s))
    for start in range(RATE_HZ, 2 * RATE_HZ - 2000, 4800):
        knock = rng.standard_normal(400) * np.exp(-np.arange(400) / 60)
        wave[start : start + 400] += 0.3 * knock
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sweeps.wav"
        write_wav(path, wave, RATE_HZ)
        for detector in detectors():
            if detector.name in (NATIVE, *LIBROSA) and detector.missing is None:
                transcribe(open_recording(path), detector=detector.name)
    listener = Listener(RATE_HZ)
    for start in range(0, len(wave), 256):
        listener.push(wave[start : start + 256].astype(np.float32))


if __name__ == "__main__":
    main()

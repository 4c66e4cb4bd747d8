"""The part of the listening bench on what codecs leave: false notes in files coded with loss.

Fourteen calls of two pitches in steady noise are coded. A note within 25 ms of a call's
beginning is that call; all others are false. Recordings marked by hand are coded, too:
there, a note is false that shares no time with one that is heard in the file as it was.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
import soxr
from bench_accuracy import Job
from bench_data import labelled
from bench_peers import COMMON_RATE_HZ, OURS, hear_ours, read
from bench_table import Table
from scipy.signal import lfilter

from callresp.io.audio import open_recording

Floats = npt.NDArray[np.float64]

NOISES_DB = (-50, -55, -60, -65, -70, -75, -80, -90)
NEAR_S = 0.025
MARGIN_S = 0.02
OPUS_RATE_HZ = 48000
# Container, subtype, and the level that libsndfile is given for some rate (Vorbis: quality).
CODECS = {
    "MP3 64 kbit/s": ("MP3", "MPEG_LAYER_III", 0.889),
    "MP3 128 kbit/s": ("MP3", "MPEG_LAYER_III", 0.667),
    "MP3 192 kbit/s": ("MP3", "MPEG_LAYER_III", 0.444),
    "Vorbis quality 0": ("OGG", "VORBIS", 1.0),
    "Vorbis quality 4": ("OGG", "VORBIS", 0.6),
    "Vorbis quality 6": ("OGG", "VORBIS", 0.4),
    "Opus 64 kbit/s": ("OGG", "OPUS", 0.768),
}


def calls(noise_db: float, low_hz: float, white: bool) -> tuple[Floats, Floats]:
    """Calls in noise of a level re full scale, and their onsets in seconds."""
    noise = np.random.default_rng(7).standard_normal(12 * COMMON_RATE_HZ)
    wave = noise if white else np.asarray(lfilter([1.0], [1.0, -0.98], noise))
    wave *= 10 ** (noise_db / 20) / wave.std()
    onsets_s = []
    for at_s in np.arange(1.0, 11.0, 1.5):
        for onset_s, hertz, seconds in ((at_s, 1.2 * low_hz, 0.2), (at_s + 0.35, low_hz, 0.3)):
            time_s = np.arange(round(seconds * COMMON_RATE_HZ)) / COMMON_RATE_HZ
            edges = np.minimum(1.0, np.minimum(time_s, time_s[::-1]) / 0.02)
            first = round(onset_s * COMMON_RATE_HZ)
            call = (0.2 if low_hz < 1000 else 0.9) * edges * np.sin(2 * np.pi * hertz * time_s)
            wave[first : first + len(call)] += call
            onsets_s.append(onset_s)
    return wave, np.array(onsets_s)


def write_coded(folder: Path, wave: Floats, rate_hz: int, codec: str) -> Path:
    """A wave, coded with loss, in a new file of a folder."""
    container, subtype, level = CODECS[codec]
    if subtype == "OPUS":
        wave, rate_hz = np.asarray(soxr.resample(wave, rate_hz, OPUS_RATE_HZ)), OPUS_RATE_HZ
    mode = {"bitrate_mode": "CONSTANT"} if container == "MP3" else {}
    path = folder / f"coded.{container.lower()}"
    soundfile.write(
        path,
        np.clip(wave, -0.99, 0.99),
        rate_hz,
        format=container,
        subtype=subtype,
        compression_level=level,
        **mode,
    )
    return path


def on_codecs(job: Job) -> Iterator[Table]:
    """Calls found and false notes by codec and noise, and in recordings marked by hand."""
    for low_hz in (550.0, 4000.0):
        for white in (False, True):
            kind = "white" if white else "reddish"
            header = ("detector, codec", *(f"{noise_db} dB" for noise_db in NOISES_DB))
            table = Table(f"14 calls at {low_hz:g} Hz in {kind} noise: heard + false", header)
            names = {OURS: None, **{peer.name: peer for peer in job.peers}}
            for name, peer in names.items():
                detect = peer.prepare() if peer else None
                for codec in CODECS:
                    job.say(f"{name}: {codec}")
                    row = []
                    for noise_db in NOISES_DB:
                        wave, true_s = calls(noise_db, low_hz, white)
                        with tempfile.TemporaryDirectory() as folder:
                            path = write_coded(Path(folder), wave, COMMON_RATE_HZ, codec)
                            if peer and detect:
                                found_s = np.asarray(detect(*read(path, peer.rate_hz)))
                            else:
                                found_s = _heard(path)[:, 0]
                        near = [
                            len(found_s) and np.abs(found_s - at).min() < NEAR_S for at in true_s
                        ]
                        row.append(f"{sum(near)} + {len(found_s) - sum(near)}")
                    table.add(f"{name}, {codec}", *row)
            yield table
    if job.folders:
        yield _on_recordings(job)


def _on_recordings(job: Job) -> Table:
    header = ("codec", "as it was", "coded", "false", "lost")
    table = Table("Notes of recordings, and of the same coded (callresp)", header)
    found = [marked.path for folder in job.folders for marked in labelled(folder)]
    whole = {path: _heard(path) for path in found}
    for codec in CODECS:
        job.say(codec)
        sums = np.zeros(4, np.int64)
        for path, as_it_was in whole.items():
            recording = open_recording(path)
            wave = np.concatenate(list(recording.blocks())).astype(np.float64)
            with tempfile.TemporaryDirectory() as folder:
                coded = _heard(write_coded(Path(folder), wave, recording.sample_rate_hz, codec))
            early, late = as_it_was[:, 0] - MARGIN_S, as_it_was[:, 1] + MARGIN_S
            false = sum(not np.any((early < end) & (late > start)) for start, end in coded)
            lost = sum(not np.any(np.abs(coded[:, 0] - at) < NEAR_S) for at in as_it_was[:, 0])
            sums += (len(as_it_was), len(coded), false, lost)
        table.add(codec, *(int(n) for n in sums))
    table.notes.append("false: at a time without a note as it was; lost: no onset within 25 ms")
    return table


def _heard(path: Path) -> Floats:
    """Onsets and offsets of our notes in seconds, shape ``(n, 2)``."""
    return np.array([(n.onset_s, n.offset_s) for n in hear_ours(path).notes]).reshape(-1, 2)

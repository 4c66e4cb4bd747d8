"""The parts of the listening bench whose sounds are made here: attacks of each kind, and trills.

The onset of an attack is the first sample of an impulse, a click, a knock or an
instant tone; of a ramp it is where the amplitude passes 22 dB below its highest
(see `callresp.listen.kernels.segmentation`). Errors are of the detected onset
nearest to it, below 0 where that is early.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
from bench_accuracy import Job
from bench_peers import COMMON_RATE_HZ, OURS, hear_ours, read
from bench_table import Table

from callresp.io.audio import write_wav

Floats = npt.NDArray[np.float64]

RATES_HZ = (22050, 32000, 44100, 48000)
RAMPS_MS = (0, 1, 2, 5, 10, 20)
KINDS = ("impulse", "click 1 ms", "knock", *(f"ramp {ms}" if ms else "instant" for ms in RAMPS_MS))
PITCHES_HZ = (1500, 2200, 3000, 4100, 5200, 6500, 7700)
COUNT = 36
NEAR_S = 0.03
TRILLS_HZ = (15, 20, 25, 30, 33, 36, 40, 45)
NOTES = 80


def attack(kind: str, number: int, rate_hz: int, rng: np.random.Generator) -> tuple[Floats, float]:
    """The samples of one attack, and its onset in seconds from the first of them."""
    if kind == "impulse":
        return np.array([0.5]), 0.0
    if kind == "click 1 ms":
        return 0.2 * rng.standard_normal(rate_hz // 1000), 0.0
    time_s = np.arange(round(0.1 * rate_hz)) / rate_hz
    if kind == "knock":
        return 0.3 * rng.standard_normal(len(time_s)) * np.exp(-time_s / 0.005), 0.0
    ramp_s = 0.0 if kind == "instant" else float(kind.split()[1]) / 1000
    rise = np.minimum(1.0, time_s / ramp_s) if ramp_s else np.ones(len(time_s))
    tone = np.sin(2 * np.pi * PITCHES_HZ[number % len(PITCHES_HZ)] * time_s)
    return 0.1 * rise * np.minimum(1.0, (0.1 - time_s) / 0.02) * tone, ramp_s * 10 ** (-22 / 20)


def attacks(kind: str, rate_hz: int) -> tuple[Floats, Floats]:
    """A wave of attacks of one kind in faint noise, and their onsets in seconds."""
    rng = np.random.default_rng(1)
    wave = 3e-4 * rng.standard_normal(rate_hz * 16)
    onsets_s = []
    for number in range(COUNT):
        first = round((1.0 + 0.4 * number + rng.uniform(0, 0.02)) * rate_hz)
        part, onset_s = attack(kind, number, rate_hz, rng)
        wave[first : first + len(part)] += part
        onsets_s.append(first / rate_hz + onset_s)
    return wave, np.array(onsets_s)


def errors_ms(true_s: Floats, found_s: Floats) -> Floats:
    """Error of the onset found nearest to each true one, of those that are near."""
    away = np.subtract.outer(found_s, true_s)
    if not away.size:
        return np.zeros(0)
    nearest = away[np.abs(away).argmin(axis=0), np.arange(len(true_s))]
    return np.asarray(1000 * nearest[np.abs(nearest) < NEAR_S])


def on_attacks(job: Job) -> Iterator[Table]:
    """Median error of onsets by kind of attack."""
    table = Table(f"Onsets of {COUNT} attacks, median error in ms", ("detector", *KINDS), places=2)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "attacks.wav"
        for rate_hz in RATES_HZ:
            row = []
            for kind in KINDS:
                wave, true_s = attacks(kind, rate_hz)
                write_wav(path, wave, rate_hz)
                found = errors_ms(true_s, np.array([n.onset_s for n in hear_ours(path).notes]))
                row.append(float(np.median(found)) if len(found) >= COUNT // 2 else None)
            table.add(f"{OURS}, {rate_hz / 1000:g} kHz", *row)
        table.add("aim", *(f"±{1}" if k < 7 else None for k in range(len(KINDS))))
        for peer in job.peers:
            job.say(peer.name)
            detect, row = peer.prepare(), []
            for kind in KINDS:
                wave, true_s = attacks(kind, COMMON_RATE_HZ)
                write_wav(path, wave, COMMON_RATE_HZ)
                found = errors_ms(true_s, detect(*read(path, peer.rate_hz)))
                row.append(float(np.median(found)) if len(found) >= COUNT // 2 else None)
            table.add(peer.name, *row)
    table.notes.append("'-': fewer than half of them found within 30 ms; peers at 44.1 kHz")
    yield table


def trill(rate_hz: int, notes_a_second: float, peak: float) -> tuple[Floats, Floats]:
    """A trill at 4 kHz, on for 55 % of the time with edges of 2 ms, and its onsets in seconds."""
    wave = 3e-4 * np.random.default_rng(2).standard_normal(8 * rate_hz)
    on_s = 0.55 / notes_a_second
    time_s = np.arange(int(on_s * rate_hz)) / rate_hz
    edges = np.minimum(1.0, np.minimum(time_s, on_s - time_s) / 0.002)
    note = peak * edges * np.sin(2 * np.pi * 4000 * time_s)
    onsets_s = 1.5 + np.arange(NOTES) / notes_a_second
    for onset_s in onsets_s:
        first = int(onset_s * rate_hz)
        wave[first : first + len(note)] += note
    return wave, onsets_s


def on_trills(job: Job) -> Iterator[Table]:
    """Notes of fast trills: how many are heard, and how many that are not there."""
    header = ("detector", *(f"{rate} a s" for rate in TRILLS_HZ))
    table = Table(f"Trills of {NOTES} notes at 4 kHz: heard within 10 ms + false", header)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trill.wav"
        for peak in (0.1, 0.01):
            row = []
            for rate in TRILLS_HZ:
                wave, true_s = trill(48000, rate, peak)
                write_wav(path, wave, 48000)
                row.append(_counted(true_s, np.array([n.onset_s for n in hear_ours(path).notes])))
            table.add(f"{OURS}, {20 * np.log10(peak):.0f} dB", *row)
        for peer in job.peers:
            job.say(peer.name)
            detect, row = peer.prepare(), []
            for rate in TRILLS_HZ:
                wave, true_s = trill(48000, rate, 0.1)
                write_wav(path, wave, 48000)
                row.append(_counted(true_s, detect(*read(path, peer.rate_hz))))
            table.add(f"{peer.name}, -20 dB", *row)
    yield table


def _counted(true_s: Floats, found_s: Floats) -> str:
    heard = sum(bool(len(found_s)) and np.abs(found_s - at).min() < 0.01 for at in true_s)
    return f"{heard} + {len(found_s) - heard}"

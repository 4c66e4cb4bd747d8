"""The parts of the listening bench that measure time and memory.

Times are processor seconds of this process on one core, the least of several
runs, since other work on the machine must not count. 'speed' tells wall-clock
time on all cores as well, which other work on the machine does lengthen. Peers
get samples that are in memory already; ours reads the file and does the whole
job.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import numpy as np
from bench_accuracy import Job
from bench_data import KEEP, RenderedScene, scene
from bench_peers import OURS, hear_ours, read, scaled
from bench_table import Table
from threadpoolctl import threadpool_limits

from callresp.errors import UserError
from callresp.io.audio import open_recording, write_wav
from callresp.listen.offline import unassigned_notes
from callresp.listen.profile import Profile

RUNS = 5
ALONE = f"{OURS}, no voices"
SPEED_SCENES = {
    "scoring": ("score-chorus-10db", "score-chorus-0db", "score-crowd"),
    "tuning": ("chorus", "chorus-0db", "crowd"),
}
SPEED_S = 300
STREAMS = 3  # of real singers, over one another
SINGERS_RATE_HZ = 48000
LONG_SCENE = "dawn-hour"

_CHILD = """
import json, resource, sys, time
from callresp.listen.offline import transcribe
from callresp.io.audio import open_recording
began = time.process_time()
heard = transcribe(open_recording(sys.argv[1]))
spent = time.process_time() - began
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps({"notes": len(heard.notes), "cpu_s": spent, "peak_mb": peak}))
"""


def in_turns(
    works: Mapping[str, Callable[[], object]], clock_s: Callable[[], float] = time.process_time
) -> dict[str, float]:
    """Least time of each of several works by a clock, in seconds.

    They take turns, so that what else the machine does at a time befalls all alike.
    """
    spent: dict[str, list[float]] = {name: [] for name in works}
    for turn in range(RUNS):
        for name, work in works.items():
            if turn and _slow(name):
                continue
            began = clock_s()
            work()
            spent[name].append(clock_s() - began)
    return {name: min(times) for name, times in spent.items()}


@contextmanager
def all_cores() -> Iterator[int]:
    """Let this process, and the products of matrices in it, have every core; yields how many."""
    cores = os.cpu_count() or 1
    own = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else set()
    if own:
        os.sched_setaffinity(0, range(cores))
        cores = len(os.sched_getaffinity(0))
    try:
        with threadpool_limits(cores):
            yield cores
    finally:
        if own:
            os.sched_setaffinity(0, own)


def on_speed(job: Job) -> Iterator[Table]:
    """Times real time, 48 kHz mono: by the processor's clock on one core, by the wall's on all."""
    sounds = [(name, scene(name, seconds=SPEED_S).path) for name in SPEED_SCENES[job.use]]
    if job.singers:
        sounds.append((f"{STREAMS} streams of real singers", over_one_another(job.singers)))
    for name, path in sounds:
        works: dict[str, Callable[[], object]] = {
            OURS: partial(hear_ours, path),
            ALONE: partial(notes_alone, path),
        }
        for work in works.values():
            work()  # compiled kernels are loaded once
        for peer in job.peers:
            job.say(f"speed: {peer.name}")
            detect = peer.prepare()
            samples, rate = read(path, peer.rate_hz)
            detect(samples[: 5 * rate], rate)
            works[peer.name] = partial(detect, samples, rate)
        spent = in_turns(works)
        with all_cores() as cores:
            walls = in_turns(works, time.perf_counter)
        table = Table(
            f"Speed on {SPEED_S} s of {name} at 48 kHz, times real time",
            ("detector", "processor, one core", f"wall clock, {cores} cores", "what it does"),
            places=0,
        )
        does = {
            OURS: "file, notes, pitch, level, voices, phrases",
            ALONE: "file, notes, pitch, level",
        }
        for who in works:
            what = does.get(who, "onsets, from samples in memory")
            table.add(who, SPEED_S / spent[who], SPEED_S / walls[who], what)
        table.add("aim", 400, 400, "and faster than librosa")
        table.notes.append(
            "on all cores we use two threads; peers as many as their libraries of matrices take"
        )
        yield table


def over_one_another(folders: Sequence[Path]) -> Path:
    """A file of real singers, several streams over one another, as loud as each other.

    Each stream has all recordings of the folders, in an order of its own, with pauses.
    """
    found = (path for folder in folders for path in folder.rglob("*"))
    paths = sorted(path for path in found if path.suffix.lower() in (".flac", ".wav"))
    if not paths:
        raise UserError("holds no recording", where=str(folders[0]), remedy="name another folder")
    sounds = [read(path, SINGERS_RATE_HZ)[0] for path in paths]
    mixed = np.zeros(SPEED_S * SINGERS_RATE_HZ, np.float32)
    rng = np.random.default_rng(0)
    for _ in range(STREAMS):
        at = int(rng.uniform(0.0, 1.0) * SINGERS_RATE_HZ)
        while at < len(mixed):
            for n in rng.permutation(len(sounds)):
                part = sounds[n][: max(0, len(mixed) - at)]
                mixed[at : at + len(part)] += part / (np.sqrt(np.mean(sounds[n] ** 2)) + 1e-9)
                at += len(part) + int(rng.uniform(0.2, 1.5) * SINGERS_RATE_HZ)
    path = KEEP / "singers-over-one-another.wav"
    path.parent.mkdir(parents=True, exist_ok=True)
    write_wav(path, scaled(mixed), SINGERS_RATE_HZ, "PCM_16")
    return path


def notes_alone(path: Path) -> int:
    """Hear the notes of a file and give none of them to a singer; returns how many."""
    return len(unassigned_notes(open_recording(path), Profile())[0])


def _slow(name: str) -> bool:
    return name in ("CNN", "RNN", "RNN online")


def on_length(job: Job) -> Iterator[Table]:
    """Cost and memory against length, each in a process of its own."""
    table = Table(
        f"Whole job against length: {LONG_SCENE}, a process each",
        ("minutes", "notes", "CPU s", "times real time", "peak MB"),
        places=1,
    )
    _child(scene(LONG_SCENE, seconds=60).path)  # so that kernels are compiled and kept
    for minutes in sorted({1.0, 10.0, 60.0 * job.hours}):
        made = scene(LONG_SCENE, seconds=60 * minutes)
        job.say(f"length: {minutes:g} minutes")
        found = _child(made.path)
        duration_s = made.truth.header.duration_s
        table.add(
            f"{minutes:g}",
            int(found["notes"]),
            found["cpu_s"],
            duration_s / found["cpu_s"],
            found["peak_mb"],
        )
    table.notes.append(
        "memory is that of the whole process; CPU s includes loading compiled kernels"
    )
    yield table


def _child(path: Path) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, "-c", _CHILD, str(path)], capture_output=True, text=True, check=True
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found


def on_start(job: Job) -> Iterator[Table]:
    """From the command to its first note, wall time.

    Byte code is kept, as pip leaves it after an install; some environments for
    developing forbid that, and then every run would parse each library anew.
    """
    made: RenderedScene = scene("solo", seconds=5)
    kept = dict(os.environ, PYTHONPYCACHEPREFIX=str(KEEP / "bytecode"))
    kept.pop("PYTHONDONTWRITEBYTECODE", None)
    command = [sys.executable, "-m", "callresp", "transcribe", str(made.path), "--json"]
    subprocess.run(command, capture_output=True, check=True, env=kept)
    table = Table("Start-up: callresp transcribe FILE --json, 5 s of solo", ("", "s"), places=2)
    walls = []
    for _ in range(RUNS):
        began = time.monotonic()
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=kept) as run:
            assert run.stdout is not None
            run.stdout.readline()
            walls.append(time.monotonic() - began)
            run.stdout.read()
    table.add("first note, wall, least of 3", min(walls))
    table.add("aim", 2.0)
    table.notes.append("compiled kernels and byte code are kept from an earlier run")
    yield table

#!/usr/bin/env python3
"""Measure a season: how fast, how much memory, and whether a kill loses or doubles anything.

\b
    python tools/bench_season.py --hours 10 --hours 50
    python tools/bench_season.py --part kill

\b
Parts (all, if none is named):
    speed     hours of sound looked through by processes of this computer: times
              real time a core, memory of the largest process, processor seconds
              for an hour. The hours are six synthetic recordings of ten minutes
              (24 kHz), each listed many times, on other days and at other places:
              every listing is read, looked through and written anew
    workers   the first length by one worker and by two; and, as this machine's own
              ceiling, plain Fourier transforms by numpy in one process and in two
    kill      `callresp season` as a program, and by a scheduler of distributed:
              kill -9 of a worker, of the program, of a worker of the cluster, of
              the scheduler, and a full disk (a small tmpfs); each time the same
              command is run again where it did not end by itself, and the season's
              rows are held against those of a quiet run
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import resource
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import click
import numpy as np
import numpy.typing as npt
from bench_table import run

from callresp.commands.ui import say
from callresp.io.audio import write_wav
from callresp.scene.recipe import load_recipe
from callresp.scene.render import render
from callresp.scout.examples import make_example, read_clip
from callresp.scout.odds import Wanted, wanted
from callresp.scout.places import Place, Source
from callresp.scout.questions import ask
from callresp.scout.season import SeasonManifest, open_season, write_partition
from callresp.scout.spread import over_cores
from callresp.scout.strangers import pink_noise
from callresp.scout.survey import Unit, by_day

PARTS = ("speed", "workers", "kill")
RATE_HZ = 24_000
MINUTES, BASES, PLACES = 10, 6, 5
CHORUSES = ("score-chorus", "score-chorus-5db", "score-solo")
FIRST_DAY = datetime(2026, 4, 1, 3, tzinfo=UTC)
KILL_PLACES, KILL_DAYS, KILL_S = 3, 6, 240
WAIT_S = 240
Wave = npt.NDArray[np.float32]


def call() -> Wave:
    """The wanted sound: five sweeps and a trill, 1.2 s."""
    notes = []
    for first_hz, last_hz, length_s in (
        (3000, 5000, 0.15), (5000, 3200, 0.12), (2500, 2500, 0.2), (4000, 6000, 0.1),
        (6000, 4200, 0.14),
    ):  # fmt: skip
        count = int(length_s * RATE_HZ)
        phase = 2 * np.pi * np.cumsum(np.linspace(first_hz, last_hz, count)) / RATE_HZ
        notes += [np.sin(phase) * np.hanning(count) ** 0.5, np.zeros(RATE_HZ // 14)]
    return np.concatenate(notes).astype(np.float32)


def recording(seconds: float, calls: int, seed: int) -> Wave:
    """Noise, a call now and then, and every other time a chorus of synthetic singers."""
    rng = np.random.default_rng(seed)
    sound = pink_noise(int(seconds * RATE_HZ), RATE_HZ, seed) * np.float32(0.02)
    if seed % 2:
        scene = render(load_recipe(CHORUSES[seed // 2 % len(CHORUSES)]), seconds=30.0)
        step = scene.sample_rate_hz / RATE_HZ
        at = (np.arange(len(sound)) * step).astype(int) % len(scene.samples)
        sound += scene.samples[at] * np.float32(0.1 / np.abs(scene.samples).max())
    for at_s in rng.uniform(0, seconds - 2, calls):
        first = int(at_s * RATE_HZ)
        sound[first : first + len(call())] += call() * np.float32(rng.uniform(0.02, 0.1))
    return sound / np.float32(1.2 * np.abs(sound).max())


def sought(folder: Path) -> list[Wanted]:
    """The example, as the command makes it."""
    write_wav(folder / "call.wav", call(), RATE_HZ)
    return [wanted(make_example(*read_clip(folder / "call.wav"), "call.wav"))]


def listed(folder: Path, hours: float) -> list[Unit]:
    """So many hours of the six recordings, an hour and a half a day at each place."""
    bases = [folder / f"base-{n}.wav" for n in range(BASES)]
    for number, path in enumerate(bases):
        if not path.exists():
            write_wav(path, recording(60 * MINUTES, 4 * number, number), RATE_HZ)
    total, each = round(hours * 60 / MINUTES), 9
    units = []
    for number in range(-(-total // each)):
        place = Place(name=f"place-{number % PLACES}")
        day = FIRST_DAY + timedelta(days=number // PLACES)
        sources = tuple(
            Source(place, bases[n % BASES], day + timedelta(minutes=MINUTES * n), 60.0 * MINUTES)
            for n in range(min(each, total - each * number))
        )
        units.append(Unit(place, day.date().isoformat(), sources))
    return units


@contextlib.contextmanager
def watched() -> Iterator[Callable[[], float]]:
    """The most memory of any one process below this one, MB, looked at twice a second."""
    most = [0.0]
    ended = threading.Event()

    def look() -> None:
        while not ended.wait(0.5):
            for child in children(os.getpid()):
                with contextlib.suppress(OSError, IndexError, ValueError):
                    pages = int(Path(f"/proc/{child}/statm").read_text().split()[1])
                    most[0] = max(most[0], pages * resource.getpagesize() / 2**20)

    thread = threading.Thread(target=look, daemon=True)
    thread.start()
    try:
        yield lambda: most[0]
    finally:
        ended.set()
        thread.join()


def children(parent: int) -> list[int]:
    """Processes below one, by Linux's /proc."""
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError, IndexError, ValueError):
            if int(status.read_text().rpartition(")")[2].split()[1]) == parent:
                found += [int(status.parent.name), *children(int(status.parent.name))]
    return found


def timed(folder: Path, hours: float, workers: int) -> float:
    """Look through so many hours, and say what it took; returns seconds of the clock."""
    units, example = listed(folder, hours), sought(folder)
    output = folder / f"season-{hours:g}-{workers}"
    open_season(output, SeasonManifest(examples={}))
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    own = time.process_time()
    began = time.perf_counter()
    with watched() as most:
        for done in by_day(partial(over_cores, workers=workers), units, example):
            assert done.result is not None
            write_partition(output, done.job, done.result)
        taken = time.perf_counter() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    worked = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    worked += time.process_time() - own
    ((calls, listened),) = ask(output, "SELECT sum(calls), sum(listened_s) FROM hours").rows
    assert abs(float(str(listened)) / 3600 - hours) < 0.01
    say(f"{hours:5g} h, {workers} workers: {taken:6.1f} s, {3600 * hours / taken / workers:5.0f} x"
        f" real time a core; {worked / hours:5.2f} processor seconds an hour; largest process"
        f" {most():.0f} MB; {calls} calls")  # fmt: skip
    shutil.rmtree(output)
    return taken


def on_speed(folder: Path, hours: Sequence[float]) -> None:
    """Each length on two workers."""
    for one in hours:
        timed(folder, one, 2)


def on_workers(folder: Path, hours: float) -> None:
    """One worker against two, beside what the machine has to give."""
    before = ceiling()
    alone, both = timed(folder, hours, 1), timed(folder, hours, 2)
    say(f"two workers against one: {alone / both:.2f} times; plain transforms by numpy in two"
        f" processes against one: {before:.2f} times before, {ceiling():.2f} after")  # fmt: skip


def transforms(seconds: float) -> int:
    """How many blocks of spectra one process works out meanwhile."""
    block = np.random.default_rng(1).standard_normal((64, 512)).astype(np.float32)
    until = time.perf_counter() + seconds
    count = 0
    while time.perf_counter() < until:
        np.abs(np.fft.rfft(block, axis=1)).sum()
        count += 1
    return count


def ceiling(seconds: float = 4.0) -> float:
    """How much more two processes get done than one, in work that shares nothing."""
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as pool:
        list(pool.map(transforms, [0.5, 0.5]))  # until both are there
        alone = pool.submit(transforms, seconds).result()
        return sum(pool.map(transforms, [seconds, seconds])) / alone


class Program:
    """`callresp season` over the recordings of a folder."""

    def __init__(self, field: Path, *more: str) -> None:
        self._words = [sys.executable, "-m", "callresp", "season", str(field / "places"), "--like",
                       str(field / "call.wav"), *more]  # fmt: skip

    def start(self, output: Path, *more: str) -> subprocess.Popen[str]:
        """Begin or go on with a season."""
        words = [*self._words, "-o", str(output), *more]
        return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    def finish(self, output: Path, *more: str) -> int:
        """Run it to its end."""
        return ended(self.start(output, *more))


def ended(program: subprocess.Popen[str]) -> int:
    """Status of a program that ends by itself; its last line is told where it is no success."""
    _, told = program.communicate(timeout=WAIT_S)
    if program.returncode:
        say(f"    status {program.returncode}: {(told.strip().splitlines() or [''])[-1][:160]}")
    return program.returncode


def rows(output: Path) -> list[tuple[object, ...]]:
    """All rows of a season."""
    return [row for table in ("files", "calls", "hours")
            for row in ask(output, f"SELECT * FROM {table} ORDER BY ALL").rows]  # fmt: skip


def partitions(output: Path) -> int:
    """How many are whole."""
    return len(list(output.glob("place=*/day=*/done.json")))


def in_the_middle(output: Path, program: subprocess.Popen[str]) -> None:
    """Wait until some partitions are there, and some are not.

    Raises
    ------
    click.ClickException
        When the program ends before.
    """
    until = time.monotonic() + WAIT_S
    while partitions(output) < 3:
        if program.poll() is not None or time.monotonic() > until:
            raise click.ClickException("it ended before it could be killed: give it more to do")
        time.sleep(0.05)


def on_kill(folder: Path) -> None:
    """Kill each in the middle, and hold the rows against a quiet run."""
    field = folder / "field"
    for place in range(KILL_PLACES):
        for day in range(KILL_DAYS):
            seed = KILL_DAYS * place + day
            at = field / "places" / f"place-{place}" / f"a_202604{day + 1:02d}_040000.wav"
            write_wav(at, recording(KILL_S, seed % 4, seed), RATE_HZ)
    write_wav(field / "call.wav", call(), RATE_HZ)
    program = Program(field)
    quiet = folder / "quiet"
    program.finish(quiet, "--workers", "2")
    known = rows(quiet)
    say(f"kill: {partitions(quiet)} partitions, {len(known)} rows in a quiet run")

    def held(name: str, output: Path, before: int) -> None:
        same = rows(output) == known
        left = list(output.glob("place=*/.*"))
        say(f"  {name:24} {before:3} partitions were whole, then all {partitions(output)}; rows"
            f" {'the same' if same else 'DIFFER'}; {len(left)} half ones left")  # fmt: skip

    output = folder / "worker"
    running = program.start(output, "--workers", "2")
    in_the_middle(output, running)
    before = partitions(output)
    # A worker is busy; the process that tracks its resources is not.
    busiest = max(children(running.pid), key=_busy)
    os.kill(busiest, signal.SIGKILL)
    ended(running)
    held("a worker", output, before)

    output = folder / "program"
    running = program.start(output, "--workers", "2")
    in_the_middle(output, running)
    before, orphans = partitions(output), children(running.pid)
    running.kill()
    running.communicate()
    time.sleep(3)
    alive = [one for one in orphans if Path(f"/proc/{one}").exists()]
    say(f"    {len(alive)} of {len(orphans)} of its processes alive 3 s later")
    program.finish(output, "--workers", "2")
    held("the program", output, before)
    _on_full_disk(program, folder, held)
    _on_cluster(program, folder, held)


def _busy(process: int) -> int:
    try:
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return -1
    return int(fields[11]) + int(fields[12])


def _on_full_disk(program: Program, folder: Path, held: Callable[[str, Path, int], None]) -> None:
    disk = folder / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=160k", "tmpfs", str(disk)], check=False,
        capture_output=True,
    )  # fmt: skip
    if mounted.returncode:
        say("  a full disk: may not mount a small tmpfs here: not measured")
        return
    try:
        program.finish(disk / "season", "--workers", "2")
        before = partitions(disk / "season")
        subprocess.run(["mount", "-o", "remount,size=100m", str(disk)], check=True)
        program.finish(disk / "season", "--workers", "2")
        held("a full disk", disk / "season", before)
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def _on_cluster(program: Program, folder: Path, held: Callable[[str, Path, int], None]) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = str(free.getsockname()[1])
    address = f"tcp://127.0.0.1:{port}"

    def scheduler() -> subprocess.Popen[bytes]:
        return _dask("scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard")

    def workers() -> subprocess.Popen[bytes]:
        spread = ("--nthreads", "1", "--nworkers", "2", "--no-dashboard")
        return _dask("worker", address, *spread, "--death-timeout", "60")

    hub, crew = scheduler(), workers()
    try:
        _answers(int(port))
        output = folder / "crew"
        running = program.start(output, "--cluster", address)
        in_the_middle(output, running)
        before = partitions(output)
        os.kill(max(children(crew.pid), key=_busy), signal.SIGKILL)
        ended(running)
        held("a worker of a cluster", output, before)

        output = folder / "hub"
        running = program.start(output, "--cluster", address)
        in_the_middle(output, running)
        before = partitions(output)
        hub.kill()
        hub.wait()
        ended(running)
        # Workers give up on a scheduler that went away, some seconds later.
        crew.terminate()
        crew.wait(60)
        hub = scheduler()
        _answers(int(port))
        crew = workers()
        program.finish(output, "--cluster", address)
        held("the scheduler", output, before)
    finally:
        for one in (crew, hub):
            one.terminate()
            one.wait(30)


def _dask(part: str, *words: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", f"distributed.cli.dask_{part}", *words]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _answers(port: int) -> None:
    until = time.monotonic() + 60
    while time.monotonic() < until:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
            return
        time.sleep(0.2)
    raise click.ClickException("the scheduler does not answer")


@click.command(name="bench_season", help=__doc__)
@click.option("--part", "parts", type=click.Choice(PARTS), multiple=True)
@click.option("--hours", type=float, multiple=True, default=(10.0, 50.0), show_default=True)
@click.option("--folder", type=click.Path(path_type=Path), help="To work in; else a temporary one.")
def main(parts: tuple[str, ...], hours: tuple[float, ...], folder: Path | None) -> None:
    """Run the parts that are asked for."""
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        for part in parts or PARTS:
            if part == "speed":
                on_speed(Path(scratch), hours)
            elif part == "workers":
                on_workers(Path(scratch), hours[0])
            else:
                on_kill(Path(scratch))


if __name__ == "__main__":
    run(main)

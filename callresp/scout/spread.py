"""Units of work spread over the cores of this computer, or over a cluster.

Both run the same function on the same units and hand back its results as they come. A
worker that dies takes nothing with it: its units are given to another, and one that brings
down three workers is told as a fault of that unit. Results are never counted twice, since
a unit's result is taken once, by who asked for it.

A cluster is that of the distributed package: its workers must see the recordings under the
same paths, and have callresp installed at the same version.
"""

from __future__ import annotations

import contextlib
import ctypes
import logging
import multiprocessing
import multiprocessing.connection
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Generic, TypeVar

from callresp.errors import UserError

if TYPE_CHECKING:
    from distributed import Client

Job = TypeVar("Job")
Result = TypeVar("Result")
TRIES = 3
# Settings of glibc (malloc.h), bytes.
M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3
LARGEST_KEPT, MOST_KEPT = 2**25, 2**29
LOOK_S = 2.0  # between looks at who works
COME = "it waits until 'dask worker' with this address runs where the recordings are seen"


@dataclass(frozen=True, slots=True)
class Done(Generic[Job, Result]):
    """A job with its result, or with what went wrong."""

    job: Job
    result: Result | None
    fault: str = ""


@cache
def keep_memory() -> None:
    """Let this process keep the memory that it frees, for its next chunk of sound.

    The C library gives large blocks back to the system, which clears each page when it is
    taken anew: a sixth of the processor time. Other C libraries than glibc do as they do.
    """
    with contextlib.suppress(OSError, AttributeError, TypeError):
        setting = ctypes.CDLL(None).mallopt
        setting(M_MMAP_THRESHOLD, LARGEST_KEPT)
        setting(M_TRIM_THRESHOLD, MOST_KEPT)


def cores() -> int:
    """Cores that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def over_cores(
    work: Callable[[Job], Result], jobs: Sequence[Job], workers: int
) -> Iterator[Done[Job, Result]]:
    """Run `work` on every job in processes of this computer; yields them as they end.

    Parameters
    ----------
    work
        A function that can be pickled.
    jobs
        Values that can be pickled.
    workers
        Processes; with 1 all is done in this one.
    """
    if workers <= 1:
        for job in jobs:
            yield Done(job, work(job))
        return
    left = list(jobs)
    while left:
        caught: list[Job] = []
        yield from _together(work, left, workers, caught)
        # One of these ended its worker: each is tried alone, so that it is known which.
        for done in _one_by_one(work, caught):
            left.remove(done.job)
            yield done


def _together(
    work: Callable[[Job], Result], left: list[Job], workers: int, caught: list[Job]
) -> Iterator[Done[Job, Result]]:
    """Run jobs and take them off `left`, until a worker dies with those that are `caught`."""
    queue = iter(list(left))
    waiting: dict[Future[Result], Job] = {}
    with _pool(min(workers, len(left))) as pool:
        try:
            while True:
                # Few at a time, so that a death catches few.
                while len(waiting) < 2 * workers and (job := next(queue, None)) is not None:
                    waiting[pool.submit(work, job)] = job
                if not waiting:
                    return
                for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                    result = future.result()
                    job = waiting.pop(future)
                    left.remove(job)
                    yield Done(job, result)
        except BrokenProcessPool:
            caught += waiting.values()


def _one_by_one(work: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[Done[Job, Result]]:
    """Run jobs in one worker, which is replaced where a job ends it, up to `TRIES` times a job."""
    pool = _pool(1)
    try:
        for job in jobs:
            for _ in range(TRIES):
                try:
                    yield Done(job, pool.submit(work, job).result())
                    break
                except BrokenProcessPool:
                    pool.shutdown()
                    pool = _pool(1)
            else:
                yield Done(job, None, f"ended {TRIES} workers")
    finally:
        pool.shutdown()


def _pool(workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), _quietly)


def _quietly() -> None:
    """In a worker: Ctrl-C is for the program that asked, and nobody works on after its end."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_the_program, daemon=True).start()


def _end_with_the_program() -> None:
    # The queue of jobs does not end with a killed program: each worker holds both its ends.
    program = multiprocessing.parent_process()
    if program is not None:
        multiprocessing.connection.wait([program.sentinel])
        os._exit(1)


def over_cluster(
    work: Callable[[Job], Result],
    jobs: Sequence[Job],
    address: str,
    tell: Callable[[str], None] = lambda line: None,
) -> Iterator[Done[Job, Result]]:
    """Run `work` on every job by the scheduler at an address.

    Parameters
    ----------
    work
        Called with one job, in another process.
    jobs
        What to do.
    address
        The scheduler's, like ``tcp://hub:8786``.
    tell
        Called with a line when nobody is there to work, and when somebody has come.

    Yields
    ------
    Done
        Jobs with their results, as they are done.

    Raises
    ------
    UserError
        When the package or the scheduler is not there, or goes away.
    """
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise UserError(
            "a cluster needs the package distributed",
            argument="cluster",
            remedy="pip install 'callresp[cluster]'",
        ) from None
    try:
        client = Client(address, timeout=10)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as fault:
        raise UserError(
            f"no scheduler answers at {address}", argument="cluster", remedy="start one there"
        ) from fault
    # What went wrong is told in one line, below.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    with client, _workers_watched(client, address, tell):
        futures = {client.submit(work, job, pure=False, retries=TRIES): job for job in jobs}
        for future in as_completed(futures):  # type: ignore[no-untyped-call]
            job = futures[future]
            if future.status == "finished":
                yield Done(job, future.result())
            elif future.status == "cancelled" or client.status != "running":
                raise UserError(
                    "the scheduler went away",
                    where=address,
                    remedy="start it again, and run the same command: it goes on where it was",
                )
            else:
                yield Done(job, None, str(future.exception()))
            future.release()


@contextlib.contextmanager
def _workers_watched(client: Client, address: str, tell: Callable[[str], None]) -> Iterator[None]:
    """Tell when a cluster has no worker: the scheduler keeps the jobs, and says nothing."""
    ended = threading.Event()

    def watch() -> None:
        had = True
        while not ended.is_set():
            # A scheduler that went away is told by who waits for its results.
            with contextlib.suppress(OSError, RuntimeError, ValueError):
                there = len(client.scheduler_info()["workers"])
                if (there > 0) != had and not ended.is_set():
                    had = there > 0
                    tell(f"{there} at work" if had else f"no worker at {address} yet: {COME}")
            ended.wait(LOOK_S)

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join(LOOK_S)

"""Units of work spread over the cores of this computer, or over a cluster.

Both run the same function on the same units and hand back its results as they come. A
worker that dies takes nothing with it: its units are given to another, and one that brings
down three workers is told as a fault of that unit. Results are never counted twice, since
a unit's result is taken once, by who asked for it.

A cluster is that of the distributed package: its workers must see the recordings under the
same paths, and have callresp installed at the same version.
"""

from __future__ import annotations

import logging
import multiprocessing
import multiprocessing.connection
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import Generic, TypeVar

from callresp.errors import UserError

Job = TypeVar("Job")
Result = TypeVar("Result")
TRIES = 3


@dataclass(frozen=True, slots=True)
class Done(Generic[Job, Result]):
    """A job with its result, or with what went wrong."""

    job: Job
    result: Result | None
    fault: str = ""


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
    import threading

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_the_program, daemon=True).start()


def _end_with_the_program() -> None:
    # The queue of jobs does not end with a killed program: each worker holds both its ends.
    program = multiprocessing.parent_process()
    if program is not None:
        multiprocessing.connection.wait([program.sentinel])
        os._exit(1)


def over_cluster(
    work: Callable[[Job], Result], jobs: Sequence[Job], address: str
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
    with client:
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

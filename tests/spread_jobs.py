"""Work for processes that are started anew: they import this and little else."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np

from callresp.scout.spread import keep_memory, over_cores


def dies_on_hill(place: str) -> str:
    if place == "hill":
        os.kill(os.getpid(), signal.SIGKILL)
    return place


def lingers(mark: Path) -> None:
    mark.write_text(str(os.getpid()))
    time.sleep(120)


def lingering(marks: list[Path]) -> None:
    list(over_cores(lingers, marks, workers=2))


def held_mb(keep: bool) -> float:
    """What this process still has of 96 MB that it took and freed."""
    if keep:
        keep_memory()
    before = resident_mb()
    blocks = [np.ones(3 * 2**20) for _ in range(4)]
    assert resident_mb() - before > 90
    blocks.clear()
    return resident_mb() - before


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20

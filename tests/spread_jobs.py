"""Work for processes that are started anew: they import this and little else."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from callresp.scout.spread import over_cores


def dies_on_hill(place: str) -> str:
    if place == "hill":
        os.kill(os.getpid(), signal.SIGKILL)
    return place


def lingers(mark: Path) -> None:
    mark.write_text(str(os.getpid()))
    time.sleep(120)


def lingering(marks: list[Path]) -> None:
    list(over_cores(lingers, marks, workers=2))

"""Fixtures that several rooms share."""

from __future__ import annotations

import gc
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

# Before anything loads a linear algebra library. Workers share the cores already: threads of each
# that wait in a loop for the others' took most of the time of what solves small systems.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Tests start some hundred programs, and each would compile the package anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
import pytest
from hypothesis import HealthCheck, settings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

settings.register_profile(
    "callresp", deadline=None, suppress_health_check=[HealthCheck.too_slow], max_examples=60
)
settings.load_profile("callresp")

# Five thousand tests and what they import stay to the end: searches of all that for garbage took
# a third of the time to gather them.
gc.disable()


def pytest_collection_finish() -> None:
    gc.freeze()
    gc.enable()


@pytest.fixture
def coarse(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pictures with few dots, which take a fraction of the time, where nobody looks at them."""
    from callresp.plots import style

    save = style.save

    def saved(figure: Figure, path: Path, title: str, dpi: int = 200) -> None:
        save(figure, path, title, dpi=dpi // 5)

    monkeypatch.setattr(style, "save", saved)


@pytest.fixture
def own_signals() -> Iterator[None]:
    """The signals that end a program do so here and in what is started, whoever ignores them.

    A shell has its background jobs ignore Ctrl-C and the quit key, and ``nohup`` the hang-up: what
    is started inherits that, and a test that sends one of these would wait in vain. Afterwards the
    handlers are as they were, also where a test has changed them.
    """
    names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT")
    kept = {n: signal.getsignal(n) for name in names if (n := getattr(signal, name, None))}
    for number in kept:
        ctrl_c = number == signal.SIGINT
        signal.signal(number, signal.default_int_handler if ctrl_c else signal.SIG_DFL)
    yield
    for number, handler in kept.items():
        signal.signal(number, handler)


def missing(reason: str) -> None:
    """Skip with a plain reason; under CI the lack is a failure instead."""
    if os.environ.get("CI", "").lower() == "true":
        pytest.fail(f"CI must provide this: {reason}")
    pytest.skip(reason)


def need_madmom() -> None:
    """Skip where madmom has no wheel; where it has one, CI must have installed it."""
    from callresp.listen.detectors.madmom import has_wheel_here, why_missing

    reason = why_missing()
    if reason is None:
        return
    if has_wheel_here():
        missing(f"madmom: {reason}")
    pytest.skip(f"madmom: {reason}")

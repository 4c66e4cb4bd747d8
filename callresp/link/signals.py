"""Ending in order when a signal asks for it, instead of dying on the spot.

While `deferred` is entered, the signals that ask a program to end (SIGINT from
Ctrl-C, SIGTERM from a service manager, SIGHUP from a terminal that goes away,
SIGQUIT; POSIX.1-2017, "Signal Concepts") are only noted. Whoever moves
something looks at the note, releases everything, and ends; a second or third
Ctrl-C changes nothing about that.

Python can't raise everywhere: where Ctrl-C comes in a callback, as while a module is
loaded, it says 'Exception ignored' and goes on. While `kept` is entered, it comes anew.
"""

from __future__ import annotations

import _thread
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

ENDING = tuple(
    number
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT")
    if (number := getattr(signal, name, None)) is not None
)


AGAIN_S = 0.01


class StoppedBySignal(KeyboardInterrupt):
    """A signal ended the work, after everything was released.

    A shell expects the status ``128 + number`` of it.
    """

    def __init__(self, number: int) -> None:
        super().__init__(signal.Signals(number).name)
        self.number = number


class Deferred:
    """The first signal that asked for the end, if there was one."""

    def __init__(self) -> None:
        self.number: int | None = None

    @property
    def words(self) -> str | None:
        """How to tell of it; `None` while there was no signal."""
        if self.number is None:
            return None
        if self.number == signal.SIGINT:
            return "stopped with Ctrl-C"
        return f"stopped by {signal.Signals(self.number).name}"

    def note(self, number: int, frame: FrameType | None = None) -> None:
        """A signal's handler: remember the first, ignore the others."""
        self.number = number if self.number is None else self.number

    def raise_if_any(self) -> None:
        """Raise `StoppedBySignal` where there was a signal."""
        if self.number is not None:
            raise StoppedBySignal(self.number)


@contextmanager
def deferred() -> Iterator[Deferred]:
    """While inside, note the signals that ask for the end; see `Deferred`.

    A signal that was ignored from outside, as SIGHUP is under ``nohup``, stays
    ignored. Outside the main thread Python takes no signals: there nothing is
    noted.
    """
    noted = Deferred()
    before = {}
    if threading.current_thread() is threading.main_thread():
        for number in ENDING:
            if signal.getsignal(number) is not signal.SIG_IGN:
                before[number] = signal.signal(number, noted.note)
    try:
        yield noted
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def kept() -> Iterator[None]:
    """While inside, a Ctrl-C that Python has to ignore comes again a moment later."""
    before = sys.unraisablehook

    def ignored(what: sys.UnraisableHookArgs) -> None:
        if issubclass(what.exc_type, KeyboardInterrupt):
            _thread.start_new_thread(_interrupt_soon, ())
        else:
            before(what)

    sys.unraisablehook = ignored
    try:
        yield
    finally:
        sys.unraisablehook = before


def _interrupt_soon() -> None:
    """Once the main thread has left what it could not raise from."""
    time.sleep(AGAIN_S)
    _thread.interrupt_main()

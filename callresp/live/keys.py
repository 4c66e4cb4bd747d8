"""Keys typed on the terminal that a session was started from; space or 's' stops it."""

from __future__ import annotations

import os
import select
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

STOP_KEYS = " s"
LOOK_S = 0.1


@contextmanager
def stop_key(pressed: threading.Event, use: bool = True) -> Iterator[bool]:
    """While inside, set `pressed` when the space bar or 's' is pressed.

    Yields
    ------
    bool
        Whether there is a terminal to press a key on.
    """

    def typed(text: str) -> None:
        if any(key in STOP_KEYS for key in text.lower()):
            pressed.set()

    with typed_keys(typed, use) as has_keys:
        yield has_keys


@contextmanager
def typed_keys(take: Callable[[str], None], use: bool = True) -> Iterator[bool]:
    """While inside, call `take` in a thread of its own with what is typed, key by key.

    Yields
    ------
    bool
        Whether there is a terminal to type on.
    """
    if not use or sys.stdin is None or not sys.stdin.isatty():
        yield False
        return
    try:
        import termios
        import tty
    except ImportError:
        yield False
        return
    handle = sys.stdin.fileno()
    before = termios.tcgetattr(handle)
    ended = threading.Event()
    thread = threading.Thread(target=_watch, args=(handle, take, ended), daemon=True)
    tty.setcbreak(handle)
    thread.start()
    try:
        yield True
    finally:
        ended.set()
        thread.join(timeout=1.0)
        # The terminal may have gone, as after a hang-up.
        with suppress(termios.error):
            termios.tcsetattr(handle, termios.TCSADRAIN, before)


def _watch(handle: int, take: Callable[[str], None], ended: threading.Event) -> None:
    while not ended.is_set():
        try:
            ready, _, _ = select.select([handle], [], [], LOOK_S)
            if not ready:
                continue
            typed = os.read(handle, 64).decode(errors="ignore")
        except OSError:
            return
        if not typed:
            return
        take(typed)

"""The stop under one's fingers: a key on the terminal, and another terminal's word."""

from __future__ import annotations

import select
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

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
    if not use or not sys.stdin.isatty():
        yield False
        return
    try:
        import termios
        import tty
    except ImportError:
        yield False
        return
    handle = sys.stdin.fileno()
    before: list[Any] = termios.tcgetattr(handle)
    ended = threading.Event()
    thread = threading.Thread(target=_watch, args=(handle, pressed, ended), daemon=True)
    tty.setcbreak(handle)
    thread.start()
    try:
        yield True
    finally:
        ended.set()
        thread.join(timeout=1.0)
        termios.tcsetattr(handle, termios.TCSADRAIN, before)


def _watch(handle: int, pressed: threading.Event, ended: threading.Event) -> None:
    import os

    while not ended.is_set():
        ready, _, _ = select.select([handle], [], [], LOOK_S)
        if not ready:
            continue
        typed = os.read(handle, 64).decode(errors="ignore")
        if not typed:
            return
        if any(key in STOP_KEYS for key in typed.lower()):
            pressed.set()

"""What is played on: a MIDI input, raw MIDI bytes on standard input, the computer's own keys."""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass

from callresp.link.port import Clock
from callresp.live.keys import typed_keys
from callresp.palette.model import Palette

# Rows of a keyboard, for strikers from low to high; then turners.
STRIKER_KEYS = "asdfghjkl;'qwertyuiop"
TURNER_KEYS = "zxcvbnm,./"
SILENCE_KEY, END_KEY = " ", "\x1b"
USUAL_FORCE = 0.6


@dataclass(frozen=True, slots=True)
class Midi:
    """One MIDI message, and when it came by the runner's clock."""

    data: bytes
    came_s: float


@dataclass(frozen=True, slots=True)
class Typed:
    """One key of the computer, and when it was pressed."""

    key: str
    came_s: float


@dataclass(frozen=True, slots=True)
class Ended:
    """Nothing more will come."""


Event = Midi | Typed | Ended
Inbox = queue.SimpleQueue[Event]


@contextlib.contextmanager
def midi_input(name: str, virtual: bool, inbox: Inbox, clock: Clock) -> Iterator[None]:
    """While inside, put what comes in on a MIDI input into the inbox.

    Parameters
    ----------
    name, virtual
        As for `callresp.midi.ports.open_input`.
    inbox
        Where messages go, with their times.
    clock
        By which they are timed.

    Raises
    ------
    UserError
        When there is no such input.
    """
    from callresp.midi.ports import open_input

    port = open_input(name, lambda data: inbox.put(Midi(data, clock.now_s())), virtual)
    try:
        yield
    finally:
        port.close()


@contextlib.contextmanager
def raw_midi(inbox: Inbox, clock: Clock) -> Iterator[None]:
    """While inside, read raw MIDI bytes from standard input, as of a device or another program."""
    threading.Thread(target=_read_raw, args=(inbox, clock), daemon=True).start()
    yield


def _read_raw(inbox: Inbox, clock: Clock) -> None:
    import mido

    parser = mido.Parser()
    with contextlib.suppress(OSError, ValueError):
        while data := os.read(sys.stdin.fileno(), 256):
            parser.feed(data)
            for message in parser:
                inbox.put(Midi(bytes(message.bytes()), clock.now_s()))
    inbox.put(Ended())


@contextlib.contextmanager
def computer_keys(inbox: Inbox, clock: Clock) -> Iterator[bool]:
    """While inside, put what is typed into the inbox.

    Yields
    ------
    bool
        Whether there is a terminal to type on.
    """

    def take(text: str) -> None:
        # An arrow or a function key begins with the end key's code and has more to it.
        if text != END_KEY and text.startswith(END_KEY):
            return
        for key in text:
            inbox.put(Typed(key, clock.now_s()))

    with typed_keys(take) as has_keys:
        yield has_keys


def key_table(palette: Palette) -> dict[str, str]:
    """Which instrument each of the computer's keys plays: pitched strikers first, low to high."""
    pitched = [item for item in palette.striker if item.pitch_hz is not None]
    others = [item for item in palette.striker if item.pitch_hz is None]
    pitched.sort(key=lambda item: item.pitch_hz or 0.0)
    strikers = dict(zip(STRIKER_KEYS, (item.name for item in [*pitched, *others]), strict=False))
    turners = dict(zip(TURNER_KEYS, (item.name for item in palette.turner), strict=False))
    return strikers | turners

"""The same MIDI, live: to a hardware or virtual port, at the plan's own times.

Ports come from mido's RtMidi backend, which needs the package ``python-rtmidi``
(not installed by default: it needs a sound system to talk to).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, Protocol

from callresp.errors import UserError
from callresp.midi.notes import Track

INSTALL = "install it beside callresp with: pip install python-rtmidi"


class MidiPort(Protocol):
    """What we need of a MIDI output port."""

    def send(self, message: Any) -> None:
        """Send one message now."""


def open_port(name: str, virtual: bool = False) -> Any:
    """Open a MIDI output: an existing one whose name starts so, or a new virtual one.

    Raises
    ------
    UserError
        With the names there are.
    """
    backend = _backend()
    if not virtual:
        names = list(backend.get_output_names())
        match = next((item for item in names if item == name), None) or next(
            (item for item in names if item.startswith(name)), None
        )
        if match is None:
            there = ", ".join(f"'{item}'" for item in names) or "none here"
            raise UserError(
                f"no MIDI output '{name}'",
                remedy=f"there are: {there}; or make a virtual one of that name",
            )
        name = match
    try:
        return backend.open_output(name, virtual=virtual)
    except (OSError, RuntimeError) as fault:
        raise UserError(
            f"can't open MIDI output '{name}' ({fault})", remedy="close what else uses it"
        ) from fault


def _backend() -> Any:
    import mido

    try:
        backend = mido.Backend("mido.backends.rtmidi", load=True)
        backend.get_output_names()
    except ImportError as fault:
        raise UserError("live MIDI needs the package python-rtmidi", remedy=INSTALL) from fault
    except (OSError, RuntimeError, SystemError) as fault:
        raise UserError(
            f"this computer offers no MIDI ({fault})",
            remedy="write a file with callresp export instead",
        ) from fault
    return backend


def play(
    tracks: list[Track],
    port: MidiPort,
    from_s: float = 0.0,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
    progress: Callable[[float], None] | None = None,
) -> int:
    """Send all messages at their times; always end with every note off.

    Parameters
    ----------
    tracks
        From `midi.tracks_of`.
    port
        Where to.
    from_s
        Start at this moment of the recording: what prepares the channels is sent
        at once, notes that began before are left out.
    clock, sleep
        Seconds that never go back, and how to wait.
    progress
        Called with the share done.

    Returns
    -------
    int
        Notes begun.
    """
    events = sorted((e for track in tracks for e in track.events), key=lambda e: (e[0], e[1]))
    last_s = events[-1][0] if events else 0.0
    begun, zero_s = 0, clock() - from_s
    try:
        for at_s, _, message in events:
            if at_s < from_s and message.type in ("note_on", "note_off"):
                continue
            if at_s >= from_s:
                _wait_until(zero_s + at_s, clock, sleep)
            port.send(message)
            begun += message.type == "note_on"
            if progress and last_s > from_s:
                progress(min(max((at_s - from_s) / (last_s - from_s), 0.0), 1.0))
    finally:
        _hush(port)
    return begun


def _wait_until(
    moment_s: float, clock: Callable[[], float], sleep: Callable[[float], None]
) -> None:
    left = moment_s - clock()
    while left > 0:
        sleep(min(left, 0.5))
        left = moment_s - clock()


def _hush(port: MidiPort) -> None:
    """All notes off (controller 123), then all sound off (120), on every channel."""
    import mido

    for channel in range(16):
        for control in (123, 120):
            message = mido.Message("control_change", channel=channel, control=control, value=0)
            port.send(message)

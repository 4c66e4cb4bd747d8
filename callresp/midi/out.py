"""The same MIDI, live: to a hardware or virtual port, at the plan's own times."""

from __future__ import annotations

import time
from collections.abc import Callable

from callresp.midi.notes import Track
from callresp.midi.ports import MidiMessage, MidiOutput


def play(
    tracks: list[Track],
    port: MidiOutput,
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
        for message in all_off():
            port.send(message)
    return begun


def _wait_until(
    moment_s: float, clock: Callable[[], float], sleep: Callable[[float], None]
) -> None:
    left = moment_s - clock()
    while left > 0:
        sleep(min(left, 0.5))
        left = moment_s - clock()


def all_off() -> list[MidiMessage]:
    """All notes off (controller 123), then all sound off (120), on every channel."""
    import mido

    return [
        mido.Message("control_change", channel=channel, control=control, value=0)
        for channel in range(16)
        for control in (123, 120)
    ]

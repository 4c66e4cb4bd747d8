"""A reader of Standard MIDI Files of our own, byte by byte, for tests only.

Source: Standard MIDI Files 1.0 (MIDI Manufacturers Association, RP-001): chunk
structure, variable-length quantities, meta events; and the status bytes of the
Complete MIDI 1.0 Detailed Specification. It raises `ValueError` on anything
that these do not allow.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Event:
    tick: int
    status: int
    data: bytes
    meta: int | None = None

    @property
    def kind(self) -> int:
        return self.status & 0xF0

    @property
    def channel(self) -> int:
        return self.status & 0x0F


@dataclass
class Midi:
    format: int
    division: int
    tracks: list[list[Event]] = field(default_factory=list)


# Data bytes that follow a channel message.
LENGTHS = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}


def quantity(data: bytes, at: int) -> tuple[int, int]:
    """A variable-length quantity at `at`: its value, and where it ends."""
    value = 0
    for count in range(4):
        byte = data[at + count]
        value = value << 7 | byte & 0x7F
        if not byte & 0x80:
            return value, at + count + 1
    raise ValueError("a variable-length quantity of more than four bytes")


def read_midi(data: bytes) -> Midi:
    """Parse a whole file."""
    kind, size = data[:4], int.from_bytes(data[4:8], "big")
    if kind != b"MThd" or size != 6:
        raise ValueError("no header chunk of six bytes")
    form, tracks, division = (int.from_bytes(data[i : i + 2], "big") for i in (8, 10, 12))
    if division & 0x8000:
        raise ValueError("SMPTE division, not ticks per quarter note")
    midi, at = Midi(form, division), 14
    while at < len(data):
        kind, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "big")
        if kind != b"MTrk":
            raise ValueError(f"a chunk {kind!r}")
        body = data[at + 8 : at + 8 + size]
        if len(body) != size:
            raise ValueError("a track chunk breaks off")
        midi.tracks.append(_track(body))
        at += 8 + size
    if len(midi.tracks) != tracks:
        raise ValueError(f"{tracks} tracks are promised, {len(midi.tracks)} are there")
    return midi


def _track(body: bytes) -> list[Event]:
    events: list[Event] = []
    at, tick, running = 0, 0, 0
    while at < len(body):
        delta, at = quantity(body, at)
        tick += delta
        status = body[at]
        if status & 0x80:
            at += 1
        elif running:
            status = running
        else:
            raise ValueError("running status before any status")
        if status == 0xFF:
            meta, (size, start) = body[at], quantity(body, at + 1)
            events.append(Event(tick, status, body[start : start + size], meta))
            at, running = start + size, 0
        elif status in (0xF0, 0xF7):
            size, start = quantity(body, at)
            events.append(Event(tick, status, body[start : start + size]))
            at, running = start + size, 0
        elif status < 0xF0:
            size = LENGTHS[status & 0xF0]
            values = body[at : at + size]
            if len(values) != size or any(byte & 0x80 for byte in values):
                raise ValueError(f"bad data bytes after {status:02x}")
            events.append(Event(tick, status, values))
            at, running = at + size, status
        else:
            raise ValueError(f"status {status:02x} has no place in a file")
    last = events[-1]
    if (last.meta, last.data) != (0x2F, b"") or any(e.meta == 0x2F for e in events[:-1]):
        raise ValueError("a track must end with its one end-of-track event")
    return events

"""Reading Standard MIDI Files byte by byte, by the rules of the standard.

Goal
----
Take in whatever a sequencer writes, and say of what is damaged where it is. A
general MIDI library stops at a chunk that it does not know and reads frames
of SMPTE time as a negative tempo; the standard asks a reader for more.

Conventions
-----------
- Formats 0 and 1. Format 2 holds pieces that don't belong together: refused.
- Left out without a word, as the standard asks: chunks and meta events of
  unknown types, and bytes of the header after the sixth.
- *Remarks* are made of what breaks the standard and hurts nothing: a track
  without its end, other counts of tracks than promised, bytes after the end.
- Everything else that breaks it is refused, with the track and the byte.

Source: Standard MIDI Files 1.0 (MIDI Manufacturers Association, RP-001).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, NoReturn

from callresp.errors import UserError
from callresp.io.wording import counted

META, SYSEX, ESCAPE = 0xFF, 0xF0, 0xF7
TRACK_NAME, END_OF_TRACK, TEMPO, METER, TEXT = 0x03, 0x2F, 0x51, 0x58, 0x01
# Data bytes of each channel message.
SIZES = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
FRAMES = (24, 25, 29, 30)
LARGEST = 64_000_000


class Event(NamedTuple):
    """One event: its tick, its status, and its data.

    The data of a meta event begin with its type; those of a system exclusive
    message lack the F0 at its head, as they do in the file.
    """

    tick: int
    status: int
    data: bytes


@dataclass(frozen=True, slots=True)
class SmfTrack:
    """Events in order, and where the track ends."""

    name: str
    events: tuple[Event, ...]
    end_tick: int


@dataclass(frozen=True, slots=True)
class Smf:
    """What a file holds; one of `ticks_per_beat` and `ticks_per_s` is not 0."""

    format: int
    ticks_per_beat: int
    ticks_per_s: float
    tracks: tuple[SmfTrack, ...]
    remarks: tuple[str, ...]


def read_smf(path: Path) -> Smf:
    """Read a Standard MIDI File.

    Raises
    ------
    UserError
        Where it can't be read, is none, or is damaged: names track and byte.
    """
    try:
        size = path.stat().st_size
        if size > LARGEST:
            raise UserError(
                f"is larger than any piece ({size / 1e6:.0f} MB)",
                where=str(path),
                remedy="check that it is the right file",
            )
        data = path.read_bytes()
    except OSError as fault:
        raise UserError(
            f"can't be read ({fault.strerror})", where=str(path), remedy="check the name"
        ) from fault
    return parse_smf(data, str(path))


def parse_smf(data: bytes, where: str = "MIDI file") -> Smf:
    """Read a Standard MIDI File from its bytes; see `read_smf`."""
    if data[:4] != b"MThd":
        raise UserError("is no Standard MIDI File", where=where, remedy="export one from the score")
    size = int.from_bytes(data[4:8], "big")
    if len(data) < 14 or size < 6 or len(data) < 8 + size:
        _damaged("its header breaks off", where)
    form, promised, division = (int.from_bytes(data[n : n + 2], "big") for n in (8, 10, 12))
    if form > 1:
        what = "holds pieces that don't belong together" if form == 2 else "is of no known format"
        raise UserError(
            f"{what} (format {form})", where=where, remedy="save it as format 0 or format 1"
        )
    ticks_per_beat, ticks_per_s = _division(division, where)
    remarks: list[str] = []
    tracks: list[SmfTrack] = []
    at = 8 + size
    while at + 8 <= len(data):
        kind, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "big")
        start, at = at + 8, at + 8 + size
        if kind != b"MTrk":
            continue
        number = len(tracks) + 1
        if at > len(data):
            _damaged(
                f"breaks off: {len(data) - start} of {counted(size, 'byte')}", _track(where, number)
            )
        tracks.append(_TrackReader(data, start, at, where, number, remarks).read())
    if at < len(data):
        remarks.append(f"{counted(len(data) - at, 'byte')} after its last chunk")
    if not tracks:
        _damaged("holds no track", where)
    if len(tracks) != promised:
        remarks.append(f"its header promises {counted(promised, 'track')}, it holds {len(tracks)}")
    if form == 0 and len(tracks) > 1:
        remarks.append("format 0 with several tracks, read as format 1")
    return Smf(form, ticks_per_beat, ticks_per_s, tuple(tracks), tuple(remarks))


def _division(division: int, where: str) -> tuple[int, float]:
    if not division & 0x8000:
        if division == 0:
            _damaged("its header gives a beat no ticks", where)
        return division, 0.0
    frames, ticks = 256 - (division >> 8), division & 0xFF
    if frames not in FRAMES or ticks == 0:
        _damaged(f"its header gives {frames} frames a second of {ticks} ticks", where)
    # 29 stands for 30 frames with some dropped: 29.97 a second.
    return 0, ticks * (30 / 1.001 if frames == 29 else float(frames))


def _track(where: str, number: int) -> str:
    return f"{where}, track {number}"


def _damaged(what: str, where: str) -> NoReturn:
    raise UserError(what, where=where, remedy="it is damaged: export or fetch it anew")


class _TrackReader:
    """Reads the events of one track chunk, `data[at:end]`."""

    def __init__(
        self, data: bytes, at: int, end: int, where: str, number: int, remarks: list[str]
    ) -> None:
        self._data = data
        self._at = at
        self._end = end
        self._where = where
        self._number = number
        self._remarks = remarks

    def read(self) -> SmfTrack:
        """Every event up to the end of the track."""
        data, end = self._data, self._end
        events: list[Event] = []
        tick, running, name = 0, 0, ""
        while self._at < end:
            tick += self._quantity()
            status = self._byte()
            if status < 0x80:
                if not running:
                    self._fault("a data byte without a status")
                status = running
                self._at -= 1
            if status < 0xF0:
                running = status
                at, size = self._at, SIZES[status & 0xF0]
                body = data[at : at + size]
                if at + size > end or max(body) > 0x7F:
                    self._fault(f"a message {status:02X} without its data")
                self._at += size
                events.append(Event(tick, status, body))
                continue
            # Neither meta events nor system exclusive messages leave a running status behind.
            running = 0
            if status == META:
                kind = self._byte()
                body = self._bytes()
                if kind == END_OF_TRACK:
                    break
                if kind == TRACK_NAME and not name:
                    name = _text(body)
                events.append(Event(tick, META, bytes((kind,)) + body))
            elif status in (SYSEX, ESCAPE):
                events.append(Event(tick, status, self._bytes()))
            else:
                self._fault(f"a status {status:02X}, which has no place in a file")
        else:
            self._remarks.append(f"track {self._number} lacks its end")
        if self._at < end:
            self._remarks.append(
                f"{counted(end - self._at, 'byte')} after the end of track {self._number}"
            )
        return SmfTrack(name, tuple(events), tick)

    def _byte(self) -> int:
        if self._at >= self._end:
            self._fault("it breaks off within an event")
        self._at += 1
        return self._data[self._at - 1]

    def _quantity(self) -> int:
        """A variable-length quantity: seven bits a byte, four bytes at most."""
        value = 0
        for _ in range(4):
            byte = self._byte()
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                return value
        self._fault("a number of more than four bytes")

    def _bytes(self) -> bytes:
        size = self._quantity()
        if self._at + size > self._end:
            self._fault(f"{counted(size, 'byte')} of data, and {self._end - self._at} are left")
        self._at += size
        return self._data[self._at - size : self._at]

    def _fault(self, what: str) -> NoReturn:
        _damaged(f"{what} at byte {self._at}", _track(self._where, self._number))


def _text(body: bytes) -> str:
    """Text as most programs write it (the standard says ASCII), on one line."""
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError:
        text = body.decode("latin-1")
    return " ".join(text.replace("\0", " ").split())[:80]


def text_of(event: Event) -> str:
    """The text of a meta event that holds text."""
    return _text(event.data[1:])

"""WAV headers, and those that a recorder could not finish.

A recorder that loses power leaves a header whose data size is 0 or open; one
that lost its card leaves a size that the file does not hold. libsndfile reads
the first as no sound at all and the second in silence, so we look ourselves. A
program that writes on may mend the size of the data alone; the size of the whole,
left as it was, is then too small, and `wave` would stop there.

Source: Multimedia Programming Interface and Data Specifications 1.0 (IBM and
Microsoft, 1991), RIFF and WAVE chunks.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer


class UnclosedWavFile(io.FileIO):
    """A WAV file whose recorder lost power, read as if its data size were open.

    libsndfile takes a data size of 0xFFFFFFFF as "to the end of the file" and
    a size of 0, which such recorders leave, as no sound at all.
    """

    def __init__(self, path: Path, size_at: int) -> None:
        super().__init__(path, "rb")
        self._size_at = size_at

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        """Read, with the open size field filled in."""
        start = self.tell()
        count = super().readinto(buffer) or 0
        view = memoryview(buffer).cast("B")
        for at in range(self._size_at, self._size_at + 4):
            if 0 <= at - start < count:
                view[at - start] = 0xFF
        return count


@dataclass(frozen=True)
class WavHeader:
    """What a WAV header says of its data.

    `promised_s` is how long the sound is, `open_size_at` where in the file the size of the data was
    left open, `stale` whether the size of the whole is too small for the data.
    """

    promised_s: float = 0.0
    open_size_at: int | None = None
    stale: bool = False


def wav_header(path: Path) -> WavHeader:
    """Read what a WAV header says; an empty answer where the file is no WAV."""
    try:
        with path.open("rb") as source:
            return _parse(source, path.stat().st_size)
    except (OSError, struct.error):
        # Not a WAV file, or not one that can be opened: opening it says so.
        return WavHeader()


def _parse(source: BinaryIO, size: int) -> WavHeader:
    head = source.read(12)
    if head[:4] != b"RIFF" or head[8:] != b"WAVE":
        return WavHeader()
    end = 8 + struct.unpack_from("<I", head, 4)[0]
    bytes_per_s = 0
    for name, length in chunks(source):
        if name == b"fmt ":
            bytes_per_s = struct.unpack_from("<I", source.read(length), 8)[0]
        elif name == b"data":
            start = source.tell()
            if length == 0xFFFFFFFF or (length == 0 and size > start):
                return WavHeader(open_size_at=start - 4)
            promised_s = length / bytes_per_s if bytes_per_s else 0.0
            return WavHeader(promised_s, stale=end < start + length)
    return WavHeader()


def chunks(source: BinaryIO) -> Iterator[tuple[bytes, int]]:
    """Name and size of each chunk behind a WAV file's first 12 bytes, the file at its content."""
    while len(head := source.read(8)) == 8:
        name, length = struct.unpack("<4sI", head)
        after = source.tell() + length + length % 2
        yield name, length
        source.seek(after)

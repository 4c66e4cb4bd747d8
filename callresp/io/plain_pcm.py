"""Whole-number samples of a plain WAV file, many at once.

Goal
----
Field recordings are mostly WAV files of 16 or 24 bits. libsndfile unpacks
their samples one at a time, which for a whole day takes about as long as to
find its spectra. The standard library's `wave` reads the header, and
numpy unpacks the samples many at once.

Conventions
-----------
Full scale is ±1, so a sample is divided by 2**15 or 2**23, which single
precision holds exactly: to the bit what libsndfile reads. What `wave` does not
take (float, extensible headers, RF64) is left to libsndfile.
"""

from __future__ import annotations

import io
import wave
from pathlib import Path

import numpy as np
import numpy.typing as npt

_WIDTHS = (2, 3)  # bytes of a sample
_TOP_THREE_BYTES = np.int32(-256)


def open_plain(path: Path) -> PlainPcm | None:
    """A reader for `path`, or `None` where it is not a plain WAV file of 16 or 24 bits."""
    try:
        file = path.open("rb")
    except OSError:
        return None
    try:
        head = wave.open(file)  # noqa: SIM115  (it closes nothing that it did not open)
        if head.getsampwidth() in _WIDTHS:
            return PlainPcm(file, head)
    except (wave.Error, EOFError, OSError):
        pass
    file.close()
    return None


class PlainPcm:
    """Reads onward from the first sample of a file, at which `wave` leaves it."""

    def __init__(self, file: io.BufferedReader, head: wave.Wave_read) -> None:
        self._file = file
        self._width = head.getsampwidth()
        self._left = head.getnframes() * head.getnchannels() * self._width
        # Kept for all blocks: page faults of arrays made anew took longer than the sums.
        self._raw = bytearray()
        self._whole = np.zeros(0, np.int32)

    def read(self, out: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Fill `out`, shape ``(n, channels)``, as far as there is sound; returns that part."""
        wanted = min(out.size * self._width, self._left)
        if len(self._raw) < wanted + 1:
            self._raw, self._whole = bytearray(wanted + 1), np.empty(out.size, np.int32)
        got = self._file.readinto(memoryview(self._raw)[1 : wanted + 1])
        self._left -= got
        frames = got // (out.shape[1] * self._width)
        count = frames * out.shape[1]
        flat = out[:frames].reshape(count)
        if self._width == 2:
            # A copy and a product are each quicker than a product that converts.
            flat[:] = np.frombuffer(self._raw, "<i2", count, 1)
            flat *= np.float32(2**-15)
        elif count:
            # With the byte ahead, each sample of three is the top of a number of four.
            packed = np.ndarray((count,), "<i4", self._raw, 0, (3,))
            flat[:] = np.bitwise_and(packed, _TOP_THREE_BYTES, out=self._whole[:count])
            flat *= np.float32(2**-31)
        return out[:frames]

    def close(self) -> None:
        """Close the file."""
        self._file.close()

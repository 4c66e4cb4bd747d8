"""Whole-number samples of a plain WAV file, many at once.

Goal
----
Field recordings are mostly WAV files of 16 or 24 bits. libsndfile unpacks
their samples one at a time, which for a whole day takes about as long as to
find its spectra. The standard library's `wave` hands out the bytes as they
stand, and numpy unpacks them many at once.

Conventions
-----------
Full scale is ±1, so a sample is divided by 2**15 or 2**23, which single
precision holds exactly: to the bit what libsndfile reads. What `wave` does not
take (float, extensible headers, RF64) is left to libsndfile.
"""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]

_WIDTHS = (2, 3)  # bytes of a sample
_TOP_THREE_BYTES = np.int32(-256)


def open_plain(path: Path) -> PlainPcm | None:
    """A reader for `path`, or `None` where it is not a plain WAV file of 16 or 24 bits."""
    try:
        source = wave.open(str(path), "rb")  # noqa: SIM115  (closed with its reader)
    except (wave.Error, EOFError, OSError):
        return None
    if source.getsampwidth() in _WIDTHS:
        return PlainPcm(source)
    source.close()
    return None


class PlainPcm:
    """Reads onward from the first sample of a file."""

    def __init__(self, source: wave.Wave_read) -> None:
        self._source = source
        self._width = source.getsampwidth()

    def read(self, out: Samples) -> Samples:
        """Fill `out`, shape ``(n, channels)``, as far as there is sound; returns that part."""
        channels = out.shape[1]
        raw = self._source.readframes(len(out))
        frames = len(raw) // (channels * self._width)
        count = frames * channels
        flat = out[:frames].reshape(count)
        if self._width == 2:
            np.multiply(np.frombuffer(raw, "<i2", count), np.float32(2**-15), out=flat)
        elif count:
            # With a byte ahead, each sample of three is the top of a number of four.
            packed = np.ndarray((count,), "<i4", b"\0" + raw, 0, (3,))
            flat[:] = packed & _TOP_THREE_BYTES
            flat *= np.float32(2**-31)
        return out[:frames]

    def close(self) -> None:
        """Close the file."""
        self._source.close()

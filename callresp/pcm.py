"""Plain samples of a WAV file, taken as they stand.

Goal
----
Field recordings are mostly WAV files of 16 or 24 bits. libsndfile unpacks
their samples one at a time, which for a whole day took longer than to find its
spectra. Numpy does the same many samples at once.

Conventions
-----------
Integers of 2 or 3 bytes, the lowest first; full scale is ±1, so a sample is
divided by 2**15 or 2**23, which single precision holds exactly: to the bit
what libsndfile reads.

Source: Multimedia Programming Interface and Data Specifications 1.0 (IBM and
Microsoft, 1991), PCM data format.
"""

from __future__ import annotations

from pathlib import Path
from types import TracebackType

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]

WIDTHS = {"PCM_16": 2, "PCM_24": 3}  # bytes of a sample
_TOP_THREE_BYTES = np.int32(-256)


class PlainPcm:
    """Reads onward from the first sample of a file.

    Parameters
    ----------
    path
        The file.
    data_at
        Where in it the samples begin, in bytes.
    width
        Bytes of a sample, 2 or 3.
    frames
        How many samples of each channel to read at most.

    Raises
    ------
    OSError
        As `open` does.
    """

    def __init__(self, path: Path, data_at: int, width: int, frames: int) -> None:
        self._left = frames
        self._width = width
        self._file = path.open("rb")
        self._file.seek(data_at)

    def read(self, out: Samples) -> Samples:
        """Fill `out`, shape ``(n, channels)``, as far as there is sound; returns that part."""
        channels = out.shape[1]
        frames = min(len(out), self._left)
        # A byte goes ahead, so that each sample of three is the top of a number of four.
        raw = bytearray(frames * channels * self._width + 1)
        got = self._file.readinto(memoryview(raw)[1:])
        frames = got // (channels * self._width)
        self._left -= frames
        count = frames * channels
        flat = out[:frames].reshape(count)
        if self._width == 2:
            np.multiply(np.frombuffer(raw, "<i2", count, 1), np.float32(2**-15), out=flat)
        elif count:
            packed = np.ndarray((count,), "<i4", raw, 0, (3,))
            flat[:] = packed & _TOP_THREE_BYTES
            flat *= np.float32(2**-31)
        return out[:frames]

    def __enter__(self) -> PlainPcm:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()

"""Short-time Fourier transform of a stream, independent of the size of its blocks.

Goal
----
Cut a stream into overlapping windows and give their power spectra, so that
the n-th spectrum depends on the samples alone and not on how they came.

Conventions
-----------
Frame i is centred on sample ``i * hop`` of the recording (half a window of
silence is put before the start). A Hann window, divided by its sum and
multiplied by 2, so that a full-scale sine reads a power of 1 at its peak bin:
0 dB re a full-scale sine (AES17-2015).

Above 48 kHz the stream is first resampled to a rate that still holds the
profile's band, so that results hardly depend on the recorder's rate.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from callresp.listen.kernels import fourier
from callresp.listen.kernels.lanes import LANES
from callresp.listen.profile import Profile

if TYPE_CHECKING:
    import soxr

HOPS_PER_WINDOW = 4
BATCH = 256  # frames transformed at once
_HOME_RATE_HZ = 48000

Samples = npt.NDArray[np.float32]
Powers = npt.NDArray[np.float32]
Spectra = npt.NDArray[np.complex64]


def working_rate_hz(sample_rate_hz: int, band_high_hz: float) -> int:
    """The rate listened at: the recording's own up to 48 kHz, less above it."""
    return min(sample_rate_hz, max(_HOME_RATE_HZ, math.ceil(2.2 * band_high_hz)))


def window_samples(rate_hz: int, window_ms: float) -> int:
    """Length of the window: near `window_ms`, a multiple of 4 without large prime factors."""
    want = max(16, round(rate_hz * window_ms / 1000))
    return min(
        (n for n in range(4 * (want // 8), 4 * (want // 3)) if _smooth(n) and n % 4 == 0),
        key=lambda n: abs(n - want),
    )


def _smooth(n: int) -> bool:
    for prime in (2, 3, 5):
        while n > 1 and n % prime == 0:
            n //= prime
    return n == 1


class Framer:
    """Cuts a stream into spectra.

    Parameters
    ----------
    sample_rate_hz
        Of the stream.
    profile
        Its band and window length.

    Attributes
    ----------
    rate_hz, window, hop, bins
        Working rate; window and hop in samples; bins of a spectrum.
    """

    def __init__(self, sample_rate_hz: int, profile: Profile) -> None:
        self.rate_hz = working_rate_hz(sample_rate_hz, profile.band_high_hz)
        self.window = window_samples(self.rate_hz, profile.window_ms)
        self.hop = self.window // HOPS_PER_WINDOW
        self.bins = self.window // 2 + 1
        shape = np.hanning(self.window + 1)[:-1]
        self._shape = (2 * shape / shape.sum()).astype(np.float32)
        self._plan = fourier.plan_for(self.window)
        self._room = np.zeros(0, np.float32)
        self._held = self.window // 2  # samples of the stream that await others
        # Kept, as the room for the stream is: page faults of arrays made anew take longer.
        self._found = np.zeros((BATCH, _whole_lanes(self.window)), np.float32)
        self._resampler: soxr.ResampleStream | None = None
        if self.rate_hz != sample_rate_hz:
            import soxr

            self._resampler = soxr.ResampleStream(sample_rate_hz, self.rate_hz, 1, dtype="float32")

    @property
    def frames_per_s(self) -> float:
        """Frames in a second."""
        return self.rate_hz / self.hop

    @property
    def bin_hz(self) -> float:
        """Width of a bin."""
        return self.rate_hz / self.window

    def push(self, block: Samples, last: bool = False) -> Iterator[Powers]:
        """Take a block; yield power spectra, of up to `BATCH` frames each.

        Of shape ``(frames, bins and some)``, and good until the next are asked for. No window
        reaches over the end of the stream: a sudden end would look like a click.
        """
        wide = _whole_lanes(self.bins)
        found = self._found.reshape(-1)[: BATCH * wide].reshape(BATCH, wide)
        for rows in self._transformed(block, last, squared=True, found=found):
            yield found[:rows]

    def spectra(self, block: Samples) -> Iterator[Spectra]:
        """As `push`, complex spectra of shape ``(frames, bins)``."""
        for rows in self._transformed(block, False, squared=False, found=self._found):
            found = self._found[:rows, : self.window]
            spectra = np.zeros((rows, self.bins), np.complex64)
            spectra[:, 0], spectra[:, -1] = found[:, 0], found[:, -1]
            spectra[:, 1:-1] = found[:, 1:-1].view(np.complex64)
            yield spectra

    def _transformed(
        self, block: Samples, last: bool, squared: bool, found: Powers
    ) -> Iterator[int]:
        """Take a block; how many rows were `found`, again and again."""
        if self._resampler is not None:
            block = self._resampler.resample_chunk(np.ascontiguousarray(block), last=last)
        until = self._held + len(block)
        # Frames are taken a few at once, and their last may have to be made up.
        needed = until + LANES * self.hop
        if needed > len(self._room):
            self._room, old = np.zeros(needed, np.float32), self._room
            self._room[: len(old)] = old
        self._room[self._held : until] = block
        count = max(0, (until - self.window) // self.hop + 1)
        for start in range(0, count, BATCH):
            rows = min(BATCH, count - start)
            stream = self._room[start * self.hop :]
            fourier.transform(stream, rows, self.hop, self._shape, self._plan, squared, found)
            yield rows
        self._held = until - count * self.hop
        self._room[: self._held] = self._room[count * self.hop : until].copy()


def _whole_lanes(numbers: int) -> int:
    return -(-numbers // LANES) * LANES

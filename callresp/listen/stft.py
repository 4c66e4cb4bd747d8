"""Short-time Fourier transform of a stream, independent of the size of its blocks.

Goal
----
Cut a stream into overlapping windows and give their complex spectra, so that
the n-th spectrum depends on the samples alone and not on how they came.

Conventions
-----------
Frame i is centred on sample ``i * hop`` of the recording (half a window of
silence is put before the start). A Hann window, divided by its sum and
multiplied by 2, so that a full-scale sine reads a squared magnitude of 1 at
its peak bin: 0 dB re a full-scale sine (AES17-2015).

Above 48 kHz the stream is first resampled to a rate that still holds the
profile's band, so that results hardly depend on the recorder's rate.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import scipy.fft

from callresp.listen.kernels import windows
from callresp.listen.profile import Profile

if TYPE_CHECKING:
    import soxr

HOPS_PER_WINDOW = 4
# Frames transformed at once. The transform packs several frames into one vector
# register and would round a lone one differently, so short batches are filled up
# to a multiple of _PACK: the same frame then always gives the same bits.
BATCH = 256
_PACK = 16
_HOME_RATE_HZ = 48000

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
        self._work = np.zeros((BATCH, self.window), dtype=np.float32)
        self._held = np.zeros(self.window // 2, dtype=np.float32)
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

    def push(self, block: npt.NDArray[np.float32], last: bool = False) -> Iterator[Spectra]:
        """Take a block; yield spectra, shape ``(frames, bins)``, of up to `BATCH` frames.

        No window reaches over the end of the stream: a sudden end would look like a click.
        """
        if self._resampler is not None:
            block = self._resampler.resample_chunk(np.ascontiguousarray(block), last=last)
        stream = np.concatenate([self._held, block]) if len(self._held) else block
        count = max(0, (len(stream) - self.window) // self.hop + 1)
        self._held = stream[count * self.hop :].copy()
        if count == 0:
            return
        for start in range(0, count, BATCH):
            rows = min(BATCH, count - start)
            yield self._transform(stream[start * self.hop :], rows)

    def _transform(self, stream: npt.NDArray[np.float32], rows: int) -> Spectra:
        padded = -(-rows // _PACK) * _PACK
        work = self._work[:padded]
        windows.cut(stream, self.hop, self._shape, work[:rows])
        if rows < padded:
            work[rows:] = 0.0
        spectra: Spectra = scipy.fft.rfft(work, axis=1, workers=1)
        return spectra[:rows]

"""Band filters that keep their state between blocks.

Butterworth filters as second-order sections by scipy, which is imported only
when a sound is made: reading and listing recipes stays quick.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Wave = npt.NDArray[np.float64]


class Band:
    """A band-pass of an order, at a rate; call it with block after block."""

    def __init__(self, low_hz: float, high_hz: float, rate_hz: int, order: int = 1) -> None:
        from scipy import signal

        edges = [low_hz, min(high_hz, 0.45 * rate_hz)]
        self._rate_hz = rate_hz
        self._sections = signal.butter(order, edges, "band", fs=rate_hz, output="sos")
        self._state = np.zeros((len(self._sections), 2))
        self._run = signal.sosfilt

    def __call__(self, wave: Wave) -> Wave:
        """The next block, filtered."""
        out, self._state = self._run(self._sections, wave, zi=self._state)
        return np.asarray(out)

    def power_gain(self, hertz: Wave) -> Wave:
        """Squared magnitude of the response at each frequency."""
        from scipy import signal

        _, response = signal.sosfreqz(self._sections, hertz, fs=self._rate_hz)
        return np.asarray(np.abs(response) ** 2)


def smoothed(steps: Wave, keep: float) -> Wave:
    """Each value a share `keep` of the one before plus its own step."""
    from scipy import signal

    return np.asarray(signal.lfilter([1.0], [1.0, -keep], steps))

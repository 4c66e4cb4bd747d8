"""Loudness of a mix, as broadcasters measure it, in memory that does not grow with it.

Sources
-------
ITU-R BS.1770-4, annex 1: K-weighting, blocks of 400 ms that overlap by three
quarters, gates at -70 LUFS and 10 LU under the mean. The K-weighting filters are
those of pyloudnorm, which itself needs the whole sound at once.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

STEP_S = 0.1
STEPS_A_BLOCK = 4
ABSOLUTE_GATE = -70.0
RELATIVE_GATE = 10.0
OFFSET = -0.691
# How near a loudness asked for is near enough, and in how many steps it must be reached.
NEAR_LU = 0.005
STEPS_MAX = 20


class LoudnessMeter:
    """Measures integrated loudness, block by block.

    Parameters
    ----------
    sample_rate_hz
        Of the sound.
    channels
        One or two; both count alike.
    """

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        from pyloudnorm import IIRfilter

        shelf = IIRfilter(4.0, 1 / math.sqrt(2), 1500.0, sample_rate_hz, "high_shelf")
        pass_high = IIRfilter(0.0, 0.5, 38.0, sample_rate_hz, "high_pass")
        self._filters = [(stage.b, stage.a) for stage in (shelf, pass_high)]
        self._states = [np.zeros((2, channels)) for _ in self._filters]
        self._step = round(STEP_S * sample_rate_hz)
        self._rest = np.zeros((0, channels))
        self._powers: list[float] = []

    def push(self, block: npt.NDArray[np.float64]) -> None:
        """Take a block of shape ``(n, channels)``."""
        from scipy import signal

        for stage, (b, a) in enumerate(self._filters):
            block, self._states[stage] = signal.lfilter(b, a, block, axis=0, zi=self._states[stage])
        block = np.concatenate([self._rest, block])
        whole = len(block) - len(block) % self._step
        steps = block[:whole].reshape(-1, self._step, block.shape[1])
        self._powers += np.sum(np.mean(steps**2, axis=1), axis=1).tolist()
        self._rest = block[whole:]

    def loudness(self, gain: float = 1.0) -> float | None:
        """Integrated loudness so far in LUFS, once it is turned up or down by `gain`.

        `None` where nothing passes the gates: they count what is turned up and down.
        """
        blocks = gain**2 * self._blocks()
        loud = blocks[blocks >= 10 ** ((ABSOLUTE_GATE - OFFSET) / 10)]
        if len(loud) == 0:
            return None
        relative = float(loud.mean()) * 10 ** (-RELATIVE_GATE / 10)
        return OFFSET + 10 * math.log10(float(loud[loud > relative].mean()))

    def gain_to(self, lufs: float) -> float | None:
        """What turns it up or down to a loudness; `None` for silence and what is too short."""
        loudest = float(self._blocks().max(initial=0.0))
        if loudest <= 0.0:
            return None
        gain = 10 ** ((lufs - OFFSET) / 20) / math.sqrt(loudest)
        # The whole is softer than its loudest block. Turned up, soft blocks pass the gate that did
        # not before, and it must be turned up once more: so in steps.
        for _ in range(STEPS_MAX):
            found = self.loudness(gain)
            if found is None or lufs - found < NEAR_LU:
                break
            gain *= 10 ** ((lufs - found) / 20)
        return gain

    def _blocks(self) -> npt.NDArray[np.float64]:
        """Mean power of each block of 400 ms."""
        if len(self._powers) < STEPS_A_BLOCK:
            return np.zeros(0)
        return np.convolve(self._powers, np.full(STEPS_A_BLOCK, 1 / STEPS_A_BLOCK), "valid")

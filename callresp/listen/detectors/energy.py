"""Offsets and levels for detectors that give onsets alone.

Goal
----
Onset detectors say when a note starts and nothing more. Where it ends is read
from the energy: the first time after its peak that the level falls far below
the peak or down to the floor of the place, and in any case where the next note
starts. Where no peak stands out, the note gets a short length of its own.

Conventions
-----------
Levels in dB re a full-scale sine (AES17-2015), within the listening band, by
steps of `STEP_S`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from callresp.io.audio import SILENCE_DB, SINE_POWER

STEP_S = 0.005
FALL_DB = 15.0  # below its peak a note has ended
FLOOR_DB = 3.0  # above the floor
SHORT_S = 0.03  # of a note without a peak of its own
PEAK_S = 0.1  # the peak is looked for so long after the onset
_FLOOR_S = 4.0

Levels = npt.NDArray[np.float64]


class Envelope:
    """The level of a band, step by step, in memory that is small against the sound."""

    def __init__(self, rate_hz: int, low_hz: float, high_hz: float) -> None:
        from scipy import signal

        high_hz = min(high_hz, 0.45 * rate_hz)
        self._sos: Levels = signal.butter(
            2, [min(low_hz, 0.5 * high_hz), high_hz], "bandpass", fs=rate_hz, output="sos"
        )
        self._state: Levels = np.zeros((len(self._sos), 2))
        self._per_step = STEP_S * rate_hz
        self._sums: list[npt.NDArray[np.float32]] = []
        self._left = np.zeros(0, np.float32)
        self._steps = 0
        self._taken = 0

    def add(self, samples: npt.NDArray[np.float32]) -> None:
        """Take the next samples of the stream, shape ``(n,)``."""
        from scipy import signal

        filtered, self._state = signal.sosfilt(self._sos, samples, zi=self._state)
        power = np.concatenate([self._left, (filtered**2).astype(np.float32)])
        have = self._taken + len(power)
        steps = int(have / self._per_step) - self._steps
        edges = np.rint((self._steps + np.arange(steps + 1)) * self._per_step).astype(np.int64)
        edges -= self._taken
        if steps > 0:
            sums = np.add.reduceat(power[: edges[-1]], edges[:-1])
            self._sums.append((sums / np.diff(edges)).astype(np.float32))
            self._steps += steps
            self._taken += int(edges[-1])
        self._left = power[edges[-1] :]

    def level_db(self) -> Levels:
        """Level of every step so far, dB re a full-scale sine."""
        power = np.concatenate(self._sums) if self._sums else np.zeros(0, np.float32)
        quietest = SINE_POWER * 10 ** (SILENCE_DB / 10)
        return 10 * np.log10(np.maximum(power.astype(np.float64), quietest) / SINE_POWER)


def floor_db(level_db: Levels) -> Levels:
    """The floor of the place round each step: a low quantile of some seconds."""
    span = round(_FLOOR_S / STEP_S)
    blocks = [level_db[at : at + span] for at in range(0, len(level_db), span)]
    if len(blocks) > 1 and len(blocks[-1]) < span // 2:
        blocks[-2:] = [np.concatenate(blocks[-2:])]
    low = [float(np.quantile(block, 0.2)) for block in blocks]
    if not blocks:
        return level_db
    middles = [(i + 0.5) * span for i in range(len(blocks))]
    return np.interp(np.arange(len(level_db)), middles, low)


def ends_and_levels(onsets_s: Levels, level_db: Levels) -> tuple[Levels, Levels, Levels]:
    """Offset, level and height above the floor of notes of which only the onset is known.

    Parameters
    ----------
    onsets_s
        Seconds, in order, shape ``(n,)``.
    level_db
        From `Envelope.level_db`.

    Returns
    -------
    offsets_s, levels_db, above_floor_db : ndarray, shape ``(n,)``
    """
    floor = floor_db(level_db)
    total_s = len(level_db) * STEP_S
    offsets, levels, above = (np.zeros(len(onsets_s)) for _ in range(3))
    for i, onset_s in enumerate(onsets_s):
        until_s = float(onsets_s[i + 1]) if i + 1 < len(onsets_s) else total_s
        offsets[i] = _end(float(onset_s), max(until_s, float(onset_s)), level_db, floor)
        first = min(int(onset_s / STEP_S), max(0, len(level_db) - 1))
        own = level_db[first : max(first + 1, round(offsets[i] / STEP_S))]
        if len(own):
            levels[i] = 10 * np.log10(np.mean(10 ** (own / 10)))
            above[i] = max(0.0, float(own.max()) - floor[first])
        else:
            levels[i] = SILENCE_DB
    return offsets, levels, above


def _end(onset_s: float, until_s: float, level_db: Levels, floor: Levels) -> float:
    first = int(onset_s / STEP_S)
    last = min(int(np.ceil(until_s / STEP_S)), len(level_db))
    short_s = min(onset_s + SHORT_S, until_s)
    window = level_db[first : min(last, first + round(PEAK_S / STEP_S))]
    if len(window) == 0:
        return short_s
    top = first + int(window.argmax())
    if level_db[top] < floor[top] + 2 * FLOOR_DB:
        return short_s
    after = level_db[top:last]
    low = np.maximum(level_db[top] - FALL_DB, floor[top:last] + FLOOR_DB)
    fallen = np.flatnonzero(after < low)
    end_s = until_s if len(fallen) == 0 else (top + int(fallen[0])) * STEP_S
    return min(max(end_s, onset_s + STEP_S), until_s) if until_s > onset_s else onset_s

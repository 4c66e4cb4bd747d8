"""How hard a stroke was, whatever still rang: the step in the partials' state.

Between strokes each partial is a phasor that turns and decays. Known partials
are fitted by least squares to a stretch just before and one just after a
stroke; the difference of their states at the stroke is what the stroke added.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from callresp.strike_test.modes import CONTACT_OVER_S, Mode, powers

Values = npt.NDArray[np.float64]
Phasors = npt.NDArray[np.complex128]

LONG_S = 0.12


def state(part: Values, rate_hz: int, first_s: float, modes: Sequence[Mode]) -> Phasors:
    """Phasors at time 0 of known partials in a stretch that starts at `first_s`.

    Ridge regression: a stretch too short to tell two partials apart shares
    their sound between them instead of inventing large opposite ones.
    """
    # Scaled to 1 at the near end of the stretch, so that the ridge weighs all partials alike.
    length_s = (len(part) - 1) / rate_hz
    near_s, from_s = (first_s, 0.0) if first_s >= 0 else (first_s + length_s, -length_s)
    solved = _solved(part, waves_of(modes, len(part), rate_hz, from_s))
    half = len(modes)
    return np.asarray((solved[:half] + 1j * solved[half:]) * np.exp(-_logs(modes) * near_s))


def waves_of(modes: Sequence[Mode], count: int, rate_hz: int, from_s: float = 0.0) -> Values:
    """Samples of each partial, its cosine and then its sine, shape ``(count, 2 len(modes))``."""
    table = np.stack(
        [np.exp(log * from_s) * powers(log / rate_hz, count) for log in _logs(modes)], axis=1
    )
    return np.concatenate([table.real, -table.imag], axis=1)


def fit_of(part: Values, waves: Values) -> Values:
    """Known partials fitted to a stretch: their sound in it. There may be more of the waves."""
    waves = waves[: len(part)]
    return np.asarray(waves @ _solved(part, waves))


def _logs(modes: Sequence[Mode]) -> Phasors:
    return np.array([2j * np.pi * mode.hz - mode.rate for mode in modes])


def _solved(part: Values, waves: Values) -> Values:
    """How much of each wave is in a stretch."""
    gram = waves.T @ waves
    gram[np.diag_indices_from(gram)] += 1e-3 * len(part) / 2
    return np.asarray(np.linalg.solve(gram, waves.T @ part), np.float64)


def added_by_stroke(
    samples: npt.NDArray[np.float32],
    rate_hz: int,
    at_s: float,
    modes: Sequence[Mode],
    before_s: float,
    after_s: float,
) -> Phasors | None:
    """What a stroke at `at_s` put into each partial: phasors, or `None` at the edges.

    `before_s` and `after_s` are the free time on either side.
    """
    before_s, after_s = min(before_s, LONG_S), min(after_s, LONG_S)
    skip_s = min(CONTACT_OVER_S, 0.15 * after_s)
    first, last = round((at_s + skip_s) * rate_hz), round((at_s + after_s) * rate_hz)
    begin, end = round((at_s - before_s) * rate_hz), round((at_s - 0.0008) * rate_hz)
    if last > len(samples) or begin < 0 or last - first < 32 or not modes:
        return None
    sound = np.asarray(samples[first:last], dtype=np.float64)
    after = state(sound, rate_hz, first / rate_hz - at_s, modes)
    if end - begin < 32:
        return after
    earlier = np.asarray(samples[begin:end], dtype=np.float64)
    before = state(earlier, rate_hz, begin / rate_hz - at_s, modes)
    return np.asarray(after - before)


def power_db(phasors: Phasors) -> float:
    """Level of partials as they start, dB re a full-scale sine."""
    return 10 * float(np.log10(max(float(np.sum(np.abs(phasors) ** 2)), 1e-20)))

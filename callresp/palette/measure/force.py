"""The force curve: which level each pulse length gives, never falling.

A longer pulse cannot hit softer, so the levels are fitted by isotonic
regression (Barlow et al. 1972, Statistical Inference under Order Restrictions;
the pool-adjacent-violators algorithm, as in scipy), each pulse weighted by its
number of strokes. Pulses at which not every stroke spoke are no part of the
curve; nor are longer pulses than the shortest that gives the full level.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from callresp.palette.measure.results import ForceMeasured, Value

FLAT_DB = 0.3


def force_curve(
    levels: Mapping[float, Sequence[float | None]], late_ms: Mapping[float, float | None]
) -> tuple[ForceMeasured, ...]:
    """Fit the curve.

    Parameters
    ----------
    levels
        By pulse length in ms, the level of each stroke in dB, `None` where it
        did not speak.
    late_ms
        By pulse length, the median latency.
    """
    rows = []
    for pulse_ms in sorted(levels):
        spoke = [level for level in levels[pulse_ms] if level is not None]
        rows.append((pulse_ms, spoke, len(levels[pulse_ms])))
    sure = [row for row in rows if row[1] and len(row[1]) >= 0.7 * row[2]]
    fitted: dict[float, float] = {}
    if sure:
        from scipy import optimize

        middle = np.array([float(np.median(spoke)) for _, spoke, _ in sure])
        weights = np.array([float(len(spoke)) for _, spoke, _ in sure])
        fit = optimize.isotonic_regression(middle, weights=weights).x
        fitted = {row[0]: float(level) for row, level in zip(sure, fit, strict=True)}
    return tuple(
        ForceMeasured(
            pulse_ms=pulse_ms,
            level_db=Value.of(spoke),
            fitted_db=fitted.get(pulse_ms),
            spoke=len(spoke),
            asked=asked,
            latency_ms=late_ms.get(pulse_ms),
        )
        for pulse_ms, spoke, asked in rows
    )


def palette_points(curve: Sequence[ForceMeasured]) -> list[tuple[float, float]]:
    """(pulse_ms, level_db) as a palette wants them: rising, no longer than is of use."""
    points = [(p.pulse_ms, p.fitted_db) for p in curve if p.fitted_db is not None]
    kept: list[tuple[float, float]] = []
    for pulse_ms, level_db in points:
        if kept and level_db - kept[-1][1] < FLAT_DB:
            continue
        kept.append((pulse_ms, level_db))
    return kept

"""Force curve and repeat limit of a striker.

The force curve is which level each pulse length gives, never falling.

A longer pulse cannot hit softer, so the levels are fitted by isotonic
regression (Barlow et al. 1972, Statistical Inference under Order Restrictions;
the pool-adjacent-violators algorithm, as in scipy), each pulse weighted by its
number of strokes. Pulses at which not every stroke sounded are no part of the
curve; nor are longer pulses than the shortest that gives the full level.

The repeat limit is the gap below which strokes fail.

A stroke of a run is clean when it adds at least half the amplitude (-6 dB) of the
run's slow strokes, at about the right time. Its gap is the time since the last
clean stroke, so that a run in which every other stroke fails still shows where
the limit lies. The limit is the gap that separates clean from failed strokes with
the fewest on the wrong side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from callresp.strike_test.results import ForceResult, MeasuredValue, Repeat

FLAT_DB = 0.3


def force_curve(
    levels: Mapping[float, Sequence[float | None]], late_ms: Mapping[float, float | None]
) -> tuple[ForceResult, ...]:
    """Fit the curve.

    Parameters
    ----------
    levels
        By pulse length in ms, the level of each stroke in dB, `None` where it
        did not sound.
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
        ForceResult(
            pulse_ms=pulse_ms,
            level_db=MeasuredValue.of(spoke),
            fitted_db=fitted.get(pulse_ms),
            spoke=len(spoke),
            asked=asked,
            latency_ms=late_ms.get(pulse_ms),
        )
        for pulse_ms, spoke, asked in rows
    )


def palette_points(curve: Sequence[ForceResult]) -> list[tuple[float, float]]:
    """(pulse_ms, level_db) for a palette: rising, without pulses that add nothing."""
    points = [(p.pulse_ms, p.fitted_db) for p in curve if p.fitted_db is not None]
    kept: list[tuple[float, float]] = []
    for pulse_ms, level_db in points:
        if kept and level_db - kept[-1][1] < FLAT_DB:
            continue
        kept.append((pulse_ms, level_db))
    return kept


CLEAN_DB = -6.0


def judge(at_s: Sequence[float], strengths_db: Sequence[float | None]) -> list[Repeat]:
    """Judge the strokes of one run, in order of time.

    Parameters
    ----------
    at_s
        Times of the commands.
    strengths_db
        What each stroke added, `None` where that is not known.

    Returns
    -------
    list of Repeat
        Without the first stroke, which has no gap; empty for under four known strengths.
    """
    known = [s for s in strengths_db if s is not None]
    if len(known) < 4:
        return []
    reference = float(np.median(known[: max(4, len(known) // 4)]))
    found: list[Repeat] = []
    last_clean: float | None = None
    for time_s, strength in zip(at_s, strengths_db, strict=True):
        relative = -60.0 if strength is None else strength - reference
        clean = relative >= CLEAN_DB
        if last_clean is not None:
            gap_ms = (time_s - last_clean) * 1000
            found.append(Repeat(gap_ms=gap_ms, strength_db=relative, clean=clean))
        if clean:
            last_clean = time_s
    return found


def limit(runs: Sequence[Sequence[Repeat]], step: float) -> MeasuredValue | None:
    """The shortest clean gap in ms, or `None` where no stroke failed.

    `step` is the share by which gaps shrink from stroke to stroke, which is the
    resolution of a run.
    """
    every = [repeat for run in runs for repeat in run]
    if not any(not r.clean for r in every) or not any(r.clean for r in every):
        return None
    gaps = np.array(sorted({r.gap_ms for r in every}))
    cuts = np.sqrt(gaps[1:] * gaps[:-1]) if len(gaps) > 1 else gaps
    wrong = np.array([sum((r.gap_ms > cut) != r.clean for r in every) for cut in cuts])
    best = cuts[wrong == wrong.min()]
    cut = float(np.exp(np.mean(np.log(best))))
    # Failures by chance have no limit: then no gap splits better than none at all.
    if wrong.min() >= sum(not r.clean for r in every):
        return None
    own = [c for c in (_cut_of(run) for run in runs) if c is not None]
    between = float(np.std(own, ddof=1)) / len(own) ** 0.5 if len(own) > 1 else 0.0
    # A rectangular spread of one step has a standard deviation of step / √12 (JCGM 100, 4.3.7).
    grain = cut * step / max(len(own), 1) / 12**0.5
    return MeasuredValue(cut, max(between, grain), max(len(own), 1))


def _cut_of(run: Sequence[Repeat]) -> float | None:
    """The limit by one run alone."""
    failed = [r.gap_ms for r in run if not r.clean]
    clean = [r.gap_ms for r in run if r.clean]
    if not failed or not clean:
        return None
    return float((max(failed) * min([c for c in clean if c > max(failed)] or [max(failed)])) ** 0.5)

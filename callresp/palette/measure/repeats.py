"""How fast a striker can be struck: the gap below which strokes fail.

A stroke of a run is clean when it puts in at least half the amplitude (-6 dB)
of the run's slow strokes, about when it should. Its gap is the time since the
last clean stroke before, so that a run in which every other stroke fails still
tells where the limit lies. The limit is the gap that splits clean from failed
strokes with the fewest on the wrong side.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from callresp.palette.measure.results import Repeat, Value

CLEAN_DB = -6.0


def judge(at_s: Sequence[float], strengths_db: Sequence[float | None]) -> list[Repeat]:
    """Judge the strokes of one run, in order of time; the first is its reference only."""
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


def limit(runs: Sequence[Sequence[Repeat]], step: float) -> Value | None:
    """The shortest clean gap in ms, or `None` where no stroke failed.

    `step` is the share by which gaps shrink from stroke to stroke: what the
    runs can't tell apart.
    """
    every = [repeat for run in runs for repeat in run]
    if not any(not r.clean for r in every) or not any(r.clean for r in every):
        return None
    gaps = np.array(sorted({r.gap_ms for r in every}))
    cuts = np.sqrt(gaps[1:] * gaps[:-1]) if len(gaps) > 1 else gaps
    wrong = np.array([_wrong(every, cut) for cut in cuts])
    best = cuts[wrong == wrong.min()]
    cut = float(np.exp(np.mean(np.log(best))))
    # Were the failures by chance, some gap would do as badly as no limit at all.
    if wrong.min() >= sum(not r.clean for r in every):
        return None
    own = [c for c in (_cut_of(run) for run in runs) if c is not None]
    between = float(np.std(own, ddof=1)) / len(own) ** 0.5 if len(own) > 1 else 0.0
    # A rectangular spread of one step has a standard deviation of step / √12 (JCGM 100, 4.3.7).
    grain = cut * step / max(len(own), 1) / 12**0.5
    return Value(cut, max(between, grain), max(len(own), 1))


def _wrong(every: Sequence[Repeat], cut: float) -> int:
    return sum((r.gap_ms > cut) != r.clean for r in every)


def _cut_of(run: Sequence[Repeat]) -> float | None:
    """The limit that one run alone tells."""
    failed = [r.gap_ms for r in run if not r.clean]
    clean = [r.gap_ms for r in run if r.clean]
    if not failed or not clean:
        return None
    return float((max(failed) * min([c for c in clean if c > max(failed)] or [max(failed)])) ** 0.5)

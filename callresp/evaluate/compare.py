"""Several detectors on one recording.

Goal
----
Show a user where detectors agree on their own recording and where they don't,
and how each does against marks made by hand. Where all agree, any will do;
where they don't, that is where to listen.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.evaluate import scoring
from callresp.evaluate.annotations import Mark, inside
from callresp.io.audio import Recording
from callresp.io.score import HeardScore
from callresp.listen.detectors.registry import detectors, find_detector
from callresp.listen.offline import transcribe
from callresp.listen.profile import Profile

DEFAULTS = ("native", "superflux", "librosa")


@dataclass(frozen=True, slots=True)
class DetectorResult:
    """What one detector heard.

    Attributes
    ----------
    name
        The detector.
    score
        All that it heard.
    taken_s
        Processor time that it took, first compilation and loading included.
    against
        Its score against marks, `None` without marks.
    """

    name: str
    score: HeardScore
    taken_s: float
    against: scoring.Against | None = None

    @property
    def onsets_s(self) -> npt.NDArray[np.float64]:
        """Its onsets in order, in seconds."""
        return np.array([note.onset_s for note in self.score.notes], np.float64)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Several detectors on one recording.

    Attributes
    ----------
    heard
        A `DetectorResult` for each detector, in the order asked.
    pairwise
        F of each with each, shape ``(k, k)``, for each of
        `scoring.WINDOWS_S`.
    alone
        For each detector, its onsets that no other has within 25 ms.
    marks, spans
        What was marked by hand, and where; `None` where nothing was.
    """

    heard: tuple[DetectorResult, ...]
    pairwise: tuple[npt.NDArray[np.float64], ...]
    alone: tuple[int, ...]
    marks: tuple[Mark, ...] | None = None
    spans: tuple[Mark, ...] | None = None


def default_detectors() -> list[str]:
    """Those of `DEFAULTS` that can be had here."""
    here = {detector.name for detector in detectors() if detector.missing is None}
    return [name for name in DEFAULTS if name in here]


def compare(
    recording: Recording,
    names: Sequence[str],
    profile: Profile | None = None,
    marks: tuple[Mark, ...] | None = None,
    spans: tuple[Mark, ...] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Comparison:
    """Hear a recording with several detectors and count how they agree.

    Parameters
    ----------
    recording
        Read once for each detector.
    names
        Detectors; each is heard once.
    marks, spans
        Marks made by hand, and the stretches that were marked.
    progress
        Called with the share done, 0 to 1.

    Raises
    ------
    UserError
        When a detector is not known or missing here, before any is run.
    """
    names = list(dict.fromkeys(names))
    for name in names:
        find_detector(name)
    heard = []
    for number, name in enumerate(names):
        part = _part(progress, number, len(names))
        before = time.process_time()
        score = transcribe(recording, profile=profile, detector=name, progress=part)
        taken_s = time.process_time() - before
        found = None
        if marks is not None:
            found = scoring.against(inside(marks, spans), inside(score.notes, spans))
        heard.append(DetectorResult(name, score, taken_s, found))
    onsets = [own.onsets_s for own in heard]
    return Comparison(
        heard=tuple(heard),
        pairwise=tuple(scoring.pairwise_f(onsets, window) for window in scoring.WINDOWS_S),
        alone=tuple(int(np.sum(backed == 0)) for backed in scoring.backing(onsets)),
        marks=marks,
        spans=spans,
    )


def _part(
    progress: Callable[[float], None] | None, number: int, count: int
) -> Callable[[float], None] | None:
    if progress is None:
        return None
    return lambda share: progress((number + share) / count)


def telling_stretch(found: Comparison, length_s: float, duration_s: float) -> tuple[float, float]:
    """The stretch of `length_s` in which detectors differ most: where to look first.

    Parameters
    ----------
    found
        What the detectors heard.
    length_s
        How long the stretch is to be.
    duration_s
        Of the whole recording.

    Returns
    -------
    from_s, until_s
        The stretch; the recording where that is shorter.
    """
    if duration_s <= length_s:
        return 0.0, duration_s
    onsets = [own.onsets_s for own in found.heard]
    disputed = [
        onsets[k][backed < len(onsets) - 1] for k, backed in enumerate(scoring.backing(onsets))
    ]
    at_s = np.sort(np.concatenate(disputed)) if disputed else np.zeros(0)
    if len(at_s) == 0:
        at_s = np.sort(np.concatenate(onsets)) if onsets else np.zeros(0)
    if len(at_s) == 0:
        return 0.0, length_s
    within = np.searchsorted(at_s, at_s + length_s) - np.arange(len(at_s))
    start_s = min(float(at_s[int(within.argmax())]), duration_s - length_s)
    return start_s, start_s + length_s


def as_json(found: Comparison) -> dict[str, object]:
    """A comparison as plain values for machines."""
    rows = []
    for own, alone in zip(found.heard, found.alone, strict=True):
        row: dict[str, object] = {
            "detector": own.name,
            "notes": len(own.score.notes),
            "alone": alone,
            "taken_s": round(own.taken_s, 3),
        }
        if own.against is not None:
            row["against_marks"] = _against_json(own.against)
        rows.append(row)
    pairs = [
        {
            "a": found.heard[a].name,
            "b": found.heard[b].name,
            **{
                f"f_{1000 * window:.0f}ms": round(float(table[a, b]), 4)
                for window, table in zip(scoring.WINDOWS_S, found.pairwise, strict=True)
            },
        }
        for a, b in itertools.combinations(range(len(found.heard)), 2)
    ]
    return {"detectors": rows, "agreement": pairs}


def _against_json(found: scoring.Against) -> dict[str, object]:
    row: dict[str, object] = {}
    for window, score in zip(scoring.WINDOWS_S, found.onsets, strict=True):
        row[f"{1000 * window:.0f}ms"] = {
            "f": round(score.f, 4),
            "precision": round(score.precision, 4),
            "recall": round(score.recall, 4),
        }
    row["onset_offset_f"] = round(found.notes.f, 4)
    for name in ("bias_ms", "spread_ms", "offsets_within_25ms"):
        value = getattr(found, name)
        row[name] = None if value is None else round(value, 4)
    return row

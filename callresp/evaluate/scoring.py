"""How far two lists of notes agree.

Goal
----
Count agreement between detectors, or between a detector and marks made by
hand, as the field does.

Conventions
-----------
The matching is that of mir_eval (Raffel et al., ISMIR 2014): two onsets agree
when they lie within a window of each other, edges included; each onset agrees
with at most one other, and as many agree as can. F is the harmonic mean of
precision and recall. A whole note agrees when its onset does, within 50 ms,
and its offset lies within 50 ms or a fifth of the reference note's length,
whichever is more (`mir_eval.transcription`, pitch left aside).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.evaluate.annotations import Timed

WINDOWS_S = (0.05, 0.025, 0.01)
NOTE_WINDOW_S = 0.05

Times = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Score:
    """Precision, recall and F; all 0 where nothing matches."""

    matched: int
    reference: int
    estimated: int

    @property
    def precision(self) -> float:
        """Share of the estimated that is right."""
        return self.matched / self.estimated if self.estimated else 0.0

    @property
    def recall(self) -> float:
        """Share of the reference that is found."""
        return self.matched / self.reference if self.reference else 0.0

    @property
    def f(self) -> float:
        """Harmonic mean of the two."""
        both = self.reference + self.estimated
        return 2 * self.matched / both if both else 0.0


def match_onsets(reference_s: Times, estimated_s: Times, window_s: float) -> list[tuple[int, int]]:
    """The largest matching of two sorted lists within a window.

    Parameters
    ----------
    reference_s, estimated_s
        Onsets in seconds, in order, shapes ``(n,)`` and ``(m,)``.
    window_s
        How far apart two may lie.

    Returns
    -------
    list of (int, int)
        Pairs of places in the two lists, in order, none crossing another.

    Examples
    --------
    >>> match_onsets(np.array([0.0, 1.0]), np.array([0.04, 0.05, 1.2]), 0.05)
    [(0, 0)]
    """
    from mir_eval.util import match_events

    pairs = match_events(reference_s, estimated_s, window_s)
    # Uncrossed, so that the gaps of pairs mean something: windows are of one width.
    mine, theirs = sorted(int(i) for i, _ in pairs), sorted(int(j) for _, j in pairs)
    return list(zip(mine, theirs, strict=True))


def score_onsets(reference_s: Times, estimated_s: Times, window_s: float) -> Score:
    """Onset score of sorted times in seconds (`mir_eval.onset.f_measure`).

    Parameters
    ----------
    reference_s, estimated_s, window_s
        As for `match_onsets`.
    """
    matched = match_onsets(reference_s, estimated_s, window_s)
    return Score(len(matched), len(reference_s), len(estimated_s))


def score_notes(reference: Times, estimated: Times) -> Score:
    """Onset-and-offset score, pitch left aside.

    Parameters
    ----------
    reference, estimated
        Onsets and offsets in seconds, in order of onset, shapes ``(n, 2)`` and ``(m, 2)``.
    """
    from mir_eval.transcription import match_notes

    # mir_eval compares each note with each: passages apart keep that small for a long recording.
    onsets_s = np.sort(np.r_[reference[:, 0], estimated[:, 0]])
    cuts_s = onsets_s[1:][np.diff(onsets_s) > 2 * NOTE_WINDOW_S]
    matched = 0
    for own, other in zip(_split(reference, cuts_s), _split(estimated, cuts_s), strict=True):
        if len(own) and len(other):
            same_pitch = np.ones(len(own)), np.ones(len(other))
            matched += len(match_notes(own, same_pitch[0], other, same_pitch[1]))
    return Score(matched, len(reference), len(estimated))


def _split(notes: Times, cuts_s: Times) -> list[Times]:
    return np.split(notes, np.searchsorted(notes[:, 0], cuts_s))


@dataclass(frozen=True, slots=True)
class Against:
    """A detector held against marks made by hand.

    Attributes
    ----------
    onsets
        Scores at each of `WINDOWS_S`.
    notes
        Onset and offset together.
    bias_ms, spread_ms
        Median of (heard minus marked) of the onsets matched at 50 ms, and the
        median distance from it.
    offsets_within_25ms
        Share of those notes whose offsets lie within 25 ms of their marks.
    """

    onsets: tuple[Score, ...]
    notes: Score
    bias_ms: float | None
    spread_ms: float | None
    offsets_within_25ms: float | None


def intervals(things: Sequence[Timed]) -> Times:
    """Onsets and offsets of notes or marks, shape ``(n, 2)``, in order of onset."""
    table = np.array([(thing.onset_s, thing.offset_s) for thing in things], np.float64)
    table = table.reshape(-1, 2)
    return table[np.argsort(table[:, 0], kind="stable")]


def against(marks: Sequence[Timed], notes: Sequence[Timed]) -> Against:
    """Score notes against marks; both cut to the spans beforehand.

    Parameters
    ----------
    marks
        What was marked by hand.
    notes
        What was heard.
    """
    reference, estimated = intervals(marks), intervals(notes)
    onsets = tuple(score_onsets(reference[:, 0], estimated[:, 0], w) for w in WINDOWS_S)
    pairs = match_onsets(reference[:, 0], estimated[:, 0], WINDOWS_S[0])
    if not pairs:
        return Against(onsets, score_notes(reference, estimated), None, None, None)
    gaps = np.array([estimated[j] - reference[i] for i, j in pairs])
    bias = float(np.median(gaps[:, 0]))
    return Against(
        onsets=onsets,
        notes=score_notes(reference, estimated),
        bias_ms=1000 * bias,
        spread_ms=1000 * float(np.median(np.abs(gaps[:, 0] - bias))),
        offsets_within_25ms=float(np.mean(np.abs(gaps[:, 1]) <= 0.025)),
    )


def pairwise_f(onsets_s: Sequence[Times], window_s: float) -> Times:
    """Agreement of every detector with every other: F, shape ``(k, k)``."""
    count = len(onsets_s)
    table = np.eye(count)
    for a in range(count):
        for b in range(a):
            table[a, b] = table[b, a] = score_onsets(onsets_s[a], onsets_s[b], window_s).f
    return table


def backing(onsets_s: Sequence[Times], window_s: float = 0.025) -> list[npt.NDArray[np.int64]]:
    """For every onset of every detector, how many other detectors have it too."""
    found = [np.zeros(len(own), np.int64) for own in onsets_s]
    for a in range(len(onsets_s)):
        for b in range(a):
            for i, j in match_onsets(onsets_s[a], onsets_s[b], window_s):
                found[a][i] += 1
                found[b][j] += 1
    return found

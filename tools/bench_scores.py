"""Measures of the listening bench, each on plain arrays or notes.

Sources: mir_eval (Raffel et al. 2014, ISMIR) for matching onsets and notes,
with its own tolerances and words; pairwise F of a grouping as in Manning,
Raghavan & Schütze 2008, Introduction to Information Retrieval, chapter 16.3.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import mir_eval
import numpy as np
import numpy.typing as npt

from callresp.io.score import Note

Floats = npt.NDArray[np.float64]
WINDOWS_S = (0.05, 0.025, 0.01)
SPAN_MARGIN_S = 0.1
OFFSET_WITHIN_S = 0.025
UNPITCHED_HZ = 1.0  # stands for "no pitch" on both sides, so that it must be heard as such
SLIP_CENTS = 600.0


@dataclass(slots=True)
class Tally:
    """Counts pooled over files."""

    matched: int = 0
    true: int = 0
    heard: int = 0

    def add(self, matched: int, true: int, heard: int) -> None:
        """Add the counts of one file."""
        self.matched += matched
        self.true += true
        self.heard += heard

    @property
    def f(self) -> float:
        """F-measure."""
        both = self.true + self.heard
        return 2 * self.matched / both if both else 1.0

    @property
    def precision(self) -> float:
        """Share of what was heard that is true."""
        return self.matched / self.heard if self.heard else 1.0

    @property
    def recall(self) -> float:
        """Share of what is true that was heard."""
        return self.matched / self.true if self.true else 1.0


@dataclass(slots=True)
class OnsetTally:
    """Onset counts at each window."""

    at: dict[float, Tally] = field(default_factory=lambda: {w: Tally() for w in WINDOWS_S})

    def add(self, true_s: Floats, heard_s: Floats) -> None:
        """Match the onsets of one file."""
        for window, tally in self.at.items():
            matched = mir_eval.util.match_events(true_s, heard_s, window)
            tally.add(len(matched), len(true_s), len(heard_s))


def within(times_s: Floats, spans_s: Sequence[tuple[float, float]]) -> npt.NDArray[np.bool_]:
    """Which times lie in a span, or within the margin of one."""
    inside = np.zeros(len(times_s), dtype=bool)
    for start, end in spans_s:
        inside |= (times_s >= start - SPAN_MARGIN_S) & (times_s <= end + SPAN_MARGIN_S)
    return inside


def distinct(onsets_s: Floats, apart_s: float = 0.002) -> Floats:
    """Onsets in order, where two parts sung at once count as one."""
    ordered = np.sort(onsets_s)
    return ordered[np.r_[True, np.diff(ordered) > apart_s]] if len(ordered) else ordered


def offsets_within(
    true: Floats, heard: Floats, window_s: float = 0.05, within_s: float = OFFSET_WITHIN_S
) -> tuple[int, int]:
    """Offsets near enough, and notes matched by onset; spans of shape ``(n, 2)``."""
    pairs = mir_eval.util.match_events(true[:, 0], heard[:, 0], window_s)
    near = sum(abs(true[i, 1] - heard[j, 1]) <= within_s for i, j in pairs)
    return near, len(pairs)


def spans(notes: Sequence[Note]) -> Floats:
    """Onsets and offsets, shape ``(n, 2)``."""
    # mir_eval wants notes of some length.
    rows = [(note.onset_s, max(note.offset_s, note.onset_s + 1e-4)) for note in notes]
    return np.array(rows, dtype=np.float64).reshape(-1, 2)


def _pitches(notes: Sequence[Note]) -> Floats:
    return np.array([note.pitch_hz or UNPITCHED_HZ for note in notes], dtype=np.float64)


def match_notes(
    true: Sequence[Note], heard: Sequence[Note], *, offsets: bool
) -> list[tuple[int, int]]:
    """Pairs of notes: onset within 50 ms, pitch within 50 cents, and perhaps offset.

    Offsets match within 20 % of the true length, or 50 ms if that is more.
    """
    if not true or not heard:
        return []
    found: list[tuple[int, int]] = mir_eval.transcription.match_notes(
        spans(true),
        _pitches(true),
        spans(heard),
        _pitches(heard),
        onset_tolerance=0.05,
        pitch_tolerance=50.0,
        offset_ratio=0.2 if offsets else None,
        offset_min_tolerance=0.05,
    )
    return found


@dataclass(slots=True)
class PitchErrors:
    """Pitch of matched notes against true tracks."""

    cents: list[float] = field(default_factory=list)
    notes: int = 0
    slips: int = 0

    def add(self, true: Sequence[Note], heard: Sequence[Note]) -> None:
        """Match by onset alone, so that a wrong pitch counts as wrong and not as missed."""
        pitched = [note for note in true if note.track]
        ours = [note for note in heard if note.track]
        for i, j in _nearest_pairs(pitched, ours):
            cents = _track_cents(pitched[i], ours[j])
            if not len(cents):
                continue
            self.notes += 1
            self.slips += abs(float(np.median(cents))) > SLIP_CENTS
            self.cents.extend(np.abs(cents).tolist())

    def summary(self) -> dict[str, float]:
        """Median error, share of points within 50 cents, share of notes off by over 600."""
        if not self.cents:
            return {"median_cents": float("nan"), "within_50": 0.0, "octave_slips": 0.0}
        return {
            "median_cents": float(np.median(self.cents)),
            "within_50": float(np.mean(np.array(self.cents) <= 50)),
            "octave_slips": self.slips / self.notes,
        }


def _nearest_pairs(true: Sequence[Note], heard: Sequence[Note]) -> list[tuple[int, int]]:
    """Notes that overlap most, each used once, onsets within 50 ms.

    Where several sing at once, the one nearest in pitch class (octaves apart
    count as near) is meant, so that an octave slip is still seen as one.
    """
    scored = []
    for i, a in enumerate(true):
        for j, b in enumerate(heard):
            if abs(a.onset_s - b.onset_s) > 0.05 or not a.pitch_hz or not b.pitch_hz:
                continue
            octaves = np.log2(b.pitch_hz / a.pitch_hz)
            away = abs(octaves - round(octaves)) + 0.05 * abs(octaves)
            if away < 0.2:
                scored.append((away, i, j))
    pairs, used_true, used_heard = [], set(), set()
    for _, i, j in sorted(scored):
        if i not in used_true and j not in used_heard:
            pairs.append((i, j))
            used_true.add(i)
            used_heard.add(j)
    return pairs


def _track_cents(true: Note, heard: Note) -> Floats:
    """Cents by which the heard track is off at each true point that both cover."""
    times, pitches = np.array(true.track).T
    their_times, theirs = np.array(heard.track).T
    covered = (times >= their_times[0]) & (times <= their_times[-1])
    if not covered.any():
        return np.zeros(0)
    found = np.interp(times[covered], their_times, theirs)
    return np.asarray(1200 * np.log2(found / pitches[covered]))


def pairwise(true_voices: Sequence[str], heard_voices: Sequence[str]) -> Tally:
    """Pairs of notes put with one singer, in truth and as heard."""

    def pairs(counts: Counter[object]) -> int:
        return sum(n * (n - 1) // 2 for n in counts.values())

    both = Counter[object](zip(true_voices, heard_voices, strict=True))
    return Tally(pairs(both), pairs(Counter(true_voices)), pairs(Counter(heard_voices)))

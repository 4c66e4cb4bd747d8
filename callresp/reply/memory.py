"""What the replier remembers: each singer's usual phrases, and how it answered them.

Two renditions of a phrase are compared by an edit distance over their steps of
pitch and time (V. I. Levenshtein 1966; R. A. Wagner and M. J. Fischer 1974).
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from callresp.io.score import Phrase

# Phrases of a singer that are kept; about a repertoire.
KEPT = 16
SAME = 0.34
# Times between onsets are told apart in fifths of an octave: one class is a tempo 15 % off.
GAP_CLASSES = 5
LEAST_GAP_S = 0.02
TIRED_S = 300.0

Signature = tuple[tuple[int, int], ...]


def signature(phrase: Phrase) -> Signature:
    """A phrase as steps of pitch (in semitones) and of time (in fifths of an octave of tempo).

    Rough enough that two renditions of one song agree, fine enough that two
    songs don't.
    """
    steps = []
    last_hz: float | None = None
    last_s = phrase.onset_s
    for note in phrase.notes:
        moved = 0
        if note.pitch_hz is not None and last_hz is not None:
            moved = round(12 * math.log2(note.pitch_hz / last_hz))
        gap = round(GAP_CLASSES * math.log2(max(note.onset_s - last_s, LEAST_GAP_S) / LEAST_GAP_S))
        steps.append((moved, gap))
        last_hz, last_s = note.pitch_hz or last_hz, note.onset_s
    return tuple(steps)


def difference(first: Signature, second: Signature, limit: float = 1.0) -> float:
    """Edit distance of two signatures over the longer's length: 0 the same, 1 nothing alike.

    Steps that differ by a semitone, or by one class of time, count as the same.
    Above `limit` any number above it may come back: most phrases differ in
    length alone by more than is asked for.
    """
    longer = max(len(first), len(second))
    if longer == 0:
        return 0.0
    if abs(len(first) - len(second)) > limit * longer:
        return 1.0
    row = list(range(len(second) + 1))
    for number, (pitch, gap) in enumerate(first, start=1):
        before, row[0] = row[0], number
        least = number
        for place, (other_pitch, other_gap) in enumerate(second, start=1):
            cost = before
            if not (-1 <= pitch - other_pitch <= 1 and -1 <= gap - other_gap <= 1):
                cost += 1
            before = row[place]
            left = row[place - 1] + 1
            up = before + 1
            cost = left if left < cost else cost
            row[place] = up if up < cost else cost
            least = row[place] if row[place] < least else least
        if least > limit * longer:
            return 1.0
    return row[-1] / longer


@dataclass(slots=True)
class _Known:
    signature: Signature
    last_rule: str = ""


@dataclass(frozen=True, slots=True)
class Recall:
    """A phrase's signature, how unlike it is to all before (1 for a first), and its like."""

    signature: Signature
    novelty: float
    known: _Known | None

    @property
    def last_rule(self) -> str:
        """The rule that answered the same call last, or "" for none."""
        return self.known.last_rule if self.known else ""


@dataclass(slots=True)
class Memory:
    """Grows with every phrase; asked before each reply."""

    _known: dict[str, deque[_Known]] = field(default_factory=dict)
    _replies: deque[float] = field(default_factory=deque)

    def recall(self, phrase: Phrase) -> Recall:
        """What is remembered of a phrase; hand it back to `heard`."""
        mark = signature(phrase)
        best, least = None, 1.0
        for known in self._known.get(phrase.voice, ()):
            far = difference(mark, known.signature, least)
            if far < least or best is None:
                best, least = known, far
        same = best if least <= SAME else None
        return Recall(mark, least if best else 1.0, same)

    def heard(self, voice: str, recall: Recall, rule: str) -> None:
        """Take note of a phrase and of the rule that answered it ("" for none)."""
        if recall.known is None:
            own = self._known.setdefault(voice, deque(maxlen=KEPT))
            own.append(_Known(recall.signature, rule))
        elif rule:
            recall.known.last_rule = rule

    def renamed(self, recall: Recall, was: str, voice: str) -> None:
        """A phrase of which note was taken turns out to be another voice's."""
        own = self._known.get(was, deque())
        found = next((one for one in own if one.signature is recall.signature), None)
        if found is not None:
            own.remove(found)
        known = self._known.setdefault(voice, deque(maxlen=KEPT))
        known.append(found or _Known(recall.signature))

    def replied(self, at_s: float) -> None:
        """Take note of a reply."""
        self._replies.append(at_s)

    def tiredness(self, at_s: float) -> int:
        """How many replies there were in the last five minutes."""
        while self._replies and self._replies[0] < at_s - TIRED_S:
            self._replies.popleft()
        return len(self._replies)

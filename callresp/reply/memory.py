"""What the replier remembers: each singer's usual phrases, and how it answered them."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from callresp.io.score import Phrase
from callresp.reply.contours import Signature, difference, signature

# Phrases of a singer that are kept; about a repertoire.
KEPT = 16
SAME = 0.34
TIRED_S = 300.0


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

    def replied(self, at_s: float) -> None:
        """Take note of a reply."""
        self._replies.append(at_s)

    def tiredness(self, at_s: float) -> int:
        """How many replies there were in the last five minutes."""
        while self._replies and self._replies[0] < at_s - TIRED_S:
            self._replies.popleft()
        return len(self._replies)

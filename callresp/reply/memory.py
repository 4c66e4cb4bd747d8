"""What the replier remembers: each singer's usual phrases, and how it answered them."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from callresp.reply.contours import Signature, difference, signature
from callresp.score import Phrase

# Phrases of a singer that are kept; about a repertoire.
KEPT = 16
SAME = 0.34
TIRED_S = 300.0


@dataclass(slots=True)
class _Known:
    signature: Signature
    last_rule: str = ""


@dataclass(slots=True)
class Memory:
    """Grows with every phrase; asked before each reply."""

    _known: dict[str, deque[_Known]] = field(default_factory=dict)
    _replies: deque[float] = field(default_factory=deque)

    def novelty(self, phrase: Phrase) -> float:
        """How unlike a phrase is to all that its singer sang before: 1 for a first phrase."""
        own = self._known.get(phrase.voice)
        if not own:
            return 1.0
        mark = signature(phrase)
        return min(difference(mark, known.signature) for known in own)

    def last_rule(self, phrase: Phrase) -> str:
        """The rule that answered the same call last, or "" for none."""
        known = self._nearest(phrase)
        return known.last_rule if known else ""

    def heard(self, phrase: Phrase, rule: str) -> None:
        """Take note of a phrase and of the rule that answered it ("" for none)."""
        known = self._nearest(phrase)
        if known is None:
            own = self._known.setdefault(phrase.voice, deque(maxlen=KEPT))
            own.append(_Known(signature(phrase), rule))
        elif rule:
            known.last_rule = rule

    def replied(self, at_s: float) -> None:
        """Take note of a reply."""
        self._replies.append(at_s)

    def tiredness(self, at_s: float) -> int:
        """How many replies there were in the last five minutes."""
        while self._replies and self._replies[0] < at_s - TIRED_S:
            self._replies.popleft()
        return len(self._replies)

    def _nearest(self, phrase: Phrase) -> _Known | None:
        mark = signature(phrase)
        best, least = None, SAME
        for known in self._known.get(phrase.voice, ()):
            far = difference(mark, known.signature)
            if far <= least:
                best, least = known, far
        return best

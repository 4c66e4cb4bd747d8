"""The machine's manners: whom it gives way to, when it keeps quiet, how much it may sound.

Everything here is causal: it uses only what was heard up to the moment in question. By it
`callresp.reply.replier` decides when a reply begins, and when it leaves off.
"""

from __future__ import annotations

import math
from collections import deque

from callresp.io.score import Phrase
from callresp.reply import silences
from callresp.reply.rules import Manners

# A voice must have been silent this long before we speak into its pause.
SETTLE_S = 0.15
# Phrases in a row cut from song without a rest: from then on its singer is one that hardly rests.
CUTS = 2
MINUTE_S = 60.0
HOUR_S = 3600.0


class Turns:
    """Keeps the machine's manners through a day that begins `hour_s` into an hour of the clock."""

    def __init__(self, manners: Manners, hour_s: float = 0.0) -> None:
        self.manners = manners
        self._hour_s = hour_s
        self._last_call_s = 0.0
        self._returned_s = -math.inf
        self.last_start_s = -math.inf
        self.last_end_s = -math.inf
        self._last_phrase = -1
        self._replies: deque[tuple[float, float]] = deque()

    def watched(self, phrase: Phrase) -> tuple[bool, str | None]:
        """Whether anyone is given way to, and who: a voice, or `None` for everyone."""
        give_way = self.manners.give_way
        return give_way != "nobody", phrase.voice if give_way == "caller" else None

    def no_gap(self, phrase: Phrase, *, sings: bool, goes_on: bool) -> str:
        """Why those who are given way to left no gap: the caller `sings`, or others."""
        if sings and goes_on:
            return silences.sings_on(phrase.voice, beneath=self.manners.sings_on == "beneath")
        if sings:
            return silences.began_again(phrase.voice, self.manners.patience_s)
        return silences.no_rest(self.manners.patience_s)

    def own_reason(self, at_s: float) -> str:
        """What the machine's own last reply was doing at a moment, where that kept it from another.

        If it had not begun by then, both calls waited for a rest, and the other got it.
        """
        if self.last_start_s > at_s:
            return silences.waiting(self._last_phrase, self.last_start_s)
        if self.last_end_s > at_s:
            return silences.answering(self._last_phrase, self.last_end_s)
        return silences.resting(self._last_phrase, self.last_end_s + self.manners.rest_s)

    def hour_was_set(self, by_s: float) -> None:
        """The time of day was set by so much: the hour's quiet share follows."""
        self._hour_s += by_s

    def quiet(self, phrase: Phrase) -> str | None:
        """Why the machine keeps quiet whatever it hears, or `None`."""
        manners = self.manners
        hour_s = (phrase.offset_s + self._hour_s) % HOUR_S
        if hour_s >= (1 - manners.quiet_share) * HOUR_S:
            return silences.quiet_hour(manners.quiet_share)
        if phrase.onset_s < self._returned_s + manners.return_s:
            return silences.come_back(manners.return_s)
        return None

    def called(self, onset_s: float) -> None:
        """Take note of the onset of a heard note; a long one is told when it ends, too."""
        if onset_s - self._last_call_s > self.manners.quiet_after_s:
            self._returned_s = onset_s
        self._last_call_s = max(self._last_call_s, onset_s)

    def share_left_s(self, at_s: float) -> float:
        """How much longer the machine may sound in the minute up to `at_s`."""
        while self._replies and self._replies[0][1] <= at_s - MINUTE_S:
            self._replies.popleft()
        used_s = sum(end - max(start, at_s - MINUTE_S) for start, end in self._replies)
        return self.manners.share_max * MINUTE_S - used_s

    def left_off(self, at_s: float) -> None:
        """The last reply is broken off then: the machine rests from there, and no more counts."""
        if at_s < self.last_end_s:
            self.last_end_s = at_s
            self._replies[-1] = (self.last_start_s, max(at_s, self.last_start_s))

    def replied(self, phrase: Phrase, start_s: float, end_s: float) -> None:
        """Take note of a reply to a phrase."""
        self._replies.append((start_s, end_s))
        self.last_start_s, self.last_end_s = start_s, end_s
        self._last_phrase = phrase.id

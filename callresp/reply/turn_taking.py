"""Turn-taking: when the machine may begin, and when it leaves off.

Everything here is causal: it uses only what was heard up to the moment in
question, so that a rehearsal at a desk and a machine in a field take their
turns alike.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from collections.abc import Iterable, Mapping, Sequence

from callresp.io.score import Note, Phrase, phrases
from callresp.listen.voices.phrases import Ending
from callresp.reply import silences
from callresp.reply.rules import Manners

# A voice must have been silent this long before we speak into its pause.
SETTLE_S = 0.15
# Phrases in a row cut from song without a rest: from then on its singer is one that hardly rests.
CUTS = 2
MINUTE_S = 60.0
HOUR_S = 3600.0

Spans = tuple[list[float], list[float]]  # rising starts, rising ends


class VoiceActivity:
    """When which voices sound; answers questions about the past and for replays.

    `notes` come in order of onset, `ends` say when each phrase was known to be over. The machine
    may sound `beneath` who hardly rests: sings on when `CUTS` phrases were cut from its song.
    Such a singer is not waited for, from then until it has rested.
    """

    def __init__(self, notes: Sequence[Note], ends: Mapping[int, Ending], *, beneath: bool) -> None:
        self._turns: dict[str, Spans] = {}  # from a phrase's onset till it was known to be over
        ignored: dict[str, Spans] = {}
        for voice, run in _by_voice(phrases(notes)).items():
            spans = [(phrase.onset_s, ends[phrase.id].known_s) for phrase in run]
            cut = [ends[phrase.id] for phrase in run]
            without = _without_rest(cut) if beneath else []
            self._turns[voice] = merged(_outside(spans, without))
            ignored[voice] = merged(without)
        by_voice: dict[str, list[tuple[float, float]]] = {}
        for note in notes:
            # A note changed by hand may have a voice that no phrase begins with.
            if not _holds(ignored.get(note.voice, ([], [])), note.onset_s):
                by_voice.setdefault(note.voice, []).append((note.onset_s, note.offset_s))
        self._sounds = {voice: merged(spans) for voice, spans in by_voice.items()}
        self._every = merged(span for spans in by_voice.values() for span in spans)

    def silent_from(self, at_s: float, caller: str, *, everyone: bool) -> float:
        """The first moment from `at_s` when the caller sings no phrase and others have settled.

        `everyone` else must have been silent for `SETTLE_S`, or nobody else need be.
        """
        while True:
            clear_s = self.turn_over(at_s, caller)
            if everyone:
                clear_s = _settled(self._every, clear_s)
            if clear_s == at_s:
                return at_s
            at_s = clear_s

    def turn_over(self, at_s: float, voice: str) -> float:
        """The first moment from `at_s` when `voice` is known to have ended its phrase."""
        starts, ends = self._turns[voice]
        number = bisect_right(starts, at_s) - 1
        return at_s if number < 0 else max(at_s, ends[number])

    def begins_after(self, at_s: float, voice: str | None) -> float | None:
        """When `voice` (or anyone) next begins after `at_s`."""
        starts, _ = self._every if voice is None else self._sounds.get(voice, ([], []))
        number = bisect_right(starts, at_s)
        return starts[number] if number < len(starts) else None


def _by_voice(run: Iterable[Phrase]) -> dict[str, list[Phrase]]:
    found: dict[str, list[Phrase]] = {}
    for phrase in run:
        found.setdefault(phrase.voice, []).append(phrase)
    return found


def _without_rest(ends: Sequence[Ending]) -> list[tuple[float, float]]:
    """Where a voice hardly rests, from when that was known to its rest."""
    found: list[tuple[float, float]] = []
    from_s: float | None = None
    cuts = 0
    for end in ends:
        cuts = cuts + 1 if end.goes_on else 0
        if cuts == CUTS:
            from_s = end.known_s
        elif not end.goes_on and from_s is not None:
            found.append((from_s, end.known_s))
            from_s = None
    return found


def _outside(
    spans: Sequence[tuple[float, float]], without: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """What of each span, from its start on, lies outside others that begin later than it."""
    found = []
    for start_s, end_s in spans:
        until_s = next((a for a, b in without if a < end_s and start_s < b), end_s)
        found.append((start_s, max(start_s, until_s)))
    return found


def _holds(spans: Spans, at_s: float) -> bool:
    starts, ends = spans
    number = bisect_right(starts, at_s) - 1
    return number >= 0 and at_s < ends[number]


def _settled(spans: Spans, at_s: float) -> float:
    """The first moment from `at_s` by which all have been silent for `SETTLE_S`."""
    starts, ends = spans
    while True:
        number = bisect_right(starts, at_s) - 1
        if number < 0 or ends[number] + SETTLE_S <= at_s:
            return at_s
        at_s = ends[number] + SETTLE_S


def merged(spans: Iterable[tuple[float, float]]) -> Spans:
    """Spans joined where they overlap or touch."""
    starts: list[float] = []
    ends: list[float] = []
    for start, end in sorted(spans):
        if ends and start <= ends[-1]:
            ends[-1] = max(ends[-1], end)
        else:
            starts.append(start)
            ends.append(end)
    return starts, ends


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

    def start(
        self, phrase: Phrase, ending: Ending, wait_s: float, activity: VoiceActivity
    ) -> float | str:
        """When a reply to `phrase` may start, or why not at all."""
        wanted_s = max(phrase.offset_s + wait_s, ending.known_s)
        free_s = self.last_end_s + self.manners.rest_s
        latest_s = wanted_s + self.manners.patience_s
        if free_s > latest_s:
            return self.own_reason(phrase.offset_s)
        watches, voice = self.watched(phrase)

        def rest_from(at_s: float) -> float:
            if not watches:
                return at_s
            return activity.silent_from(at_s, phrase.voice, everyone=voice is None)

        start_s = rest_from(max(wanted_s, free_s))
        if start_s <= latest_s:
            return start_s
        if rest_from(wanted_s) < free_s:
            # There was a rest, but in it the machine itself still sounded, or rested.
            return self.own_reason(phrase.offset_s)
        sings = activity.turn_over(latest_s, phrase.voice) > latest_s
        return self.no_gap(phrase, sings=sings, goes_on=ending.goes_on)

    def no_gap(self, phrase: Phrase, *, sings: bool, goes_on: bool) -> str:
        """Why those who are given way to left no gap: the caller `sings`, or others."""
        if sings and goes_on:
            return silences.sings_on(phrase.voice, beneath=self.manners.sings_on == "beneath")
        if sings:
            return silences.began_again(phrase.voice, self.manners.patience_s)
        return silences.no_rest(self.manners.patience_s)

    def busy(self, phrase: Phrase, known_s: float) -> str | None:
        """Why no rule could answer a phrase, or `None`: asked before anything is composed."""
        manners = self.manners
        latest_s = max(phrase.offset_s + manners.wait_s[1], known_s) + manners.patience_s
        if self.last_end_s + manners.rest_s > latest_s:
            return self.own_reason(phrase.offset_s)
        return self.quiet(phrase)

    def own_reason(self, at_s: float) -> str:
        """What the machine's own last reply was doing at a moment, where that kept it from another.

        A reply is known from when it is chosen; until it begins it only waits.
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
        """Take note of the onset of a heard note, in order of time."""
        if onset_s - self._last_call_s > self.manners.quiet_after_s:
            self._returned_s = onset_s
        self._last_call_s = onset_s

    def share_left_s(self, at_s: float) -> float:
        """How much longer the machine may sound in the minute up to `at_s`."""
        while self._replies and self._replies[0][1] <= at_s - MINUTE_S:
            self._replies.popleft()
        used_s = sum(end - max(start, at_s - MINUTE_S) for start, end in self._replies)
        return self.manners.share_max * MINUTE_S - used_s

    def interrupted(self, phrase: Phrase, start_s: float, activity: VoiceActivity) -> float | None:
        """When a reply that starts at `start_s` must have left off."""
        watches, voice = self.watched(phrase)
        if not (watches and self.manners.leave_off):
            return None
        begins_s = activity.begins_after(start_s, voice)
        return None if begins_s is None else begins_s + self.manners.reaction_s

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

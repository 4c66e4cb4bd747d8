"""Phrases: calls and bouts as a listener in the field hears them.

Goal
----
Close a singer's phrase at a rest that is long for this singer, not at a change of
syllable: offline, online and for replies by the same rule, `PhraseCloser`.

A rest closes a phrase when it is at least `rest_s` of the profile and so long that the singer
will hardly go on (`callresp.listen.voices.rests`). Only what was heard before counts, so that a
phrase heard online ends where it ends offline.

A singer that hardly rests (a lark for minutes, a cricket for hours) would keep everyone
waiting. Its phrase has a longest length. When that is reached it is cut within its
later half, at the longest gap or where the song turns to something else, and what was cut
off so is marked: the singer goes on. From then on, till it rests, its phrases are its themes:
each ends where the song has clearly turned (`callresp.listen.voices.themes`), or at the longest
length.

Conventions
-----------
Seconds; phrases are numbered from 0 in order of their first notes.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from typing import Generic, TypeVar

import msgspec
import numpy as np

from callresp.io.score import Note
from callresp.listen.notes import Rows
from callresp.listen.voices.rests import SingersGaps
from callresp.listen.voices.themes import (
    SHORTEST_S,
    NoteFeatures,
    PhraseNote,
    change,
    features_of,
    turn,
)

REST_S = 0.4
LONGEST_S = 15.0
LEAST_THEME = 0.2  # of the longest length
STEADY_S = 20.0  # a sound that goes on for longer is no call, and keeps nobody waiting

Voice = TypeVar("Voice", int, str)  # its number or its name


@dataclass(frozen=True, slots=True)
class ClosedPhrase(Generic[Voice]):
    """A phrase that has ended; `goes_on` where it was cut from song that goes on.

    `known_s` is when that could be known, by the notes' own times: when the rest had been long
    enough, or when the note had ended that made the song too long.
    """

    phrase: int
    voice: Voice
    notes: tuple[int, ...]
    goes_on: bool
    rest_s: float
    known_s: float


@dataclass(frozen=True, slots=True)
class PhraseEnding:
    """When a phrase was over, and known to be, and whether its singer went on without a rest.

    By its own notes it is over at `over_s`. It is known from `known_s` on: a sound of anybody that
    had begun before may have been its next note, until that ended, or that note came.
    """

    over_s: float
    known_s: float
    goes_on: bool


@dataclass(slots=True)
class _OpenPhrase:
    gaps: SingersGaps
    phrase: int = -1
    notes: list[PhraseNote] = field(default_factory=list)
    until_s: float = -math.inf
    goes_on: bool = False  # it has sung past the longest length, and not rested since
    known: list[NoteFeatures] = field(default_factory=list)  # of the first notes

    def song(self) -> list[NoteFeatures]:
        """Features of all its notes: most phrases end before anybody asks."""
        for n in range(len(self.known), len(self.notes)):
            self.known.append(features_of(self.notes[n], self.notes[n - 1] if n else None))
        return self.known

    def add(self, note: PhraseNote) -> None:
        """Take its next note."""
        self.notes.append(note)
        self.until_s = max(self.until_s, note.offset_s)

    def set_notes(self, notes: list[PhraseNote]) -> None:
        """Take other notes in place of its own."""
        self.notes, self.known = [], []
        for note in notes:
            self.add(note)


class PhraseCloser(Generic[Voice]):
    """Closes the phrases of all voices.

    Parameters
    ----------
    rest_s
        The shortest rest that closes a phrase.
    longest_s
        The longest a phrase may last.

    Examples
    --------
    >>> closer = PhraseCloser(0.4)
    >>> for n, at_s in enumerate((0.0, 0.2, 0.4, 2.0)):
    ...     closed = closer.heard(0, PhraseNote(n, at_s, at_s + 0.1, 11.0, -30.0))
    >>> closed[0].notes
    (0, 1, 2)
    """

    def __init__(self, rest_s: float = REST_S, longest_s: float = LONGEST_S) -> None:
        self._rest_s = rest_s
        self._longest_s = longest_s
        self._voices: dict[Voice, _OpenPhrase] = {}
        self._phrases = 0

    def heard(self, voice: Voice, note: PhraseNote) -> list[ClosedPhrase[Voice]]:
        """Take a note of a voice; returns the phrases of that voice that it shows to be over."""
        own = self._of(voice)
        gap_s = note.onset_s - own.until_s
        closed = []
        if own.notes and own.gaps.ended_by(gap_s):
            closed.append(self._rested(voice, own))
        if math.isfinite(gap_s):
            own.gaps.heard(gap_s)
        sung_s = note.onset_s - own.notes[0].onset_s if own.notes else 0.0
        if sung_s >= self._longest_s:
            closed.append(self._close(voice, own, self._turn(own), note.offset_s))
        elif own.goes_on and sung_s >= LEAST_THEME * self._longest_s and (at := turn(own.song())):
            closed.append(self._close(voice, own, at, note.offset_s))
        if not own.notes:
            own.phrase = self._new()
        own.add(note)
        return closed

    def due(self, now_s: float, begun_s: Iterable[float] = ()) -> list[Voice]:
        """Voices whose phrases are over by now.

        Sounds that have `begun_s` and still sound may each be the next note of anyone who had not
        rested for long by then, but those that have sounded for `STEADY_S`.
        """
        begun = [at_s for at_s in begun_s if now_s < at_s + STEADY_S]
        found = []
        for voice, own in self._voices.items():
            if not own.notes:
                continue
            over_s = own.until_s + own.gaps.rest_s
            if now_s >= over_s and not any(at_s < over_s for at_s in begun):
                found.append(voice)
        return found

    def silent(self, now_s: float, begun_s: Iterable[float] = ()) -> list[ClosedPhrase[Voice]]:
        """Close the phrases that are over by now; as `due`."""
        return [self._rested(voice, self._voices[voice]) for voice in self.due(now_s, begun_s)]

    def open_notes(self) -> frozenset[int]:
        """Numbers of all notes whose phrases are open."""
        return frozenset(note.number for own in self._voices.values() for note in own.notes)

    def finish(self) -> list[ClosedPhrase[Voice]]:
        """Close everything that is open."""
        return self.silent(math.inf)

    def phrase_of(self, voice: Voice) -> int:
        """The number of a voice's open phrase."""
        return self._voices[voice].phrase

    def moved(self, number: int, to: Voice) -> list[ClosedPhrase[Voice]]:
        """A note of an open phrase turns out to be another voice's."""
        found = ((own, one) for own in self._voices.values() for one in own.notes)
        own, note = next(((o, one) for o, one in found if one.number == number), (None, None))
        if own is None or note is None:
            return []
        own.until_s = -math.inf
        own.set_notes([one for one in own.notes if one is not note])
        own.phrase = own.phrase if own.notes else -1
        other: _OpenPhrase = self._of(to)
        if not other.notes or note.onset_s >= other.notes[-1].onset_s:
            return self.heard(to, note)
        other.set_notes(sorted([*other.notes, note], key=lambda one: one.onset_s))
        return []

    def forget(self, before_s: float) -> None:
        """Drop voices that have been silent since, with nothing open."""
        for voice in [v for v, o in self._voices.items() if not o.notes and o.until_s < before_s]:
            del self._voices[voice]

    def _new(self) -> int:
        self._phrases += 1
        return self._phrases - 1

    def _of(self, voice: Voice) -> _OpenPhrase:
        if voice not in self._voices:
            self._voices[voice] = _OpenPhrase(SingersGaps(self._rest_s))
        return self._voices[voice]

    def _rested(self, voice: Voice, own: _OpenPhrase) -> ClosedPhrase[Voice]:
        return self._close(voice, own, len(own.notes), None)

    def _close(
        self, voice: Voice, own: _OpenPhrase, count: int, cut_s: float | None
    ) -> ClosedPhrase[Voice]:
        """Close the first `count` notes: after a rest, or cut from song at `cut_s`."""
        numbers = tuple(note.number for note in own.notes[:count])
        rest_s = own.gaps.rest_s
        known_s = own.until_s + rest_s if cut_s is None else cut_s
        own.goes_on = cut_s is not None
        closed = ClosedPhrase(own.phrase, voice, numbers, own.goes_on, rest_s, known_s)
        own.notes, own.known = own.notes[count:], own.known[count:]
        own.phrase = self._new() if own.notes else -1
        return closed

    def _turn(self, own: _OpenPhrase) -> int:
        """How many notes of a song that goes on make its next phrase."""
        notes, song = own.notes, own.song()
        half_s = notes[0].onset_s + 0.5 * self._longest_s
        until_s = -math.inf
        best, most = len(notes), -math.inf
        for n, note in enumerate(notes):
            if n and note.onset_s >= half_s:
                gap_s = max(note.onset_s - until_s, SHORTEST_S)
                weight = math.log(gap_s) + math.log1p(change(song, n))
                if weight > most:
                    best, most = n, weight
            until_s = max(until_s, note.offset_s)
        return best


def place_of(pitch_hz: float | None, low_hz: float, high_hz: float) -> float:
    """Log2 of a note's pitch, or of the middle of its band.

    Parameters
    ----------
    pitch_hz
        The note's pitch; `None` where it has none.
    low_hz, high_hz
        The band that it fills.

    Returns
    -------
    float
        Log2 of a frequency in Hz.
    """
    if pitch_hz is not None and pitch_hz > 0:
        return math.log2(pitch_hz)
    return 0.5 * math.log2(max(low_hz, 1.0) * max(high_hz, 1.0))


def sung_of(note: Note, number: int) -> PhraseNote:
    """A note as phrases take it, by a number of its own."""
    place = place_of(note.pitch_hz, note.low_hz, note.high_hz)
    return PhraseNote(number, note.onset_s, note.offset_s, place, note.level_db)


def close_phrases(notes: Rows, rest_s: float, longest_s: float = LONGEST_S) -> Rows:
    """A copy of notes that have their voices, with `phrase` filled in, from 0 in order of onset.

    `rest_s` and `longest_s` are those of `PhraseCloser`.
    """
    notes = notes.copy()
    columns = ("onset_s", "offset_s", "pitch_hz", "low_hz", "high_hz", "level_db", "voice")
    rows = zip(*(notes[name].tolist() for name in columns), strict=True)
    sung = (
        (voice, PhraseNote(n, onset, offset, place_of(pitch, low, high), level))
        for n, (onset, offset, pitch, low, high, level, voice) in enumerate(rows)
    )
    phrase = notes["phrase"]
    for one in _closed(PhraseCloser[int](rest_s, longest_s), sung):
        phrase[list(one.notes)] = one.phrase
    if len(notes):
        _, first, inverse = np.unique(notes["phrase"], return_index=True, return_inverse=True)
        rank = np.empty(len(first), np.int32)
        rank[np.argsort(first)] = np.arange(len(first), dtype=np.int32)
        notes["phrase"] = rank[inverse]
    return notes


def phrased(
    notes: Sequence[Note], rest_s: float = REST_S, longest_s: float = LONGEST_S
) -> tuple[Note, ...]:
    """Notes in order of onset with their phrases closed anew, as after a correction by hand.

    Parameters
    ----------
    notes
        Of all singers, in order of onset.
    rest_s
        A rest that closes a phrase of one of whom nothing is known yet.
    longest_s
        No phrase lasts longer.

    Returns
    -------
    tuple of Note
        With new phrase numbers.
    """
    number = {n: one.phrase for one in _all_closed(notes, rest_s, longest_s) for n in one.notes}
    return tuple(msgspec.structs.replace(note, phrase=number[n]) for n, note in enumerate(notes))


def endings(
    notes: Sequence[Note], rest_s: float = REST_S, longest_s: float = LONGEST_S
) -> dict[int, PhraseEnding]:
    """When each phrase of a score was known to be over, by `PhraseCloser.due` as the notes came.

    Parameters
    ----------
    notes
        In order of onset, with their phrases.
    rest_s, longest_s
        What the phrases were closed by. A phrase that was not (one marked by hand) counts as
        over `rest_s` after its end, or when its voice goes on.

    Returns
    -------
    dict of int to PhraseEnding
        By the phrase's number.
    """
    told = {one.notes: one for one in _all_closed(notes, rest_s, longest_s)}
    members: dict[int, list[int]] = {}
    after: dict[int, Note] = {}  # with which the voice goes on behind each phrase
    latest: dict[str, int] = {}
    for n, note in enumerate(notes):
        members.setdefault(note.phrase, []).append(n)
        before = latest.get(note.voice, note.phrase)
        if before != note.phrase:
            after.setdefault(before, note)
        latest[note.voice] = note.phrase
    found = {}
    onsets = [note.onset_s for note in notes]
    ends = (min(note.offset_s, note.onset_s + STEADY_S) for note in notes)
    sounds_until = list(accumulate(ends, max))
    for phrase, run in members.items():
        closed = told.get(tuple(run))
        until_s = max(notes[n].offset_s for n in run)
        goes_on_s, shown_s = math.inf, math.inf
        if phrase in after:
            goes_on_s, shown_s = after[phrase].onset_s, after[phrase].offset_s
        rested_s = min(until_s + rest_s, goes_on_s)
        over_s = max(until_s, rested_s if closed is None else closed.known_s)
        goes_on = closed is not None and closed.goes_on
        last_s = over_s if goes_on else sounds_until[bisect_left(onsets, over_s) - 1]
        found[phrase] = PhraseEnding(over_s, max(over_s, min(last_s, shown_s)), goes_on)
    return found


def _all_closed(notes: Sequence[Note], rest_s: float, longest_s: float) -> list[ClosedPhrase[str]]:
    """The phrases of notes in order of onset, by their places in it."""
    sung = ((note.voice, sung_of(note, n)) for n, note in enumerate(notes))
    return _closed(PhraseCloser[str](rest_s, longest_s), sung)


def _closed(
    closer: PhraseCloser[Voice], sung: Iterable[tuple[Voice, PhraseNote]]
) -> list[ClosedPhrase[Voice]]:
    closed: list[ClosedPhrase[Voice]] = []
    for voice, note in sung:
        closed += closer.heard(voice, note)
    closed += closer.finish()
    return closed

"""Phrases: calls and bouts as a listener in the field hears them.

Goal
----
Close a singer's phrase at a rest that is long for this singer, not at a change of
syllable: offline, online and for replies by the same rule, `PhraseCloser`.

A rest closes a phrase when it is at least `rest_s` of the profile and lies beyond the
singer's usual gaps: from `rest_s` on, the first length at which the singer hardly ever
pauses. Only what was heard before counts, so that a phrase heard online ends where it ends
offline.

A singer that hardly rests (a lark for minutes, a cricket for hours) would keep everyone
waiting. Its phrase has a longest length. When that is reached it is cut within its
later half, at the longest gap or where the song turns to something else, and what was cut
off so is marked: the singer goes on.

Conventions
-----------
Seconds; phrases are numbered from 0 in order of their first notes.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from statistics import fmean
from typing import Generic, TypeVar

import msgspec
import numpy as np

from callresp.io.score import Note
from callresp.listen.notes import Rows

REST_S = 0.4
LONGEST_S = 15.0
GAPS_KEPT = 48
STEPS = 10  # a quarter of an octave each: from rest_s to nearly five times as long
NEAR_LN = 0.5 * math.log(2.0)  # gaps within half an octave of a rest are like it
STEP_COST = 0.02  # of the gaps; of rests that are as rare, the shortest
THEME = 4  # notes on either side of a turn
THEME_SPREAD = (0.3, 4.0, 0.35)  # octaves, dB and ln of the length that make a turn
SHORTEST_S = 0.004

Voice = TypeVar("Voice", int, str)  # its number or its name


@dataclass(frozen=True, slots=True)
class Sung:
    """What phrases are made of: a note's number, its times, place (log2 Hz) and level."""

    number: int
    onset_s: float
    offset_s: float
    place: float
    level_db: float


@dataclass(frozen=True, slots=True)
class Closed(Generic[Voice]):
    """A phrase that has ended; `goes_on` where it was cut from song that goes on."""

    phrase: int
    voice: Voice
    notes: tuple[int, ...]
    goes_on: bool
    rest_s: float


@dataclass(slots=True)
class _Open:
    phrase: int = -1
    notes: list[Sung] = field(default_factory=list)
    until_s: float = -math.inf
    gaps: deque[float] = field(default_factory=lambda: deque(maxlen=GAPS_KEPT))


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
    ...     closed = closer.heard(0, Sung(n, at_s, at_s + 0.1, 11.0, -30.0))
    >>> closed[0].notes
    (0, 1, 2)
    """

    def __init__(self, rest_s: float = REST_S, longest_s: float = LONGEST_S) -> None:
        self._rest_s = rest_s
        self._longest_s = longest_s
        self._voices: dict[Voice, _Open] = {}
        self._phrases = 0

    def heard(self, voice: Voice, note: Sung) -> list[Closed[Voice]]:
        """Take a note of a voice; returns the phrases of that voice that it shows to be over."""
        own = self._voices.setdefault(voice, _Open())
        gap_s = note.onset_s - own.until_s
        closed = []
        if own.notes and gap_s >= self._rest_of(own):
            closed.append(self._close(voice, own, len(own.notes), goes_on=False))
        if math.isfinite(gap_s):
            own.gaps.append(math.log(max(gap_s, SHORTEST_S)))
        if own.notes and note.onset_s - own.notes[0].onset_s >= self._longest_s:
            closed.append(self._close(voice, own, self._turn(own.notes), goes_on=True))
        if not own.notes:
            own.phrase = self._new()
        own.notes.append(note)
        own.until_s = max(own.until_s, note.offset_s)
        return closed

    def due(self, now_s: float, begun_s: Iterable[float] = ()) -> list[Voice]:
        """Voices whose phrases are over by now.

        Parameters
        ----------
        now_s
            The moment that was heard up to.
        begun_s
            When sounds began that still sound: each may be the next note of anyone who had
            not rested for long by then.
        """
        begun = list(begun_s)
        found = []
        for voice, own in self._voices.items():
            if not own.notes:
                continue
            over_s = own.until_s + self._rest_of(own)
            if now_s >= over_s and not any(at_s < over_s for at_s in begun):
                found.append(voice)
        return found

    def silent(self, now_s: float, begun_s: Iterable[float] = ()) -> list[Closed[Voice]]:
        """Close the phrases that are over by now; as `due`."""
        owns = [(voice, self._voices[voice]) for voice in self.due(now_s, begun_s)]
        return [self._close(voice, own, len(own.notes), goes_on=False) for voice, own in owns]

    def open_notes(self) -> frozenset[int]:
        """Numbers of all notes whose phrases are open."""
        return frozenset(note.number for own in self._voices.values() for note in own.notes)

    def finish(self) -> list[Closed[Voice]]:
        """Close everything that is open."""
        return self.silent(math.inf)

    def phrase_of(self, voice: Voice) -> int:
        """The number of a voice's open phrase."""
        return self._voices[voice].phrase

    def rest_of(self, voice: Voice) -> float:
        """The rest that closes a phrase of this voice, as far as it is known."""
        return self._rest_of(self._voices[voice]) if voice in self._voices else self._rest_s

    def moved(self, number: int, to: Voice) -> list[Closed[Voice]]:
        """A note of an open phrase turns out to be another voice's."""
        found = ((own, one) for own in self._voices.values() for one in own.notes)
        own, note = next(((o, one) for o, one in found if one.number == number), (None, None))
        if own is None or note is None:
            return []
        own.notes.remove(note)
        own.until_s = max((one.offset_s for one in own.notes), default=-math.inf)
        own.phrase = own.phrase if own.notes else -1
        other = self._voices.setdefault(to, _Open())
        if not other.notes or note.onset_s >= other.notes[-1].onset_s:
            return self.heard(to, note)
        other.notes.append(note)
        other.notes.sort(key=lambda one: one.onset_s)
        other.until_s = max(other.until_s, note.offset_s)
        return []

    def forget(self, before_s: float) -> None:
        """Drop voices that have been silent since, with nothing open."""
        for voice in [v for v, o in self._voices.items() if not o.notes and o.until_s < before_s]:
            del self._voices[voice]

    def _new(self) -> int:
        self._phrases += 1
        return self._phrases - 1

    def _rest_of(self, own: _Open) -> float:
        if not own.gaps:
            return self._rest_s
        gaps = np.array(own.gaps)
        rests = math.log(self._rest_s) + 0.25 * math.log(2.0) * np.arange(STEPS)
        near = np.abs(gaps - rests[:, None]) < NEAR_LN
        cost = near.sum(axis=1) / (len(gaps) + 4.0) + STEP_COST * np.arange(STEPS)
        return float(math.exp(rests[int(cost.argmin())]))

    def _close(self, voice: Voice, own: _Open, count: int, *, goes_on: bool) -> Closed[Voice]:
        numbers = tuple(note.number for note in own.notes[:count])
        closed = Closed(own.phrase, voice, numbers, goes_on, self._rest_of(own))
        own.notes = own.notes[count:]
        own.phrase = self._new() if own.notes else -1
        return closed

    def _turn(self, notes: list[Sung]) -> int:
        """How many notes of a song that goes on make its next phrase."""
        half_s = notes[0].onset_s + 0.5 * self._longest_s
        until_s = -math.inf
        best, most = len(notes), -math.inf
        for n, note in enumerate(notes):
            if n and note.onset_s >= half_s:
                weight = math.log(max(note.onset_s - until_s, SHORTEST_S)) + _change(notes, n)
                if weight > most:
                    best, most = n, weight
            until_s = max(until_s, note.offset_s)
        return best


def _change(notes: list[Sung], n: int) -> float:
    """How much the song turns to something else before note `n`; 0 for not at all."""
    before, after = notes[max(0, n - THEME) : n], notes[n : n + THEME]
    total = 0.0
    for spread, was, becomes in zip(THEME_SPREAD, _middle(before), _middle(after), strict=True):
        total += math.log1p(abs(was - becomes) / spread)
    return total


def _middle(notes: list[Sung]) -> tuple[float, float, float]:
    """Mean place, level and ln of the length."""
    lengths = [math.log(max(note.offset_s - note.onset_s, SHORTEST_S)) for note in notes]
    return (
        fmean(note.place for note in notes),
        fmean(note.level_db for note in notes),
        fmean(lengths),
    )


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


def close_phrases(notes: Rows, rest_s: float, longest_s: float = LONGEST_S) -> Rows:
    """Number the phrases, in order of their onset.

    Parameters
    ----------
    notes
        Rows of `NOTE` in order of onset, with `voice` filled in.
    rest_s
        A silence of one voice at least this long closes its phrase.
    longest_s
        No phrase lasts much longer.

    Returns
    -------
    Rows
        A copy with `phrase` filled in, from 0.
    """
    notes = notes.copy()
    closer = PhraseCloser[int](rest_s, longest_s)
    closed: list[Closed[int]] = []
    columns = ("onset_s", "offset_s", "pitch_hz", "low_hz", "high_hz", "level_db", "voice")
    for n, values in enumerate(zip(*(notes[name].tolist() for name in columns), strict=True)):
        onset, offset, pitch, low, high, level, voice = values
        note = Sung(n, onset, offset, place_of(pitch, low, high), level)
        closed += closer.heard(voice, note)
    for one in [*closed, *closer.finish()]:
        notes["phrase"][list(one.notes)] = one.phrase
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
    closer = PhraseCloser[str](rest_s, longest_s)
    closed = []
    for n, note in enumerate(notes):
        place = place_of(note.pitch_hz, note.low_hz, note.high_hz)
        sung = Sung(n, note.onset_s, note.offset_s, place, note.level_db)
        closed += closer.heard(note.voice, sung)
    number = {n: one.phrase for one in [*closed, *closer.finish()] for n in one.notes}
    return tuple(msgspec.structs.replace(note, phrase=number[n]) for n, note in enumerate(notes))

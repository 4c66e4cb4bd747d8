"""The online listener: note onsets within milliseconds, and each note once it has ended.

Goal
----
The same causal analysis as offline, fed by small blocks. An onset is reported
at once, so that a reply can wait or break off; the note follows when it has
ended and its neighbours are known.

Conventions
-----------
- Each `NoteOnset` has a key of its own, and exactly one `NoteEnd` with that key
  follows: with the note, or with `None` where the sound was no note after all
  or became part of another note. A note whose onset was not reported comes as a
  `NoteEnd` alone, with a new key.
- Times are seconds on the caller's clock: `Listener.restart` says what time the
  next sample has. Keys and note ids count through all restarts. Nobody further
  on needs to stamp a note anew.
- Voices and phrases are named as offline. A phrase is over when the rest after it is long for
  its singer (`callresp.listen.voices.phrases`), and that is told then, not when the next one
  begins. Two birds are often told apart only when each has come back: a note's voice may change
  (`VoiceChange`) till its phrase has ended (`PhraseEnd`), and then with the whole phrase till
  `Listener.settle` is told that it was answered, or `HISTORY` notes more were heard.
- The noise floor is learned while listening: nothing is reported in the first
  `SETTLE_S` after a restart.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np

from callresp.errors import UserError
from callresp.io.audio import checked_rate
from callresp.io.score import Note
from callresp.listen.note_stream import Block, NoteStream, StreamOutput
from callresp.listen.notes import NoteTable, Rows, to_notes, voice_name
from callresp.listen.profile import Profile, load_profile
from callresp.listen.voices.assign import singer_settings
from callresp.listen.voices.online_voices import HISTORY, VoiceTracker
from callresp.listen.voices.phrases import ClosedPhrase, PhraseCloser, place_of, sung_of

PATIENCE_S = 0.06  # for which a finished note waits for its neighbours
SETTLE_S = 0.25
LATELY_S = 1.0  # who sang within this may be who begins
FRESH = 8  # notes that are looked at again before a phrase is closed
SAME_BAND = 1.1  # by which a fragment may stick out of the band of its croak
SAME_ONSET_S = 0.05  # a reported onset and a note of one group, this near, are the same


@dataclass(frozen=True, slots=True)
class NoteOnset:
    """A sound has begun; `voice` is a guess until it has ended."""

    key: int
    onset_s: float
    pitch_hz: float | None
    low_hz: float
    high_hz: float
    level_db: float
    voice: str


@dataclass(frozen=True, slots=True)
class NoteEnd:
    """A sound has ended: as a note, or (`None`) as nothing."""

    key: int
    note: Note | None


@dataclass(frozen=True, slots=True)
class VoiceChange:
    """A note that has ended turns out to be another voice's; where its phrase has, all of it."""

    note: int
    voice: str


@dataclass(frozen=True, slots=True)
class PhraseEnd:
    """A phrase has ended; from now on its notes keep together.

    `goes_on` where it was cut from song without a rest. `rest_s` is the silence that it was
    known by.
    """

    phrase: int
    voice: str
    notes: tuple[int, ...]
    goes_on: bool
    rest_s: float


Event = NoteOnset | NoteEnd | VoiceChange | PhraseEnd


class Listener:
    """Hears a stream block by block.

    Parameters
    ----------
    sample_rate_hz
        Of the stream.
    profile
        What to listen for: a shipped profile's name, a TOML file, or a `Profile`; the general one
        by default.

    Raises
    ------
    UserError
        When there is no such profile, or the rate is no whole number or too low for its band.

    Examples
    --------
    >>> listener = Listener(48000)
    >>> listener.push(np.zeros(240, np.float32))
    []
    """

    def __init__(self, sample_rate_hz: int, profile: str | Path | Profile | None = None) -> None:
        self.sample_rate_hz = checked_rate(sample_rate_hz)
        if not isinstance(profile, Profile):
            profile = load_profile(None if profile is None else str(profile))
        self.profile = profile
        self._next_key = 0
        self._next_note = 0
        self._next_phrase = 0
        self.restart()

    def restart(self, at_s: float = 0.0) -> None:
        """Forget the place and its singers; the next sample is that of `at_s` on the clock.

        Call `finish` before, or what is still open never ends.
        """
        self._zero_s = at_s
        self._stream = NoteStream(self.sample_rate_hz, self.profile, PATIENCE_S)
        self._tracker = VoiceTracker(regroup=False, settings=singer_settings(self.profile))
        self._closer = PhraseCloser[int](self.profile.rest_s, self.profile.longest_phrase_s)
        self._latest: dict[int, tuple[float, float]] = {}  # place and offset by voice
        self._first_note = self._next_note
        self._first_phrase = self._next_phrase
        # Phrases that ended lately and were not answered, and notes that were.
        self._ended: deque[tuple[int, ...]] = deque()
        self._settled: set[int] = set()
        # Onsets reported and not ended, by the number of their group, in order of onset.
        self._open: dict[int, list[NoteOnset]] = {}
        self._since_regrouped = 0
        self._heard_s = 0.0

    def push(self, block: Block) -> list[Event]:
        """Hear a block, shape ``(n,)``; returns what began and what ended by it.

        Samples that are not numbers are taken as silence.

        Raises
        ------
        UserError
            When these are no floats of that shape.
        """
        block = np.asarray(block)
        if block.ndim != 1 or block.dtype.kind != "f":
            raise UserError(
                f"a block of type {block.dtype} and shape {block.shape}",
                argument="block",
                remedy="give floats of shape (n,), full scale ±1; of several channels, one",
            )
        if not np.isfinite(block).all():
            block = np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
        events = [event for out in self._stream.push(block) for event in self._events(out)]
        self._heard_s += len(block) / self.sample_rate_hz
        return events + self._phrase_ends()

    def settle(self, notes: Iterable[int]) -> None:
        """Notes, by id, were answered: their voices change no more, nor those of their phrases."""
        self._settled.update(number - self._first_note for number in notes)

    def finish(self) -> list[Event]:
        """End everything that is open."""
        nothing = np.zeros(0, np.float32)
        last = self._stream.push(nothing, last=True)
        events = [event for out in last for event in self._events(out)]
        events += self._regrouped()
        return events + [self._told(closed) for closed in self._closer.finish()]

    def _events(self, out: StreamOutput) -> list[Event]:
        events: list[Event] = []
        if len(out.onsets):
            events += self._onsets(out.onsets)
        if len(out.notes):
            events += self._ends(out)
        if self._open:
            events += self._came_to_nothing()
        elif self._tracker.due():
            # Takes some milliseconds, so it waits for a moment in which nobody sings.
            events += self._regrouped()
        return events

    def _phrase_ends(self) -> list[Event]:
        begun_s = [one.onset_s - self._zero_s for begun in self._open.values() for one in begun]
        if not self._closer.due(self._heard_s, begun_s):
            return []
        events: list[Event] = self._regrouped() if self._since_regrouped >= FRESH else []
        return events + [self._told(one) for one in self._closer.silent(self._heard_s, begun_s)]

    def _told(self, closed: ClosedPhrase[int]) -> PhraseEnd:
        self._ended.append(closed.notes)
        return PhraseEnd(
            phrase=closed.phrase + self._first_phrase,
            voice=voice_name(closed.voice),
            notes=tuple(number + self._first_note for number in closed.notes),
            goes_on=closed.goes_on,
            rest_s=closed.rest_s,
        )

    def _regrouped(self) -> list[Event]:
        """Look again at who sang the latest notes; says whose notes of open phrases are now."""
        self._since_regrouped = 0
        open_notes = self._closer.open_notes()
        since = self._next_note - self._first_note - HISTORY
        while self._ended and self._ended[0][0] < since:
            self._ended.popleft()
        since = min([since, *open_notes])
        self._settled = {number for number in self._settled if number >= since}
        together = [run for run in self._ended if self._settled.isdisjoint(run)]
        unsettled = open_notes - self._settled
        events: list[Event] = []
        for number, voice in self._tracker.regroup(unsettled, together).items():
            if number in unsettled:
                events += [self._told(one) for one in self._closer.moved(number, voice)]
            events.append(VoiceChange(number + self._first_note, voice_name(voice)))
        return events

    def _onsets(self, rows: Rows) -> list[NoteOnset]:
        found = []
        bin_hz = self._stream.setup.bin_hz
        for frame, group, moved_from, freq, low, high, level_db in rows.tolist():
            if moved_from >= 0:
                self._move(moved_from, group)
                continue
            onset_s = frame / self._stream.setup.frames_per_s
            if onset_s < SETTLE_S:
                continue
            pitch_hz = freq * bin_hz if freq > 0 else None
            onset = NoteOnset(
                key=self._new_key(),
                onset_s=onset_s + self._zero_s,
                pitch_hz=pitch_hz,
                low_hz=low * bin_hz,
                high_hz=high * bin_hz,
                level_db=level_db,
                voice=self._likely_voice(onset_s, place_of(pitch_hz, low * bin_hz, high * bin_hz)),
            )
            self._open.setdefault(group, []).append(onset)
            found.append(onset)
        return found

    def _move(self, moved_from: int, group: int) -> None:
        """Onsets reported under one number turn out to be those of another group."""
        if moved_from in self._open:
            onsets = self._open.setdefault(group, [])
            onsets += self._open.pop(moved_from)
            onsets.sort(key=lambda onset: onset.onset_s)

    def _ends(self, out: StreamOutput) -> list[Event]:
        events: list[Event] = []
        notes, features, track = out.notes.notes, out.notes.features, out.notes.track
        for i in np.argsort(notes["onset_s"], kind="stable").tolist():
            if notes["onset_s"][i] < SETTLE_S:
                continue
            row = notes[i : i + 1].copy()
            row["voice"] = self._tracker.assign(row, features[i : i + 1].copy())
            note, closed = self._phrased(
                to_notes(NoteTable(row, features[i : i + 1], track))[0], row
            )
            key = self._key_of(int(out.groups[i]), note, events)
            events.append(NoteEnd(key, note))
            events += [self._told(one) for one in closed]
            self._since_regrouped += 1
        return events

    def _phrased(self, note: Note, row: Rows) -> tuple[Note, list[ClosedPhrase[int]]]:
        """The note with its id and its phrase, on the caller's clock, and phrases now over."""
        voice = int(row["voice"][0])
        sung = sung_of(note, self._next_note - self._first_note)
        _, until_s = self._latest.get(voice, (sung.place, note.offset_s))
        self._latest[voice] = (sung.place, max(until_s, note.offset_s))
        closed = self._closer.heard(voice, sung)
        phrase = self._closer.phrase_of(voice) + self._first_phrase
        self._next_phrase = max(self._next_phrase, phrase + 1)
        self._next_note += 1
        zero_s = self._zero_s
        stamped = msgspec.structs.replace(
            note,
            id=self._next_note - 1,
            phrase=phrase,
            onset_s=note.onset_s + zero_s,
            offset_s=note.offset_s + zero_s,
            track=tuple((at_s + zero_s, hz) for at_s, hz in note.track),
        )
        return stamped, closed

    def _likely_voice(self, onset_s: float, place: float) -> str:
        """Who begins: of those who sang just now, else of all, the nearest in pitch."""
        lately = {v: at for v, at in self._latest.items() if onset_s - at[1] < LATELY_S}
        among = lately or self._latest
        if not among:
            return voice_name(0)
        return voice_name(min(among, key=lambda voice: abs(among[voice][0] - place)))

    def _key_of(self, group: int, note: Note, ends: list[Event]) -> int:
        """The key of the onset that became this note; earlier ones of the group were none."""
        waiting = self._open.get(group, [])
        while waiting and waiting[0].onset_s < note.onset_s - SAME_ONSET_S:
            ends.append(NoteEnd(waiting.pop(0).key, None))
        if waiting and waiting[0].onset_s <= note.onset_s + SAME_ONSET_S:
            return waiting.pop(0).key
        return self._key_of_fragment(note) if note.pitch_hz is None else self._new_key()

    def _key_of_fragment(self, note: Note) -> int:
        """A new key, or that of a fragment of a croak which was reported in place of the first."""
        low_hz, high_hz = note.low_hz / SAME_BAND, note.high_hz * SAME_BAND
        for waiting in self._open.values():
            for onset in waiting:
                near = abs(onset.onset_s - note.onset_s) <= SAME_ONSET_S
                if near and onset.pitch_hz and low_hz < onset.pitch_hz < high_hz:
                    waiting.remove(onset)
                    return onset.key
        return self._new_key()

    def _came_to_nothing(self) -> list[NoteEnd]:
        """End the onsets of groups that can give no more notes."""
        open_groups = self._stream.open_groups()
        gone = [group for group in self._open if group not in open_groups]
        return [NoteEnd(onset.key, None) for group in gone for onset in self._open.pop(group)]

    def _new_key(self) -> int:
        self._next_key += 1
        return self._next_key - 1

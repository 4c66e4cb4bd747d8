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
- Voices and phrases are named as offline, but a name once given stays.
- The noise floor is learned while listening: nothing is reported in the first
  `SETTLE_S` after a restart.
"""

from __future__ import annotations

from dataclasses import dataclass

import msgspec
import numpy as np

from callresp.io.score import Note
from callresp.listen.note_stream import Block, NoteStream, StreamOutput
from callresp.listen.notes import NoteTable, Rows, to_notes, voice_name
from callresp.listen.profile import Profile
from callresp.listen.voices.online_voices import VoiceTracker

PATIENCE_S = 0.06  # for which a finished note waits for its neighbours
SETTLE_S = 0.25
REGROUP_AFTER = 20  # notes
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


Event = NoteOnset | NoteEnd


class Listener:
    """Hears a stream block by block.

    Parameters
    ----------
    sample_rate_hz
        Of the stream.
    profile
        What to listen for; `None` for the general profile.

    Examples
    --------
    >>> listener = Listener(48000)
    >>> listener.push(np.zeros(240, np.float32))
    []
    """

    def __init__(self, sample_rate_hz: int, profile: Profile | None = None) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.profile = profile or Profile()
        self._next_key = 0
        self._next_note = 0
        self.restart()

    def restart(self, at_s: float = 0.0) -> None:
        """Forget the place and its singers; the next sample is that of `at_s` on the clock.

        Call `finish` before, or what is still open never ends.
        """
        self._zero_s = at_s
        self._stream = NoteStream(self.sample_rate_hz, self.profile, PATIENCE_S)
        self._tracker = VoiceTracker(regroup=False)
        self._phrases = _Phrases(self.profile.rest_s)
        # Onsets reported and not ended, by the number of their group, in order of onset.
        self._open: dict[int, list[NoteOnset]] = {}
        self._since_regrouped = 0

    def push(self, block: Block) -> list[Event]:
        """Hear a block, shape ``(n,)``; returns what began and what ended by it.

        Samples that are not numbers are taken as silence.
        """
        if not np.isfinite(block).all():
            block = np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
        return [event for out in self._stream.push(block) for event in self._events(out)]

    def finish(self) -> list[Event]:
        """End everything that is open."""
        nothing = np.zeros(0, np.float32)
        last = self._stream.push(nothing, last=True)
        return [event for out in last for event in self._events(out)]

    def _events(self, out: StreamOutput) -> list[Event]:
        events: list[Event] = []
        if len(out.onsets):
            events += self._onsets(out.onsets)
        if len(out.notes):
            events += self._ends(out)
        if self._open:
            events += self._came_to_nothing()
        elif self._since_regrouped >= REGROUP_AFTER:
            # Takes some milliseconds, so it waits for a moment in which nobody sings.
            self._tracker.regroup()
            self._since_regrouped = 0
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
                voice=self._phrases.nearest_voice(pitch_hz or 0.5 * (low + high) * bin_hz),
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

    def _ends(self, out: StreamOutput) -> list[NoteEnd]:
        ends: list[NoteEnd] = []
        notes, features, track = out.notes.notes, out.notes.features, out.notes.track
        for i in np.argsort(notes["onset_s"], kind="stable").tolist():
            if notes["onset_s"][i] < SETTLE_S:
                continue
            row = notes[i : i + 1].copy()
            row["voice"] = self._tracker.assign(row, features[i : i + 1].copy())
            note = self._stamped(to_notes(NoteTable(row, features[i : i + 1], track))[0])
            key = self._key_of(int(out.groups[i]), note.onset_s, ends)
            ends.append(NoteEnd(key, note))
            self._since_regrouped += 1
        return ends

    def _stamped(self, note: Note) -> Note:
        """The note with its id and its phrase, on the caller's clock."""
        phrase = self._phrases.phrase_of(note)
        zero_s = self._zero_s
        self._next_note += 1
        return msgspec.structs.replace(
            note,
            id=self._next_note - 1,
            phrase=phrase,
            onset_s=note.onset_s + zero_s,
            offset_s=note.offset_s + zero_s,
            track=tuple((at_s + zero_s, hz) for at_s, hz in note.track),
        )

    def _key_of(self, group: int, onset_s: float, ends: list[NoteEnd]) -> int:
        """The key of the onset that became this note; earlier ones of the group were none."""
        waiting = self._open.get(group, [])
        while waiting and waiting[0].onset_s < onset_s - SAME_ONSET_S:
            ends.append(NoteEnd(waiting.pop(0).key, None))
        if waiting and waiting[0].onset_s <= onset_s + SAME_ONSET_S:
            return waiting.pop(0).key
        return self._new_key()

    def _came_to_nothing(self) -> list[NoteEnd]:
        """End the onsets of groups that can give no more notes."""
        open_groups = self._stream.open_groups()
        gone = [group for group in self._open if group not in open_groups]
        return [NoteEnd(onset.key, None) for group in gone for onset in self._open.pop(group)]

    def _new_key(self) -> int:
        self._next_key += 1
        return self._next_key - 1


class _Phrases:
    """The latest pitch, offset and phrase of each voice."""

    def __init__(self, rest_s: float) -> None:
        self._rest_s = rest_s
        self._latest: dict[str, tuple[float, float, int]] = {}
        self._count = 0

    def nearest_voice(self, hz: float) -> str:
        """The voice whose latest note lay nearest in pitch."""
        if not self._latest:
            return voice_name(0)
        return min(self._latest, key=lambda name: abs(np.log2(self._latest[name][0] / hz)))

    def phrase_of(self, note: Note) -> int:
        """Number of the note's phrase: a new one where its voice has rested."""
        _, offset_s, phrase = self._latest.get(note.voice, (0.0, -np.inf, -1))
        if note.onset_s - offset_s >= self._rest_s:
            phrase = self._count
            self._count += 1
        hz = note.pitch_hz or max(1.0, 0.5 * (note.low_hz + note.high_hz))
        self._latest[note.voice] = (hz, max(offset_s, note.offset_s), phrase)
        return phrase

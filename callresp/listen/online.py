"""The listener of a microphone: starts within milliseconds, notes when they end.

Goal
----
The same causal core as offline, fed by small blocks. What begins is told at
once, so that an answer can wait or leave off; the note follows when it has
ended and its neighbours are known.

Conventions
-----------
- Each `Began` has a key of its own, and exactly one `Ended` follows with that
  key: with the note, or with `None` where it came to nothing or was taken into
  another note. A note whose start was not told comes as an `Ended` alone.
- Times are seconds from the first sample fed. Voices and phrases are named as
  offline, but a name once given stays.
- The floor is learned while listening: for the first `SETTLE_S` nothing is told.

What an online listener tells: that a sound begins, and how it has ended.

Apart from the listener, so that whoever only passes events on need not load
its compiled loops.
"""

from __future__ import annotations

from dataclasses import dataclass

import msgspec
import numpy as np
import numpy.typing as npt

from callresp.io.score import Note
from callresp.listen.kernels import layout as states
from callresp.listen.note_stream import Block, Engine
from callresp.listen.notes import NoteTable, to_notes, voice_name
from callresp.listen.profile import Profile
from callresp.listen.voices.online_voices import VoiceTracker

PATIENCE_S = 0.06  # that a finished note waits for its neighbours
SETTLE_S = 0.25
REGROUP_AFTER = 20  # notes
NEAR_S = 0.05  # a start and a note of one group this near are the same


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
    >>> listener.feed(np.zeros(240, np.float32))
    []
    """

    def __init__(self, sample_rate_hz: int, profile: Profile | None = None) -> None:
        self.profile = profile or Profile()
        self._engine = Engine(sample_rate_hz, self.profile, PATIENCE_S)
        self._tracker = VoiceTracker(regroup=False)
        self._names = _Names(self.profile.rest_s)
        self._open: dict[int, list[Began]] = {}  # by group, in order of onset
        self._keys = 0
        self._unsorted = 0

    def feed(self, block: Block) -> list[Event]:
        """Hear a block, shape ``(n,)``; returns what began and what ended by it.

        Samples that are not numbers are taken as silence.
        """
        if not np.isfinite(block).all():
            block = np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
        return [event for _ in self._engine.steps(block) for event in self._drain()]

    def finish(self) -> list[Event]:
        """End everything that is open."""
        nothing = np.zeros(0, np.float32)
        return [event for _ in self._engine.steps(nothing, last=True) for event in self._drain()]

    def _drain(self) -> list[Event]:
        clock, out = self._engine.state.clock, self._engine.out
        events: list[Event] = []
        if clock[states.STARTS]:
            events += self._began(out.starts[: clock[states.STARTS]])
        if clock[states.NOTES]:
            events += self._ended(int(clock[states.NOTES]), int(clock[states.NOTE_POINTS]))
        self._engine.clear()
        if self._open:
            events += self._came_to_nothing()
        elif self._unsorted >= REGROUP_AFTER:
            # Some milliseconds of work, so it waits for a moment in which nobody sings.
            self._tracker.regroup()
            self._unsorted = 0
        return events

    def _began(self, starts: npt.NDArray[np.void]) -> list[Began]:
        begun = []
        for frame, number, before, place, low, high, level_db in starts.tolist():
            if before >= 0:
                self._hand_over(before, number)
                continue
            onset_s = frame / self._engine.setup.frames_per_s
            if onset_s < SETTLE_S:
                continue
            bin_hz = self._engine.setup.bin_hz
            pitch_hz = place * bin_hz if place > 0 else None
            one = Began(
                key=self._new_key(),
                onset_s=onset_s,
                pitch_hz=pitch_hz,
                low_hz=low * bin_hz,
                high_hz=high * bin_hz,
                level_db=level_db,
                voice=self._names.guess(pitch_hz or 0.5 * (low + high) * bin_hz),
            )
            self._open.setdefault(number, []).append(one)
            begun.append(one)
        return begun

    def _hand_over(self, before: int, number: int) -> None:
        """What was told by a number of its own belongs to a group now."""
        if before in self._open:
            begun = self._open.setdefault(number, [])
            begun += self._open.pop(before)
            begun.sort(key=lambda one: one.onset_s)

    def _ended(self, notes: int, points: int) -> list[Ended]:
        out = self._engine.out
        ended: list[Ended] = []
        order = np.argsort(out.notes["onset_s"][:notes], kind="stable")
        for i in order.tolist():
            if out.notes["onset_s"][i] < SETTLE_S:
                continue
            row, features = out.notes[i : i + 1].copy(), out.features[i : i + 1].copy()
            row["voice"] = self._tracker.assign(row, features)
            (note,) = to_notes(NoteTable(row, features, out.track[:points]))
            note = self._names.named(note)
            key = self._key_of(int(out.numbers[i]), note.onset_s, ended)
            ended.append(Ended(key, note))
            self._unsorted += 1
        return ended

    def _key_of(self, number: int, onset_s: float, ended: list[Ended]) -> int:
        """The key of the start that became this note; starts before it came to nothing."""
        waiting = self._open.get(number, [])
        while waiting and waiting[0].onset_s < onset_s - NEAR_S:
            ended.append(Ended(waiting.pop(0).key, None))
        if waiting and waiting[0].onset_s <= onset_s + NEAR_S:
            return waiting.pop(0).key
        return self._new_key()

    def _came_to_nothing(self) -> list[Ended]:
        state = self._engine.state
        opened = state.open[: state.clock[states.OPEN]]
        alive = set(state.groups["number"][opened].tolist())
        told = state.tracks["told"][state.living[: state.clock[states.LIVING]]]
        alive.update((told[told > 0] - 1).tolist())
        waits = state.waiting["used"] == 1
        alive.update(state.waiting["number"][waits].tolist())
        gone = [number for number in self._open if number not in alive]
        return [Ended(one.key, None) for number in gone for one in self._open.pop(number)]

    def _new_key(self) -> int:
        self._keys += 1
        return self._keys - 1


class _Names:
    """Voices by their latest pitches, and the phrases of each."""

    def __init__(self, rest_s: float) -> None:
        self._rest_s = rest_s
        self._latest: dict[str, tuple[float, float, int]] = {}  # pitch, offset, phrase
        self._notes = 0
        self._phrases = 0

    def guess(self, hz: float) -> str:
        """The voice whose latest note lay nearest."""
        if not self._latest:
            return voice_name(0)
        return min(self._latest, key=lambda name: abs(np.log2(self._latest[name][0] / hz)))

    def named(self, note: Note) -> Note:
        """The note with its number and its phrase."""
        _, offset_s, phrase = self._latest.get(note.voice, (0.0, -np.inf, -1))
        if note.onset_s - offset_s >= self._rest_s:
            phrase = self._phrases
            self._phrases += 1
        hz = note.pitch_hz or max(1.0, 0.5 * (note.low_hz + note.high_hz))
        self._latest[note.voice] = (hz, max(offset_s, note.offset_s), phrase)
        self._notes += 1
        return msgspec.structs.replace(note, id=self._notes - 1, phrase=phrase)


@dataclass(frozen=True, slots=True)
class Began:
    """A sound begins; `voice` is a guess until it has ended."""

    key: int
    onset_s: float
    pitch_hz: float | None
    low_hz: float
    high_hz: float
    level_db: float
    voice: str


@dataclass(frozen=True, slots=True)
class Ended:
    """A sound has ended: as a note, or (`None`) as nothing."""

    key: int
    note: Note | None


Event = Began | Ended

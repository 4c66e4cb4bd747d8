"""What became of a closed loop, judged by what is true of the scene and the strokes.

Conventions
-----------
- A heard note is a *bird* when a true note sounds within `NEAR_S` of it and,
  where both have a pitch, their pitches come within `CLOSE` of each other, or
  of a low harmonic; or where it begins and ends with a true note, at a higher
  harmonic of it.
- It is the machine's *own* when it is no bird and starts while a stroke is
  ringing at the microphone, at the pitch of one of its partials, or within
  `CLICK_S` of its arrival at any pitch. No mask is asked.
- A reply is *to itself* when at least half of the notes that it answers are own.
- A true note is *gated* when it starts while a whole-band gate is closed.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from live_loop import Feedback, Loop

from callresp.io.score import Note, Phrase
from callresp.live.self_masking import Acoustics, SelfMask
from callresp.palette.model import Palette
from callresp.plan.model import Hold, Strike

NEAR_S = 0.05
CLOSE = 0.06
# A listener that takes a harmonic for a note has still heard a bird.
HARMONICS = (1, 2, 3)
# So high a one only where both begin and end within `TOGETHER_S` and keep closely to it.
HIGH_HARMONICS, TOGETHER_S, TUNED = (4, 5, 6, 7, 8), 0.02, 0.02
CLICK_S = 0.12
LONGEST_S = 6.0


@dataclass(frozen=True, slots=True)
class Ringing:
    """A stroke at the microphone: from when to when, and at which pitches."""

    from_s: float
    until_s: float
    partials_hz: tuple[float, ...]

    def holds(self, note: Note) -> bool:
        """Whether a note may be of this stroke."""
        if not self.from_s - 0.02 <= note.onset_s <= self.until_s:
            return False
        if note.onset_s <= self.from_s + CLICK_S:
            return True
        if note.pitch_hz is None:
            return any(note.low_hz <= hz <= note.high_hz for hz in self.partials_hz)
        return any(abs(note.pitch_hz / hz - 1) < CLOSE for hz in self.partials_hz)


def ringings(loop: Loop, palette: Palette, way: Feedback) -> list[Ringing]:
    """Every stroke that was executed, as the microphone heard it."""
    found = []
    for outcome in loop.strikes:
        striker = palette.striker_named(outcome.command.instrument)
        if striker is None or outcome.played_s is None:
            continue
        from_s = outcome.played_s + striker.latency_ms / 1000 + way.delay_s
        rings_s = min(striker.t60_s + way.t60_s, LONGEST_S)
        partials = tuple(striker.reference_hz * partial.ratio for partial in striker.partials)
        found.append(Ringing(from_s, from_s + rings_s, partials))
        for later_s, _ in way.walls:
            back_s = from_s + later_s
            found.append(Ringing(back_s, back_s + rings_s, partials))
    return sorted(found, key=lambda ringing: ringing.from_s)


class Truth:
    """The true notes, to be asked about a heard one."""

    def __init__(self, notes: Sequence[Note]) -> None:
        self.notes = sorted(notes, key=lambda note: note.onset_s)
        self._onsets = [note.onset_s for note in self.notes]
        self._longest_s = max((note.length_s for note in notes), default=0.0)

    def bird(self, note: Note) -> bool:
        """Whether a heard note is one of the birds'."""
        first = bisect_left(self._onsets, note.onset_s - self._longest_s - NEAR_S)
        last = bisect_right(self._onsets, note.offset_s + NEAR_S)
        return any(
            true.offset_s + NEAR_S >= note.onset_s
            and (any(alike(true, note, times) for times in HARMONICS) or overtone(true, note))
            for true in self.notes[first:last]
        )


def overtone(true: Note, note: Note) -> bool:
    """Whether a heard note is a high harmonic of a true one, from its beginning to its end."""
    if note.pitch_hz is None or true.pitch_hz is None:
        return False
    ends_s = abs(true.onset_s - note.onset_s), abs(true.offset_s - note.offset_s)
    off = (alike(true, note, times, TUNED) for times in HIGH_HARMONICS)
    return max(ends_s) <= TOGETHER_S and any(off)


def alike(true: Note, note: Note, times: int = 1, close: float = CLOSE) -> bool:
    """Whether a heard note may be a true one by its pitch, or a harmonic of it."""
    if note.pitch_hz is None or true.pitch_hz is None:
        return note.low_hz <= true.high_hz and note.high_hz >= true.low_hz
    low, high = true.pitch_hz, true.pitch_hz
    if true.track:
        low, high = min(hz for _, hz in true.track), max(hz for _, hz in true.track)
    return low * (1 - close) <= note.pitch_hz / times <= high * (1 + close)


def own(note: Note, truth: Truth, rings: Sequence[Ringing]) -> bool:
    """Whether a heard note is the machine's own."""
    starts = [ring.from_s for ring in rings]
    first = bisect_left(starts, note.onset_s - LONGEST_S)
    last = bisect_right(starts, note.onset_s + 0.02)
    return any(ring.holds(note) for ring in rings[first:last]) and not truth.bird(note)


def replies_to_itself(loop: Loop, truth: Truth, rings: Sequence[Ringing]) -> tuple[int, int]:
    """How many replies there were, and how many of them were to itself."""
    phrases: dict[int, Phrase] = {phrase.id: phrase for phrase in loop.bodies("phrase")}  # type: ignore[attr-defined,misc]
    replies: list[Any] = [body for body in loop.bodies("reply") if "notes" in body]  # type: ignore[operator]
    itself = 0
    for reply in replies:
        notes = phrases[reply["phrase"]].notes
        itself += 2 * sum(own(note, truth, rings) for note in notes) >= len(notes)
    return len(replies), itself


def gated(loop: Loop, palette: Palette, truth: Truth) -> set[int]:
    """Numbers of the true notes that start in a gate, by the masks' own rule."""
    sound = SelfMask(palette, Acoustics())
    events: list[tuple[float, int, Any]] = []
    for number, outcome in enumerate(loop.executed):
        command = outcome.command
        at_s = command.at_s
        if isinstance(command, Strike):
            striker = palette.striker_named(command.instrument)
            at_s += striker.latency_ms / 1000 if striker is not None else 0.0
        if isinstance(command, Strike | Hold):
            events.append((at_s - 0.05, number, command))
    found: set[int] = set()
    events.sort(key=lambda event: event[:2])
    coming = iter(events)
    event = next(coming, None)
    for number, note in enumerate(truth.notes):
        while event is not None and event[0] <= note.onset_s:
            sound.add_command(event[2], event[2].at_s)
            event = next(coming, None)
        sound.forget_before(note.onset_s - 0.5)
        if sound.gated(note.onset_s):
            found.add(number)
    return found


def found_of(truth: Truth, heard: Sequence[Note]) -> set[int]:
    """Numbers of the true notes that were heard: onset within `NEAR_S`, pitch alike."""
    ordered = sorted(heard, key=lambda note: note.onset_s)
    onsets = [note.onset_s for note in ordered]
    found = set()
    for number, true in enumerate(truth.notes):
        first = bisect_left(onsets, true.onset_s - NEAR_S)
        last = bisect_right(onsets, true.onset_s + NEAR_S)
        if any(alike(true, note) for note in ordered[first:last]):
            found.add(number)
    return found


@dataclass(frozen=True, slots=True)
class Verdict:
    """The figures of one run. Shares are `None` where there is nothing to share."""

    replies: int
    to_itself: int
    strikes: int
    heard: int
    gated: float
    still: float | None
    of_true: float
    stood_down: int
    late_ms: float | None
    from_call_ms: float | None


def judge(loop: Loop, palette: Palette, way: Feedback, alone: Loop | None) -> Verdict:
    """Judge a run; `alone` is the same scene heard without a machine."""
    truth = Truth(loop.truth)
    rings = ringings(loop, palette, way)
    replies, itself = replies_to_itself(loop, truth, rings)
    shut = gated(loop, palette, truth)
    open_ = set(range(len(truth.notes))) - shut
    found = found_of(truth, loop.heard)
    still = None
    if alone is not None:
        before = found_of(truth, alone.heard) & open_
        still = len(found & before) / max(len(before), 1)
    states: list[Any] = loop.bodies("remark")
    return Verdict(
        replies=replies,
        to_itself=itself,
        strikes=len(loop.strikes),
        heard=len(loop.heard),
        gated=len(shut) / max(len(truth.notes), 1),
        still=still,
        of_true=len(found & open_) / max(len(open_), 1),
        stood_down=sum("stands down" in remark["text"] for remark in states),
        late_ms=1000 * median(loop.late_s) if loop.late_s else None,
        from_call_ms=from_call_ms(loop),
    )


def from_call_ms(loop: Loop) -> float | None:
    """Median time from the end of a call to the first coil of its answer, waiting and all."""
    phrases: dict[int, Any] = {phrase.id: phrase for phrase in loop.bodies("phrase")}  # type: ignore[attr-defined]
    first: dict[int, float] = {}
    for outcome in loop.executed:
        if outcome.command.reply is not None:
            number = outcome.command.reply
            first[number] = min(first.get(number, outcome.command.at_s), outcome.command.at_s)
    times = []
    replies: list[Any] = [body for body in loop.bodies("reply") if "notes" in body]  # type: ignore[operator]
    for reply in replies:
        starts = [first[note.id] for note in reply["notes"] if note.id in first]
        if starts:
            times.append(min(starts) - phrases[reply["phrase"]].offset_s)
    return 1000 * median(times) if times else None

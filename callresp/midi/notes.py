"""What the MIDI tracks hold: heard notes and played notes on keys and channels.

Conventions
-----------
- Channel 10 takes what has no pitch, on keys of the General MIDI percussion
  map; the other fifteen go to the strikers first (one each, so that each can
  be bent to its own pitch), then to the voices that were heard.
- A free stroke lasts until it has fallen by 60 dB or is struck again; a damped
  one until its damper is down.
- Velocity follows level by the square law of the General MIDI guidelines:
  a change of x dB is a factor of 10^(x/40). The loudest note gets 112.
- A heard note's pitch track becomes pitch bend, in steps of at least 3 cents
  and 4 ms.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from callresp.io.score import HeardScore, Note, ReplyScore
from callresp.midi.ports import MidiMessage
from callresp.midi.tuning import bend_for, key_of, nearest_key
from callresp.palette.model import Palette, Striker, Turner
from callresp.plan.model import Plan
from callresp.synthesis.execution import execute, rings_until_s

PERCUSSION = 9
MELODIC = tuple(channel for channel in range(16) if channel != PERCUSSION)
# Channels kept for what was heard, however many strikers there are.
HEARD_AT_LEAST = 3
STRIKER_BEND = 2
HEARD_BEND = 24
LOUDEST = 112
LEAST_CENTS, LEAST_STEP_S = 3.0, 0.004
SHORTEST_S = 0.002

# General MIDI Level 1: programs from 0, percussion keys.
PROGRAM = {"tube": 14, "bar": 9, "bell": 14, "plate": 11}
WHISTLE = 78
SIDE_STICK = 37
PERCUSSION_KEYS = {
    "block": (76, 77, 75, 60, 61),
    "box": (56, 61, 64, 66, 45),
    "tube": (81, 80),
    "bar": (81, 80),
    "bell": (53, 81),
    "plate": (51, 59),
    "shaker": (70, 69, 54),
    "wound": (73, 74),
    "fan": (69, 58),
}

# Order within one tick: ends first, then what prepares a note, then notes.
END, PREPARE, BEGIN = 0, 1, 2


@dataclass(slots=True)
class Track:
    """A named track: (seconds, order within a tick, message).

    `loudest_db` is what velocity 112 stands for, where levels are known.
    """

    name: str
    events: list[tuple[float, int, MidiMessage]] = field(default_factory=list)
    notes: int = 0
    loudest_db: float | None = None

    def add(self, at_s: float, order: int, kind: str, **values: object) -> None:
        """Add a message; what lies before the start is put at the start."""
        import mido

        self.events.append((max(at_s, 0.0), order, mido.Message(kind, **values)))

    def note(self, from_s: float, until_s: float, channel: int, key: int, velocity: int) -> None:
        """Add a note with its end."""
        from_s = max(from_s, 0.0)
        until_s = max(until_s, from_s + SHORTEST_S)
        self.add(from_s, BEGIN, "note_on", channel=channel, note=key, velocity=velocity)
        self.add(until_s, END, "note_off", channel=channel, note=key, velocity=64)
        self.notes += 1

    def parameter(self, channel: int, number: int, value: int) -> None:
        """Set a registered parameter at the start, then close it (RPN null)."""
        pairs = ((101, 0), (100, number), (6, value), (38, 0), (101, 127), (100, 127))
        for control, data in pairs:
            self.add(0.0, PREPARE, "control_change", channel=channel, control=control, value=data)


@dataclass(frozen=True, slots=True)
class SoundingNote:
    """A played note: from when to when, on what, how loud (dB SPL at 1 m)."""

    from_s: float
    until_s: float
    instrument: Striker | Turner
    level_db: float


def velocity_of(level_db: float, loudest_db: float) -> int:
    """Velocity 1 to 127 of a level, where the loudest has 112."""
    return min(max(round(LOUDEST * 10 ** ((level_db - loudest_db) / 40)), 1), 127)


def played_notes(plan: Plan, palette: Palette) -> list[SoundingNote]:
    """Notes of a plan, as the machine plays them."""
    parts = execute(plan, palette)
    found = []
    for part in parts.strikers:
        for index, stroke in enumerate(part.strokes):
            damped = not stroke.muted and stroke.damped_s < stroke.at_s + part.striker.t60_s
            until_s = stroke.damped_s if damped else rings_until_s(part.striker, stroke)
            if index + 1 < len(part.strokes):
                until_s = min(until_s, part.strokes[index + 1].at_s)
            found.append(SoundingNote(stroke.at_s, until_s, part.striker, stroke.level_db))
    for turning in parts.turners:
        for spell in turning.spells:
            found.append(_spell(turning.turner, spell.from_s, spell.until_s, spell.speed_rps))
    return sorted(found, key=lambda note: note.from_s)


def requested_notes(reply: ReplyScore, palette: Palette) -> list[SoundingNote]:
    """Notes of a reply score, as they were asked for."""
    found = []
    for note in reply.notes:
        if striker := palette.striker_named(note.instrument):
            points = striker.force
            level_db = points[0].level_db + note.force * (points[-1].level_db - points[0].level_db)
            until_s = note.onset_s + striker.t60_s
            if note.offset_s is not None and striker.damper is not None:
                until_s = min(until_s, note.offset_s)
            found.append(SoundingNote(note.onset_s, until_s, striker, level_db))
        elif turner := palette.turner_named(note.instrument):
            span = turner.fastest_rps - turner.slowest_rps
            until_s = note.onset_s + 1.0 if note.offset_s is None else note.offset_s
            speed = turner.slowest_rps + note.force * span
            found.append(_spell(turner, note.onset_s, until_s, speed))
    return _until_struck_again(found)


def _until_struck_again(notes: list[SoundingNote]) -> list[SoundingNote]:
    ends: dict[str, float] = {}
    found = []
    for note in sorted(notes, key=lambda note: note.from_s, reverse=True):
        until_s = min(note.until_s, ends.get(note.instrument.name, note.until_s))
        ends[note.instrument.name] = note.from_s
        found.append(SoundingNote(note.from_s, until_s, note.instrument, note.level_db))
    return found[::-1]


def _spell(turner: Turner, from_s: float, until_s: float, speed_rps: float) -> SoundingNote:
    from callresp.synthesis.turning import level_at

    return SoundingNote(from_s, until_s, turner, float(level_at(turner, speed_rps)))


def reply_tracks(notes: Sequence[SoundingNote], palette: Palette) -> list[Track]:
    """One track per striker or turner that plays, in the palette's order.

    Parameters
    ----------
    notes
        What plays.
    palette
        The machine.

    Returns
    -------
    list of Track
        With what sets up their channels.
    """
    loudest_db = max((note.level_db for note in notes), default=0.0)
    names = {note.instrument.name for note in notes}
    instruments: list[Striker | Turner] = [*palette.striker, *palette.turner]
    channel_keys = ChannelKeys(palette)
    tracks = []
    for item in instruments:
        channel, key = channel_keys.of(item)
        if item.name not in names:
            continue
        track = Track(f"reply: {item.name}", loudest_db=loudest_db)
        channel_keys.prepare(track, item)
        for note in notes:
            if note.instrument.name == item.name:
                channel_keys.before(track, item, note.from_s)
                velocity = velocity_of(note.level_db, loudest_db)
                track.note(note.from_s, note.until_s, channel, key, velocity)
        tracks.append(track)
    return tracks


def striker_channels(palette: Palette | None) -> int:
    """How many melodic channels the palette's strikers take."""
    if palette is None:
        return 0
    pitched = sum(item.pitch_hz is not None for item in palette.striker)
    return min(pitched, len(MELODIC) - HEARD_AT_LEAST)


class ChannelKeys:
    """Which channel and key each instrument has; ask for them in the palette's order."""

    def __init__(self, palette: Palette) -> None:
        self._many = max(striker_channels(palette), 1)
        self._pitched = [item.name for item in palette.striker if item.pitch_hz is not None]
        self._taken: set[tuple[int, int]] = {(PERCUSSION, SIDE_STICK)}
        self._channel_keys: dict[str, tuple[int, int]] = {}

    def of(self, item: Striker | Turner) -> tuple[int, int]:
        """Channel and key of an instrument."""
        if item.name not in self._channel_keys:
            channel_key = self._choose(item)
            self._taken.add(channel_key)
            self._channel_keys[item.name] = channel_key
        return self._channel_keys[item.name]

    def _choose(self, item: Striker | Turner) -> tuple[int, int]:
        if isinstance(item, Striker) and item.pitch_hz is not None:
            channel = MELODIC[self._pitched.index(item.name) % self._many]
            near = sorted(range(128), key=lambda key: abs(key - key_of(item.pitch_hz or 440.0)))
            free = (key for key in near if (channel, key) not in self._taken)
            return channel, next(free, near[0])
        wanted = [*PERCUSSION_KEYS[item.kind], *range(35, 82)]
        return PERCUSSION, next(
            (key for key in wanted if (PERCUSSION, key) not in self._taken), wanted[0]
        )

    def prepare(self, track: Track, item: Striker | Turner) -> None:
        """Program and pitch bend, at the start of the track."""
        channel, _ = self.of(item)
        if channel == PERCUSSION or not isinstance(item, Striker) or item.pitch_hz is None:
            return
        program = PROGRAM.get(item.kind, PROGRAM["bar"])
        track.add(0.0, PREPARE, "program_change", channel=channel, program=program)
        track.parameter(channel, 0, STRIKER_BEND)
        self._bend(track, item, 0.0)

    def before(self, track: Track, item: Striker | Turner, at_s: float) -> None:
        """Bend anew before a stroke where strikers must share a channel."""
        if len(self._pitched) > self._many and self.of(item)[0] != PERCUSSION:
            self._bend(track, item, at_s)

    def _bend(self, track: Track, item: Striker | Turner, at_s: float) -> None:
        assert isinstance(item, Striker)
        assert item.pitch_hz is not None
        channel, key = self.of(item)
        bend = bend_for(item.pitch_hz, key, STRIKER_BEND)
        track.add(at_s, PREPARE, "pitchwheel", channel=channel, pitch=bend)


def heard_tracks(heard: HeardScore, first_channel: int) -> list[Track]:
    """One track per voice that was heard; channels from the `first_channel`-th melodic one."""
    free = MELODIC[first_channel:]
    loudest_db = max((note.level_db for note in heard.notes), default=0.0)
    voices = sorted({note.voice for note in heard.notes})
    tracks = {voice: Track(f"heard: {voice}") for voice in voices}
    busy_until = dict.fromkeys(free, -1.0)
    ready: set[tuple[str, int]] = set()
    for note in heard.notes:
        track = tracks[note.voice]
        velocity = velocity_of(note.level_db, loudest_db)
        if note.pitch_hz is None:
            track.note(note.onset_s, note.offset_s, PERCUSSION, SIDE_STICK, velocity)
            continue
        own = free[voices.index(note.voice) % len(free)]
        channel = _free_channel(own, busy_until, note.onset_s)
        busy_until[channel] = max(busy_until[channel], note.offset_s)
        if (note.voice, channel) not in ready:
            ready.add((note.voice, channel))
            track.add(0.0, PREPARE, "program_change", channel=channel, program=WHISTLE)
            track.parameter(channel, 0, HEARD_BEND)
        key = nearest_key(note.pitch_hz)
        for at_s, bend in pitch_bends(note, key):
            track.add(at_s, PREPARE, "pitchwheel", channel=channel, pitch=bend)
        track.note(note.onset_s, note.offset_s, channel, key, velocity)
    return list(tracks.values())


def _free_channel(own: int, busy_until: dict[int, float], at_s: float) -> int:
    """The voice's own channel, or another where a note still sounds on it."""
    if busy_until[own] <= at_s:
        return own
    others = (channel for channel, until_s in busy_until.items() if until_s <= at_s)
    return next(others, own)


def pitch_bends(note: Note, key: int) -> Iterator[tuple[float, int]]:
    """Pitch bend over a heard note: (seconds, bend), the first at its onset."""
    assert note.pitch_hz is not None
    points: Iterable[tuple[float, float]] = note.track or ((note.onset_s, note.pitch_hz),)
    last_s, last_key = -1.0, -1e9
    for at_s, hz in points:
        at_s = min(max(at_s, note.onset_s), note.offset_s)
        if last_s < 0:
            at_s = note.onset_s
        elif at_s - last_s < LEAST_STEP_S or abs(key_of(hz) - last_key) * 100 < LEAST_CENTS:
            continue
        last_s, last_key = at_s, key_of(hz)
        yield at_s, bend_for(hz, key, HEARD_BEND)

"""Keys as a file plays them: notes with their ends, their pedal and their pitch in hertz.

Conventions
-----------
- A note ends at its note-off, or with the pedal (controller 64) where that is
  down then; "all notes off" (123) counts as note-offs, "all sound off" (120) and
  the end of the file end everything. Two notes of one key end first in, first out.
- A key's pitch is that of equal temperament, or of the tuning program of its
  channel (registered parameter 3) where a single note tuning change has named
  that key; then coarse and fine tuning (registered parameters 2 and 1) and the
  pitch bend, by the channel's own range (registered parameter 0), at the
  moment when the note begins.
- Tracks share one port: channel messages count in order of time, and of tracks
  where times are equal.

Sources: Complete MIDI 1.0 Detailed Specification (registered parameters,
controllers; MIDI Tuning, messages 08 02 and 08 07).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from heapq import merge
from typing import NamedTuple

from callresp.midi.smf import META, SYSEX, Smf
from callresp.midi.tuning import BEND_MIDDLE, hz_of

PEDAL, DATA_MSB, DATA_LSB, RPN_LSB, RPN_MSB = 64, 6, 38, 100, 101
MTS_STEPS = 16384  # Of a semitone, in a single note tuning change.
ALL_SOUND_OFF, RESET, ALL_NOTES_OFF = 120, 121, 123


class KeyNote(NamedTuple):
    """One key from its stroke to its end, in ticks; `track` counts from 0."""

    onset: int
    offset: int
    track: int
    channel: int
    key: int
    velocity: int
    hz: float


@dataclass(slots=True)
class Channel:
    """How a channel stands: pedal, bend, tuning."""

    pedal: bool = False
    bend: int = 0
    bend_semitones: int = 2
    bend_cents: int = 0
    coarse: int = 0
    fine: int = 0
    program: int = 0
    parameter: tuple[int, int] = (127, 127)

    def control(self, number: int, value: int) -> None:
        """Take a controller; those that have nothing to do with pitch or pedal change nothing."""
        if number == PEDAL:
            self.pedal = value >= 64
        elif number == RPN_MSB:
            self.parameter = (value, self.parameter[1])
        elif number == RPN_LSB:
            self.parameter = (self.parameter[0], value)
        elif number in (98, 99):
            # A non-registered parameter: what follows is none of ours.
            self.parameter = (127, 127)
        elif number == DATA_MSB:
            self._data(value)
        elif number == DATA_LSB:
            self._fine_data(value)
        elif number == RESET:
            self.pedal, self.bend, self.parameter = False, 0, (127, 127)

    def _data(self, value: int) -> None:
        if self.parameter == (0, 0):
            self.bend_semitones = value
        elif self.parameter == (0, 1):
            self.fine = (value - 64) * 128
        elif self.parameter == (0, 2):
            self.coarse = value - 64
        elif self.parameter == (0, 3):
            self.program = value

    def _fine_data(self, value: int) -> None:
        if self.parameter == (0, 0):
            self.bend_cents = value
        elif self.parameter == (0, 1):
            self.fine = (self.fine // 128) * 128 + value

    @property
    def off_semitones(self) -> float:
        """What bend and tuning add to a key."""
        reach = self.bend_semitones + self.bend_cents / 100
        return self.bend / BEND_MIDDLE * reach + self.coarse + self.fine / BEND_MIDDLE


@dataclass(slots=True)
class Tunings:
    """Keys that tuning changes have moved, by tuning program."""

    keys: dict[tuple[int, int], float] = field(default_factory=dict)

    def take(self, body: bytes) -> None:
        """Take the body of a system exclusive message, with or without its F7."""
        body = body.removesuffix(b"\xf7")
        if len(body) < 6 or body[0] not in (0x7E, 0x7F) or body[2] != 0x08:
            return
        if body[3] == 0x02:
            program, count, rest = body[4], body[5], body[6:]
        elif body[3] == 0x07 and len(body) > 6:
            program, count, rest = body[5], body[6], body[7:]
        else:
            return
        for n in range(min(count, len(rest) // 4)):
            key, semitone, high, low = rest[4 * n : 4 * n + 4]
            if (semitone, high, low) != (127, 127, 127):
                self.keys[program, key] = semitone + (high << 7 | low) / MTS_STEPS

    def pitch(self, channel: Channel, key: int) -> float:
        """Pitch of a key on a channel, in hertz."""
        tuned = self.keys.get((channel.program, key), float(key))
        return hz_of(tuned + channel.off_semitones)


Open = tuple[int, int, float]


class _Player:
    """Goes through the events of all tracks, and gathers notes."""

    def __init__(self) -> None:
        self.notes: list[KeyNote] = []
        self._channels = [Channel() for _ in range(16)]
        self._tunings = Tunings()
        self._down: defaultdict[tuple[int, int, int], list[Open]] = defaultdict(list)
        # Notes whose key is up while the pedal holds them.
        self._held: defaultdict[int, list[tuple[tuple[int, int, int], Open]]] = defaultdict(list)

    def take(self, tick: int, track: int, status: int, data: bytes) -> None:
        """Take one event."""
        if status == SYSEX:
            self._tunings.take(data)
            return
        kind, number = status & 0xF0, status & 0x0F
        channel = self._channels[number]
        if kind == 0x90 and data[1]:
            hz = self._tunings.pitch(channel, data[0])
            self._down[track, number, data[0]].append((tick, data[1], hz))
        elif kind in (0x80, 0x90):
            self._up(tick, (track, number, data[0]))
        elif kind == 0xE0:
            channel.bend = (data[0] | data[1] << 7) - BEND_MIDDLE
        elif kind == 0xB0:
            channel.control(data[0], data[1])
            if data[0] == ALL_SOUND_OFF:
                self._release(tick, number)
                self._silence(tick, number)
            elif data[0] >= ALL_NOTES_OFF:
                self._silence(tick, number)
            elif not channel.pedal:
                self._release(tick, number)

    def finish(self, tick: int) -> None:
        """End what still sounds."""
        for number, channel in enumerate(self._channels):
            channel.pedal = False
            self._release(tick, number)
            self._silence(tick, number)

    def _up(self, tick: int, pressed: tuple[int, int, int]) -> None:
        waiting = self._down.get(pressed)
        if not waiting:
            return
        note = waiting.pop(0)
        if self._channels[pressed[1]].pedal:
            self._held[pressed[1]].append((pressed, note))
        else:
            self._end(tick, pressed, note)

    def _silence(self, tick: int, number: int) -> None:
        for pressed in [pressed for pressed in self._down if pressed[1] == number]:
            while self._down[pressed]:
                self._up(tick, pressed)

    def _release(self, tick: int, number: int) -> None:
        for pressed, note in self._held.pop(number, ()):
            self._end(tick, pressed, note)

    def _end(self, tick: int, pressed: tuple[int, int, int], note: Open) -> None:
        onset, velocity, hz = note
        track, number, key = pressed
        self.notes.append(KeyNote(onset, tick, track, number, key, velocity, hz))


def perform(smf: Smf) -> list[KeyNote]:
    """Every note of a file, in order of onset, then of track and key."""
    player = _Player()
    for tick, track, _, status, data in _in_order(smf):
        player.take(tick, track, status, data)
    player.finish(max((track.end_tick for track in smf.tracks), default=0))
    return sorted(player.notes)


def _in_order(smf: Smf) -> Iterator[tuple[int, int, int, int, bytes]]:
    def rows(number: int) -> Iterator[tuple[int, int, int, int, bytes]]:
        for order, (tick, status, data) in enumerate(smf.tracks[number].events):
            if status != META:
                yield tick, number, order, status, data

    return merge(*(rows(number) for number in range(len(smf.tracks))))

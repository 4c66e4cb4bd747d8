"""MIDI instead of a board: strikes as notes, at their times, by a thread of its own."""

from __future__ import annotations

import heapq
import itertools
import threading
from dataclasses import dataclass

import numpy as np

from callresp.errors import UserError
from callresp.link.port import Clock
from callresp.live.actions import CommandOutcome, LinkUpdate, Notice
from callresp.live.links import EngineOrigin
from callresp.midi.notes import SoundingNote, reply_tracks, velocity_of
from callresp.midi.out import all_off
from callresp.midi.ports import MidiMessage, MidiOutput
from callresp.palette.model import Palette, Striker, Turner
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.model import Command, Hold, Strike, Turn

SENT = "sent as MIDI"
LEFT_OFF = "left off"


@dataclass(frozen=True, slots=True)
class _Assignment:
    """Channel and key of an instrument, and the messages that tune it."""

    channel: int
    key: int
    setup: tuple[MidiMessage, ...]


class MidiLink:
    """Plays checked commands on a MIDI port.

    Parameters
    ----------
    palette
    port
    origin, clock
        Where the engine's clock stands on the host's.
    """

    fatal: UserError | None = None

    def __init__(
        self, palette: Palette, port: MidiOutput, origin: EngineOrigin, clock: Clock
    ) -> None:
        self._palette = palette
        self._port = port
        self._origin = origin
        self._clock = clock
        self._voices = _voices(palette)
        tops = [item.force[-1].level_db for item in palette.striker]
        tops += [item.level_max_db for item in palette.turner]
        self._loudest_db = max(tops, default=0.0)
        self._due: list[tuple[float, int, MidiMessage, Command | None]] = []
        self._held: dict[str, float] = {}
        self._count = itertools.count()
        self._outcomes: list[CommandOutcome] = []
        self._notices: list[Notice] = []
        self._changed = threading.Condition()
        self._closed = False
        for voice in self._voices.values():
            for message in voice.setup:
                port.send(message)
        self._troubled = False
        self._thread = threading.Thread(target=self._run, name="midi", daemon=True)
        self._thread.start()

    def send(self, checked: CheckedPlan) -> None:
        """Take commands."""
        with self._changed:
            for command in checked.plan.commands:
                self._enqueue(command)
            self._changed.notify()

    def release(self) -> None:
        """Every note off now; forget what waits."""
        with self._changed:
            waiting, self._due = self._due, []
            self._outcomes += [
                CommandOutcome(command, LEFT_OFF) for *_, command in waiting if command
            ]
            for message in all_off():
                self._sent(message)

    def may_sleep(self, until_s: float | None) -> None:
        """No instrument is put to sleep."""

    def take_update(self) -> LinkUpdate:
        """Each command once it has been sent."""
        with self._changed:
            outcomes, self._outcomes = self._outcomes, []
            notices, self._notices = tuple(self._notices), []
        return LinkUpdate(True, tuple(outcomes), notices=notices)

    def close(self) -> None:
        """Every note off, and end."""
        self.release()
        with self._changed:
            self._closed = True
            self._changed.notify()
        self._thread.join(timeout=1.0)
        self._port.close()

    def _enqueue(self, command: Command) -> None:
        if isinstance(command, Hold):
            striker = self._palette.striker_named(command.instrument)
            if striker is not None and striker.damper is not None:
                end_s = command.at_s + (command.hold_ms + striker.damper.fall_ms) / 1000
                self._held[striker.name] = end_s
            self._outcomes.append(CommandOutcome(command, SENT))
        elif isinstance(command, Strike):
            if striker := self._palette.striker_named(command.instrument):
                self._strike(command, striker)
        elif isinstance(command, Turn) and (
            turner := self._palette.turner_named(command.instrument)
        ):
            level_db = turner.level_max_db * command.speed_rps / turner.fastest_rps
            until_s = command.at_s + command.run_ms / 1000
            self._note(command, turner, command.at_s, until_s, level_db)

    def _strike(self, command: Strike, striker: Striker) -> None:
        pulses = [point.pulse_ms for point in striker.force]
        levels = [point.level_db for point in striker.force]
        level_db = float(np.interp(command.pulse_ms, pulses, levels))
        from_s = command.at_s + striker.latency_ms / 1000
        until_s = from_s + striker.t60_s
        if striker.damper is not None and striker.damper.rest == "on":
            until_s = min(until_s, max(self._held.get(striker.name, from_s), from_s + 0.05))
        self._note(command, striker, from_s, until_s, level_db)

    def _note(
        self,
        command: Command,
        item: Striker | Turner,
        from_s: float,
        until_s: float,
        level_db: float,
    ) -> None:
        import mido

        voice = self._voices[item.name]
        velocity = velocity_of(level_db, self._loudest_db)
        zero_s = self._origin.host_s
        on = mido.Message("note_on", channel=voice.channel, note=voice.key, velocity=velocity)
        off = mido.Message("note_off", channel=voice.channel, note=voice.key, velocity=64)
        heapq.heappush(self._due, (zero_s + from_s, next(self._count), on, command))
        heapq.heappush(self._due, (zero_s + until_s, next(self._count), off, None))

    def _run(self) -> None:
        with self._changed:
            while not self._closed:
                now_s = self._clock.now_s()
                while self._due and self._due[0][0] <= now_s:
                    _, _, message, command = heapq.heappop(self._due)
                    sent = self._sent(message)
                    if command is not None:
                        played_s = now_s - self._origin.host_s
                        played = CommandOutcome(command, SENT, played_s)
                        self._outcomes.append(played if sent else CommandOutcome(command, LEFT_OFF))
                wait_s = self._due[0][0] - now_s if self._due else 1.0
                self._changed.wait(min(wait_s / self._clock.speed, 1.0))

    def _sent(self, message: MidiMessage) -> bool:
        """Send a message; a synth that went away is reported once and does not end the day."""
        try:
            self._port.send(message)
        except (OSError, RuntimeError, ValueError) as fault:
            if not self._troubled:
                self._notices.append(Notice(f"the MIDI output takes nothing ({fault})"))
            self._troubled = True
            return False
        if self._troubled:
            self._notices.append(Notice("the MIDI output is back", fault=False))
        self._troubled = False
        return True


def _voices(palette: Palette) -> dict[str, _Assignment]:
    """Channel, key and tuning of each instrument, as `callresp.midi.notes` gives them."""
    found = {}
    items: list[Striker | Turner] = [*palette.striker, *palette.turner]
    sounding = [SoundingNote(0.0, 1.0, item, 0.0) for item in items]
    for item, track in zip(items, reply_tracks(sounding, palette), strict=True):
        messages = [message for _, _, message in sorted(track.events, key=lambda e: e[:2])]
        on = next(message for message in messages if message.type == "note_on")
        setup = tuple(m for m in messages if m.type not in ("note_on", "note_off"))
        found[item.name] = _Assignment(on.channel, on.note, setup)
    return found

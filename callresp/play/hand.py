"""Playing by hand: keys in, checked commands out, with no clock, thread or port in it.

Goal
----
Strike what a key asks for at once, by the schedulers and rules of a plan. What
would break a limit is refused or softened and said; nothing waits to sound late.

Conventions
-----------
- Times are seconds of the caller's clock, from the beginning of the playing. A
  coil goes on `lead_s` after its key; a stroke that can't begin within
  `MOVE_MAX_S` of that is refused.
- Nobody knows when a note will end, and every command carries its own end: so a
  damper is held, and a motor run, in pieces of `PIECE_S` and `RUN_PIECE_S`, each
  placed a little before the last is over. When the key is up no further piece
  follows: the damper falls within `PIECE_S + RENEW_S`.
- Pieces that follow each other count as one on-time against `on_max_ms`.
- A damper that rests on its striker rises while the hammer travels, so a stroke
  on a silent striker begins a little muffled; with `lift_first` the stroke waits
  until the felt is clear.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

import msgspec

from callresp.io.score import ReplyHeader, ReplyNote, ReplyScore
from callresp.midi.keymap import KeyMap, force_for
from callresp.midi.performance import ALL_NOTES_OFF, ALL_SOUND_OFF, Channel, Tunings
from callresp.midi.smf import SYSEX
from callresp.palette.model import Palette, Striker, Turner
from callresp.plan.checked_plan import Checker, PlanBreaksLimitError
from callresp.plan.intents import CLEAR_S
from callresp.plan.model import Change, Command
from callresp.plan.planner import Planner
from callresp.plan.schedulers.damper import JOINED_S
from callresp.play.outputs import DueCommands

# From a key to its coil: the way over the line, and some to spare.
LEAD_S = 0.006
LEAD_STEP_S, LEAD_MAX_S = 0.002, 0.02
# After so many strokes in time a raised lead comes down again by a step.
PROMPT_STROKES = 20
MOVE_MAX_S = 0.004
# A key that is read this long after it was pressed is not struck any more.
STALE_S = 0.02
PIECE_S = 0.08
RUN_PIECE_S = 0.2
RENEW_S = 0.025
# What was refused is not tried again for so long; and the same thing is said no oftener.
PATIENCE_S = 1.0
RULE = "by hand"
# Of what waited for the first key, so much is kept.
LEAD_IN_S = 1.0
WHEEL = 1

# Of a MIDI keyboard its channel and key; of a computer's "typed" and its character.
PressedKey = tuple[int | str, int]


@dataclass(frozen=True, slots=True)
class HandSettings:
    """How it is played: see the module."""

    lead_s: float = LEAD_S
    lift_first: bool = False


@dataclass(slots=True)
class _Held:
    """One instrument: its last note, who holds it, and how far its pieces reach."""

    note: ReplyNote | None = None
    pressed: set[PressedKey] = field(default_factory=set)
    until_s: float = -math.inf
    since_s: float = -math.inf
    patient_s: float = -math.inf
    press_s: float = -math.inf
    share: float = 0.0


class HandPlayer:
    """Plays a palette by hand.

    Parameters
    ----------
    palette
        The machine.
    settings
        How it is played.

    Attributes
    ----------
    lead_s : float
        From a key to its coil, now.
    struck : int
        Strokes sent.
    changed : Counter
        What the limits changed, by kind and palette key.
    """

    def __init__(self, palette: Palette, settings: HandSettings | None = None) -> None:
        self.palette = palette
        self.settings = settings or HandSettings()
        self.lead_s = self.settings.lead_s
        self.struck = 0
        self.changed: Counter[tuple[str, str]] = Counter()
        self._planner = Planner(palette, MOVE_MAX_S)
        self._checker = Checker(palette)
        self._keys = KeyMap(palette)
        self._channels = [Channel() for _ in range(16)]
        self._tunings = Tunings()
        items: list[Striker | Turner] = [*palette.striker, *palette.turner]
        self._held = {item.name: _Held() for item in items}
        self._playing: dict[PressedKey, str] = {}
        self._pedalled: set[PressedKey] = set()
        self._notes: list[ReplyNote] = []
        self._unplayed: set[int] = set()
        self._prompt = 0
        self._said_s: dict[str, float] = {}
        self._last_s = 0.0
        self._out = DueCommands()

    def take(self, now_s: float, data: bytes, came_s: float | None = None) -> DueCommands:
        """Take a whole MIDI message, status first; it came in at `came_s`, where that is known."""
        if not data:
            return self._drain()
        kind, number = data[0] & 0xF0, data[0] & 0x0F
        if data[0] == SYSEX:
            self._tunings.take(data[1:])
        elif len(data) < 3:
            pass
        elif kind == 0x90 and data[2]:
            if now_s - (now_s if came_s is None else came_s) > STALE_S:
                self._say(now_s, "a key was read too late to be struck in time", "late", "latency")
            else:
                self._key(now_s, number, data[1], data[2])
        elif kind in (0x80, 0x90):
            self._up(now_s, (number, data[1]))
        elif kind == 0xB0:
            self._control(now_s, number, data[1], data[2])
        elif kind == 0xE0:
            self._channels[number].bend = (data[1] | data[2] << 7) - 8192
        return self._drain()

    def strike(self, now_s: float, name: str, force: float, pressed: PressedKey) -> DueCommands:
        """Strike or turn an instrument by its name, as long as `pressed` is not let go."""
        if (striker := self.palette.striker_named(name)) is not None:
            self._strike(now_s, striker, force, pressed)
        elif (turner := self.palette.turner_named(name)) is not None:
            self._start_turning(now_s, turner, force, pressed)
        return self._drain()

    def let_go(self, now_s: float, pressed: PressedKey) -> DueCommands:
        """Let go of what a key holds."""
        self._up(now_s, pressed)
        return self._drain()

    def silence(self, now_s: float) -> DueCommands:
        """Let go of everything."""
        self._pedalled.clear()
        for pressed in list(self._playing):
            self._release(now_s, pressed)
        return self._drain()

    def tick(self, now_s: float) -> DueCommands:
        """Go on holding and turning what is held; call it every few milliseconds."""
        self._last_s = max(self._last_s, now_s)
        due_s = now_s + self.lead_s + RENEW_S
        for striker in self.palette.striker:
            held = self._held[striker.name]
            if striker.damper is None or held.note is None or held.until_s >= due_s:
                continue
            if striker.damper.rest == "on":
                going_on = held.pressed and now_s < held.note.onset_s + striker.t60_s
            else:
                going_on = now_s < held.press_s
            if going_on:
                self._admit(now_s, self._hold(now_s, striker, held))
        for turner in self.palette.turner:
            held = self._held[turner.name]
            if held.pressed and held.until_s < due_s:
                self._admit(now_s, self._turn(now_s, turner, held))
        return self._drain()

    def unplayed(self, note: int | None) -> str:
        """Take note that a stroke did not come to sound, as the output found out.

        Returns
        -------
        str
            What to say of it, if anything: the lead is raised, up to `LEAD_MAX_S`,
            since a line or a computer that was too slow once will be again, and
            comes down as strokes are in time.
        """
        self._prompt = 0
        if note is not None:
            self._unplayed.add(note)
            self.struck -= 1
            self.changed["dropped", "late"] += 1
        if self.lead_s + LEAD_STEP_S > LEAD_MAX_S:
            return ""
        self.lead_s += LEAD_STEP_S
        ms = self.lead_s * 1000
        return f"the way to the board is slow: for now {ms:.0f} ms from key to coil"

    def score(self, title: str = "by hand") -> ReplyScore:
        """What was played, as a reply score that begins a second before its first note."""
        played = [note for note in self._notes if note.id not in self._unplayed]
        cut_s = max(min((note.onset_s for note in played), default=0.0) - LEAD_IN_S, 0.0)
        notes = sorted(
            (note.later(-cut_s) for note in played), key=lambda note: (note.onset_s, note.id)
        )
        last_s = max((note.offset_s or note.onset_s for note in notes), default=0.0)
        header = ReplyHeader(
            recording=title,
            duration_s=max(last_s, self._last_s - cut_s),
            palette=self.palette.name,
            rules=RULE,
        )
        return ReplyScore(header=header, notes=tuple(notes))

    # Keys

    def _key(self, now_s: float, number: int, key: int, velocity: int) -> None:
        pressed = (number, key)
        found = self._keys.find(number, key, self._tunings.pitch(self._channels[number], key))
        if found is None:
            self._say(now_s, f"nothing here for key {key}", "refused", "midi")
            return
        item = found.instrument
        self._pedalled.discard(pressed)
        if isinstance(item, Striker):
            self._strike(now_s, item, force_for(item, velocity), pressed)
        else:
            self._start_turning(now_s, item, force_for(item, velocity), pressed)

    def _up(self, now_s: float, pressed: PressedKey) -> None:
        number = pressed[0]
        if pressed in self._playing and isinstance(number, int) and self._channels[number].pedal:
            self._pedalled.add(pressed)
        else:
            self._release(now_s, pressed)

    def _control(self, now_s: float, number: int, control: int, value: int) -> None:
        channel = self._channels[number]
        channel.control(control, value)
        if control == WHEEL:
            self._wheel(now_s, value / 127)
        if control == ALL_SOUND_OFF or control >= ALL_NOTES_OFF:
            for pressed in [pressed for pressed in self._playing if pressed[0] == number]:
                self._release(now_s, pressed)
        if not channel.pedal:
            for pressed in [pressed for pressed in self._pedalled if pressed[0] == number]:
                self._release(now_s, pressed)

    def _wheel(self, now_s: float, share: float) -> None:
        """The wheel of any channel turns the first turner."""
        if not self.palette.turner:
            return
        turner, pressed = self.palette.turner[0], ("wheel", 0)
        if share <= 0:
            self._release(now_s, pressed)
        elif pressed in self._playing:
            self._held[turner.name].share = share
        else:
            self._start_turning(now_s, turner, share, pressed)

    def _release(self, now_s: float, pressed: PressedKey) -> None:
        self._pedalled.discard(pressed)
        name = self._playing.pop(pressed, None)
        if name is None:
            return
        held = self._held[name]
        held.pressed.discard(pressed)
        if held.pressed or held.note is None:
            return
        ends_s = now_s + self.lead_s
        striker = self.palette.striker_named(name)
        if striker is None or striker.damper is not None:
            self._end_note(held, ends_s)
        if striker is not None and striker.damper is not None and striker.damper.rest == "off":
            damper = striker.damper
            held.press_s = ends_s + damper.lift_ms / 1000 + damper.damped_t60_s

    def _hold_key(self, pressed: PressedKey, name: str) -> None:
        before = self._playing.get(pressed)
        if before is not None and before != name:
            self._held[before].pressed.discard(pressed)
        self._playing[pressed] = name
        self._held[name].pressed.add(pressed)

    # Strikers

    def _strike(self, now_s: float, striker: Striker, force: float, pressed: PressedKey) -> None:
        held = self._held[striker.name]
        at_s = now_s + self.lead_s + self._wait_s(now_s, striker, held)
        note = self._note(at_s + striker.latency_ms / 1000, striker, force)
        stroke, changes = self._planner.strike(note, striker, at_s - 1e-6)
        self._tell(now_s, changes)
        if stroke is None or not self._admit(now_s, [stroke]):
            return
        self.struck += 1
        self._prompt += 1
        if self._prompt >= PROMPT_STROKES and self.lead_s > self.settings.lead_s:
            self.lead_s = max(self.lead_s - LEAD_STEP_S, self.settings.lead_s)
            self._prompt = 0
        self._end_note(held, note.onset_s)
        self._keep(held, note)
        self._hold_key(pressed, striker.name)
        held.press_s = -math.inf
        if striker.damper is not None and striker.damper.rest == "on":
            held.patient_s = -math.inf
            if held.until_s < now_s + self.lead_s + RENEW_S:
                self._admit(now_s, self._hold(now_s, striker, held))

    def _wait_s(self, now_s: float, striker: Striker, held: _Held) -> float:
        """How long a stroke waits for its damper to be clear."""
        damper = striker.damper
        if not self.settings.lift_first or damper is None or damper.rest == "off":
            return 0.0
        if held.until_s >= now_s + self.lead_s:
            return 0.0
        return max((damper.lift_ms - striker.latency_ms) / 1000 + CLEAR_S, 0.0)

    def _hold(self, now_s: float, striker: Striker, held: _Held) -> list[Command]:
        """The next piece of a damper's hold."""
        assert striker.damper is not None
        assert held.note is not None
        if now_s < held.patient_s:
            return []
        from_s = max(held.until_s, now_s + self.lead_s)
        # A damper that was let go for less than it needs to fall has not been at rest.
        if from_s > held.until_s + striker.damper.fall_ms / 1000 + JOINED_S:
            held.since_s = from_s
        longest_s = held.since_s + striker.damper.coil.on_max_ms / 1000
        until_s = min(from_s + PIECE_S, longest_s)
        if until_s - from_s < JOINED_S:
            held.patient_s = math.inf
            why = f"the damper of {striker.name} has been held its longest"
            self._say(now_s, why, "damped", "damper.coil.on_max_ms")
            return []
        commands, changes = self._planner.hold(held.note, striker, from_s, until_s)
        self._tell(now_s, changes)
        if not commands:
            held.patient_s = now_s + RENEW_S
        return self._reach(held, commands)

    def _reach(self, held: _Held, commands: list[Command]) -> list[Command]:
        for command in commands:
            held.until_s = command.at_s + command.length_ms / 1000
        return commands

    # Turners

    def _start_turning(
        self, now_s: float, turner: Turner, share: float, pressed: PressedKey
    ) -> None:
        held = self._held[turner.name]
        held.share = share
        if not held.pressed:
            self._keep(held, self._note(now_s + self.lead_s, turner, share))
        self._hold_key(pressed, turner.name)
        if held.until_s < now_s + self.lead_s + RENEW_S:
            self._admit(now_s, self._turn(now_s, turner, held))

    def _turn(self, now_s: float, turner: Turner, held: _Held) -> list[Command]:
        """The next piece of a motor's run."""
        assert held.note is not None
        if now_s < held.patient_s:
            return []
        # The motor is off for two milliseconds between pieces, so that the board's ticks part them.
        from_s = max(held.until_s + 0.002, now_s + self.lead_s)
        speed_rps = turner.slowest_rps + held.share * (turner.fastest_rps - turner.slowest_rps)
        commands, changes = self._planner.turn(held.note, turner, from_s, RUN_PIECE_S, speed_rps)
        self._tell(now_s, changes)
        if not commands:
            held.patient_s = now_s + PATIENCE_S
        return self._reach(held, commands)

    # What was played

    def _note(self, onset_s: float, item: Striker | Turner, force: float) -> ReplyNote:
        return ReplyNote(
            id=len(self._notes),
            onset_s=onset_s,
            offset_s=None,
            instrument=item.name,
            force=min(max(force, 0.0), 1.0),
            phrase=0,
            heard=None,
            heard_phrase=0,
            rule=RULE,
        )

    def _keep(self, held: _Held, note: ReplyNote) -> None:
        held.note = note
        self._notes.append(note)

    def _end_note(self, held: _Held, at_s: float) -> None:
        note = held.note
        if note is None or note.offset_s is not None:
            return
        held.note = msgspec.structs.replace(note, offset_s=max(at_s, note.onset_s))
        self._notes[note.id] = held.note

    def _admit(self, now_s: float, commands: list[Command]) -> bool:
        if not commands:
            return False
        try:
            self._out.checked.append(self._checker.admit(commands))
        except PlanBreaksLimitError as fault:
            self._say(now_s, f"{commands[0].instrument}: {fault.what}", "dropped", fault.limit)
            return False
        return True

    def _tell(self, now_s: float, changes: Iterable[Change]) -> None:
        for change in changes:
            if change.change == "moved":
                # By no more than MOVE_MAX_S.
                self.changed["moved", change.limit] += 1
                continue
            done = {"dropped": "not struck: ", "softened": "softer: "}.get(change.change, "")
            self._say(now_s, f"{done}{change.why} [{change.limit}]", change.change, change.limit)

    def _say(self, now_s: float, text: str, kind: str, limit: str) -> None:
        self.changed[kind, limit] += 1
        if now_s - self._said_s.get(text, -math.inf) >= PATIENCE_S:
            self._said_s[text] = now_s
            self._out.said.append(text)

    def _drain(self) -> DueCommands:
        out, self._out = self._out, DueCommands()
        return out

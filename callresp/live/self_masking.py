"""Self-masking: telling the machine's own sound in the microphone from the birds'.

Goal
----
A machine that answers what it hears must not answer itself. It knows when and
what it strikes, so it can say of any heard note whether that note may be its
own, and leave the rest of the spectrum open to the birds.

Conventions
-----------
- Times are seconds on the engine's clock; a strike's time is that of the
  stroke (pulse start plus the striker's latency).
- **Gate**: a stroke is a click over the whole band; for `gate_s` from its
  earliest arrival every note is taken as own.
- **Mask**: after the gate each partial keeps a band of ±`width` of its
  frequency until its own decay, and the room's, have taken it `fade_db` down.
  A damper that falls shortens all partials to its T60.
- **Return**: what a wall gives back of a stroke is masked likewise, a delay later,
  but only up to the level that it can have: that of the stroke as it was heard, less
  what the way to the wall and back takes. A bird that is louder is heard meanwhile.
- Motors keep their band, for unpitched notes only: a bird that whistles
  through a shaker is heard.
- Partials decay exponentially, so a fall of x dB takes x / 60 of T60
  (the definition of reverberation time, ISO 3382-1:2009).
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace
from typing import Protocol

from callresp.palette.model import Damper, Palette, Striker
from callresp.plan.model import Command, Hold, Strike, Turn

# A return may come so much earlier or later than it was known, and be so much louder: walls are
# rough, and the wind carries. Its ring is masked for a fall of so much at least.
RETURN_SLACK_S, RETURN_SLACK_SHARE = 0.010, 0.01
RETURN_SPARE_DB, RETURN_FADE_DB = 9.0, 12.0
# So often masks that are over are let go.
TIDY_S = 1.0


@dataclass(frozen=True, slots=True)
class Return:
    """What a wall gives back: its delay behind the stroke, and its level against it."""

    delay_s: float
    level_db: float


@dataclass(frozen=True, slots=True)
class Acoustics:
    """How sound comes back: longest delay, and the reverberation's T60.

    `width` is half the band kept about a partial, as a share of its frequency
    (0.03 is about half a semitone); `least_width_hz` its floor, for the
    listener's own resolution. `fade_db` is how far a partial must fall before
    its band is given back.
    """

    delay_s: float = 0.05
    t60_s: float = 0.4
    gate_s: float = 0.07
    width: float = 0.035
    least_width_hz: float = 90.0
    fade_db: float = 55.0
    returns: tuple[Return, ...] = ()


class HeardSound(Protocol):
    """What is asked of a sound: a note, or the mere beginning of one."""

    @property
    def onset_s(self) -> float:
        """When it begins."""

    @property
    def pitch_hz(self) -> float | None:
        """`None` where unpitched."""

    @property
    def low_hz(self) -> float:
        """Where its band begins."""

    @property
    def high_hz(self) -> float:
        """Where its band ends."""

    @property
    def level_db(self) -> float:
        """Its highest level."""


@dataclass(slots=True)
class HeardStroke:
    """How loud a stroke of ours was heard, once it was; its returns are fainter."""

    level_db: float | None = None

    def heard(self, level_db: float) -> None:
        """It, or what rings of it, was heard at a level."""
        self.level_db = max(level_db, self.level_db if self.level_db is not None else level_db)


@dataclass(frozen=True, slots=True)
class Mask:
    """A stretch of time and a band in which a heard note may be our own."""

    from_s: float
    until_s: float
    low_hz: float
    high_hz: float
    why: str
    unpitched_only: bool = False
    stroke: HeardStroke | None = None
    below_db: float | None = None

    def covers(self, note: HeardSound) -> bool:
        """Whether `note` starts in the stretch, in the band, and no louder than it can be."""
        if not self.from_s <= note.onset_s <= self.until_s or self._is_louder(note):
            return False
        if note.pitch_hz is not None:
            return not self.unpitched_only and self.low_hz <= note.pitch_hz <= self.high_hz
        return note.low_hz <= self.high_hz and note.high_hz >= self.low_hz

    def _is_louder(self, note: HeardSound) -> bool:
        if self.below_db is None or self.stroke is None or self.stroke.level_db is None:
            return False
        return note.level_db > self.stroke.level_db + self.below_db


class SelfMask:
    """Keeps the masks of what was struck lately.

    Parameters
    ----------
    palette
        What the machine plays on.
    acoustics
        How its sound comes back to the microphone.
    """

    def __init__(self, palette: Palette, acoustics: Acoustics | None = None) -> None:
        self.palette = palette
        self.acoustics = acoustics or Acoustics()
        self._masks: deque[Mask] = deque()
        self._by_channel = {item.coil.channel: item for item in palette.striker}
        self._by_damper = {
            item.damper.coil.channel: item for item in palette.striker if item.damper is not None
        }
        self._by_motor = {item.channel: item for item in palette.turner}
        self._tidied_s = -math.inf
        self._held_until: dict[int, float] = {}
        self._struck_s: dict[str, float] = {}

    def add_command(self, command: Command, at_s: float) -> None:
        """Take note of a command that the board executes at `at_s`."""
        if isinstance(command, Strike):
            if striker := self._by_channel.get(command.channel):
                self._masks.extend(self._strike(striker, at_s))
        elif isinstance(command, Hold):
            self._masks.extend(self._hold(command, at_s))
        elif isinstance(command, Turn):
            self._masks.extend(self._turn(command, at_s))

    def owner(self, note: HeardSound) -> str | None:
        """What of the machine `note` may be, in words; `None` if it is a stranger's."""
        for mask in self._masks:
            if mask.covers(note):
                if mask.stroke is not None and mask.below_db is None:
                    mask.stroke.heard(note.level_db)
                return mask.why
        return None

    def gated(self, at_s: float) -> bool:
        """Whether a whole-band gate is closed at `at_s`."""
        return any(
            mask.below_db is None
            and mask.low_hz == 0.0
            and math.isinf(mask.high_hz)
            and mask.from_s <= at_s <= mask.until_s
            for mask in self._masks
        )

    def release(self, at_s: float) -> None:
        """All coils were released: what a powered damper kept quiet rings on again."""
        for striker in self.palette.striker:
            if striker.damper is None or striker.damper.rest == "on":
                continue
            struck_s = self._struck_s.get(striker.name, -math.inf)
            if struck_s + striker.t60_s < at_s:
                continue
            self._held_until.pop(striker.damper.coil.channel, None)
            for partial in striker.partials:
                until_s = self._faded(struck_s + self.acoustics.delay_s, partial.t60_s)
                hz = partial.ratio * striker.reference_hz
                self._masks.append(self._band(hz, at_s, until_s, striker.name))

    def returns_are(self, returns: tuple[Return, ...]) -> None:
        """The walls' returns as they are now: for strokes from now on."""
        self.acoustics = replace(self.acoustics, returns=returns)

    def forget_before(self, at_s: float) -> None:
        """Drop masks that ended before `at_s`; some stay for another second."""
        if at_s < self._tidied_s + TIDY_S:
            return
        self._tidied_s = at_s
        self._masks = deque(mask for mask in self._masks if mask.until_s >= at_s)

    def _strike(self, striker: Striker, at_s: float) -> list[Mask]:
        acoustics = self.acoustics
        stroke_s = at_s + striker.latency_ms / 1000
        self._struck_s[striker.name] = stroke_s
        early_s = stroke_s - 3 * striker.latency_spread_ms / 1000 - 0.005
        late_s = stroke_s + acoustics.delay_s
        stroke = HeardStroke()
        gate = Mask(
            early_s,
            late_s + acoustics.gate_s,
            0.0,
            math.inf,
            f"the stroke on {striker.name}",
            stroke=stroke,
        )
        masks = [gate, *self._returns(striker, stroke, early_s, late_s)]
        for partial in striker.partials:
            hz = partial.ratio * striker.reference_hz
            until_s = self._rings_until(striker, partial.t60_s, at_s, late_s)
            masks.append(self._band(hz, early_s, until_s, striker.name))
        if striker.pitch_hz is None and striker.band_hz is not None:
            until_s = self._rings_until(striker, striker.t60_s, at_s, late_s)
            low, high = striker.band_hz
            masks.append(Mask(early_s, until_s, low, high, f"{striker.name} ringing", True))
        return masks

    def _returns(
        self, striker: Striker, stroke: HeardStroke, early_s: float, late_s: float
    ) -> list[Mask]:
        """What the walls give back of a stroke: its blow, then its partials."""
        acoustics = self.acoustics
        masks = []
        for back in acoustics.returns:
            slack_s = RETURN_SLACK_S + RETURN_SLACK_SHARE * back.delay_s
            from_s, until_s = early_s + back.delay_s - slack_s, late_s + back.delay_s + slack_s
            why, most_db = f"the echo of {striker.name}", back.level_db + RETURN_SPARE_DB
            gate_s = until_s + acoustics.gate_s
            masks.append(Mask(from_s, gate_s, 0.0, math.inf, why, False, stroke, most_db))
            # It has so much less to fall before it is heard no more.
            fades = max(acoustics.fade_db + back.level_db, RETURN_FADE_DB) / 60
            for partial in striker.partials:
                hz = partial.ratio * striker.reference_hz
                half = max(hz * acoustics.width, acoustics.least_width_hz)
                rings_s = until_s + fades * (partial.t60_s + acoustics.t60_s)
                masks.append(
                    Mask(from_s, rings_s, hz - half, hz + half, why, False, stroke, most_db)
                )
        return masks

    def _rings_until(self, striker: Striker, t60_s: float, at_s: float, from_s: float) -> float:
        """When a partial struck at `at_s` has fallen by `fade_db`."""
        damper = striker.damper
        if damper is None:
            return self._faded(from_s, t60_s)
        held_until_s = self._held_until.get(damper.coil.channel, -math.inf)
        if (held_until_s > at_s) == (damper.rest == "off"):
            return self._faded(from_s, min(t60_s, damper.damped_t60_s))
        if damper.rest == "off":
            return self._faded(from_s, t60_s)
        return min(self._faded(from_s, t60_s), self._quiet_after(damper, held_until_s))

    def _quiet_after(self, damper: Damper, end_s: float) -> float:
        """When a damper that starts to fall at `end_s` has made its striker quiet."""
        return self._faded(
            end_s + damper.fall_ms / 1000 + self.acoustics.delay_s, damper.damped_t60_s
        )

    def _faded(self, from_s: float, t60_s: float) -> float:
        return from_s + self.acoustics.fade_db / 60 * (t60_s + self.acoustics.t60_s)

    def _hold(self, command: Hold, at_s: float) -> list[Mask]:
        striker = self._by_damper.get(command.channel)
        if striker is None or striker.damper is None:
            return []
        end_s = at_s + command.hold_ms / 1000
        self._held_until[command.channel] = end_s
        damper = striker.damper
        pressed_s = end_s if damper.rest == "on" else at_s
        self._shorten(striker, pressed_s, self._quiet_after(damper, pressed_s))
        moves = ((at_s, damper.lift_ms, "lifting"), (end_s, damper.fall_ms, "falling"))
        return [
            self._whole_band(
                start_s,
                start_s + length_ms / 1000 + self.acoustics.delay_s + self.acoustics.gate_s,
                f"the damper of {striker.name} {word}",
            )
            for start_s, length_ms, word in moves
            if damper.noise_db > 0
        ]

    def _shorten(self, striker: Striker, falls_s: float, quiet_s: float) -> None:
        """Partials that would ring on past a fallen damper end with it."""
        why = f"{striker.name} ringing"
        self._masks = deque(
            Mask(mask.from_s, quiet_s, mask.low_hz, mask.high_hz, why, mask.unpitched_only)
            if mask.why == why and mask.from_s < falls_s and mask.until_s > quiet_s
            else mask
            for mask in self._masks
        )

    def _turn(self, command: Turn, at_s: float) -> list[Mask]:
        turner = self._by_motor.get(command.channel)
        if turner is None:
            return []
        until_s = at_s + command.run_ms / 1000 + turner.slow_down_s
        until_s += self.acoustics.delay_s + self.acoustics.t60_s * self.acoustics.fade_db / 60
        low, high = turner.band_hz
        return [Mask(at_s - 0.005, until_s, low, high, f"{turner.name} turning", True)]

    def _band(self, hz: float, from_s: float, until_s: float, name: str) -> Mask:
        half = max(hz * self.acoustics.width, self.acoustics.least_width_hz)
        return Mask(from_s, until_s, hz - half, hz + half, f"{name} ringing")

    @staticmethod
    def _whole_band(from_s: float, until_s: float, why: str) -> Mask:
        return Mask(from_s, until_s, 0.0, math.inf, why)

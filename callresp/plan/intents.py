"""From reply notes to intents: what each note needs of its coils and motors.

An intent is worked out from the palette's measured sound and timing alone.
Whether the machine may do it is decided by the planner.
"""

from __future__ import annotations

from bisect import bisect_right
from operator import attrgetter

import msgspec

from callresp.io.score import ReplyNote
from callresp.palette.model import Palette, Striker, Turner

# A note shorter than this is struck with the damper on, without lifting it.
MUTED_S = 0.03
# A turner runs this long where the note has no end.
TURN_S = 1.0
# The damper is clear this long before the stroke, so that its felt does not touch it.
CLEAR_S = 0.005


class StrikeIntent(msgspec.Struct, frozen=True):
    """A stroke wanted at `heard_s`.

    The coil goes on at `at_s`, for `pulse_ms`. `lift_s` and `fall_s` say when
    the damper's coil goes on and off again; `None` where it isn't moved. (A
    damper that rests off is pressed from `lift_s` to `fall_s`, after the note.)
    """

    note: ReplyNote
    striker: Striker
    at_s: float
    pulse_ms: float
    lift_s: float | None
    fall_s: float | None

    @property
    def heard_s(self) -> float:
        """When the stroke sounds."""
        return self.at_s + self.striker.latency_ms / 1000

    @property
    def starts_s(self) -> float:
        """When the first of its coils goes on."""
        return self.at_s if self.lift_s is None else min(self.at_s, self.lift_s)

    def moved(self, by_s: float) -> StrikeIntent:
        """The same, later by `by_s`."""
        if by_s <= 0:
            return self
        return StrikeIntent(
            self.note,
            self.striker,
            self.at_s + by_s,
            self.pulse_ms,
            None if self.lift_s is None else self.lift_s + by_s,
            None if self.fall_s is None else self.fall_s + by_s,
        )


class TurnIntent(msgspec.Struct, frozen=True):
    """A motor run at `speed_rps`, with power for `run_s` from `at_s`."""

    note: ReplyNote
    turner: Turner
    at_s: float
    run_s: float
    speed_rps: float

    @property
    def starts_s(self) -> float:
        """When the motor goes on."""
        return self.at_s


Intent = StrikeIntent | TurnIntent
_level_db = attrgetter("level_db")


def pulse_for(striker: Striker, force: float) -> float:
    """Pulse length in ms for a force of 0 to 1, along the measured force curve.

    Force is a share of the striker's range of level in dB, since that is how
    loudness is heard; between measured points the curve is linear, so it never
    falls where the points don't.
    """
    points = striker.force
    level = points[0].level_db + force * (points[-1].level_db - points[0].level_db)
    after = bisect_right(points, level, key=_level_db)
    if after == 0:
        return points[0].pulse_ms
    if after == len(points):
        return points[-1].pulse_ms
    low, high = points[after - 1], points[after]
    share = (level - low.level_db) / (high.level_db - low.level_db)
    return low.pulse_ms + share * (high.pulse_ms - low.pulse_ms)


def intent_of(note: ReplyNote, palette: Palette) -> Intent | None:
    """What a reply note needs; `None` where the palette has no such instrument."""
    if striker := palette.striker_named(note.instrument):
        return _strike(note, striker)
    if turner := palette.turner_named(note.instrument):
        return _turn(note, turner)
    return None


def _strike(note: ReplyNote, striker: Striker) -> StrikeIntent:
    at_s = note.onset_s - striker.latency_ms / 1000
    pulse_ms = pulse_for(striker, note.force)
    damper = striker.damper
    if damper is None:
        return StrikeIntent(note, striker, at_s, pulse_ms, None, None)
    length_s = striker.t60_s if note.offset_s is None else note.offset_s - note.onset_s
    if damper.rest == "on":
        if length_s <= MUTED_S:
            return StrikeIntent(note, striker, at_s, pulse_ms, None, None)
        lift_s = note.onset_s - damper.lift_ms / 1000 - CLEAR_S
        # The felt is down `fall_ms` after power goes; it should be down at the note's end.
        fall_s = note.onset_s + max(length_s - damper.fall_ms / 1000, MUTED_S)
        return StrikeIntent(note, striker, at_s, pulse_ms, lift_s, fall_s)
    if note.offset_s is None or length_s >= striker.t60_s:
        return StrikeIntent(note, striker, at_s, pulse_ms, None, None)
    press_s = note.onset_s + max(length_s - damper.lift_ms / 1000, 0.005)
    return StrikeIntent(note, striker, at_s, pulse_ms, press_s, press_s + damper.damped_t60_s)


def _turn(note: ReplyNote, turner: Turner) -> TurnIntent:
    speed = turner.slowest_rps + note.force * (turner.fastest_rps - turner.slowest_rps)
    end_s = note.onset_s + TURN_S if note.offset_s is None else note.offset_s
    # Started early by half its spin-up, stopped early by half its slow-down: the swell is
    # centred on the asked times.
    at_s = note.onset_s - turner.spin_up_s / 2
    run_s = max(end_s - turner.slow_down_s / 2 - at_s, turner.spin_up_s)
    return TurnIntent(note, turner, at_s, run_s, speed)

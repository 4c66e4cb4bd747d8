"""What was commanded in a strike test, and when: the plan as this room sees it.

The plan room stands above this one, so the commands hand over the few facts
that measuring needs: strokes and damper holds on the board's clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from callresp.palette.model import Palette, Striker


@dataclass(frozen=True, slots=True)
class StrikeAt:
    """A stroke commanded at `at_s` with a pulse of `pulse_ms`."""

    at_s: float
    channel: int
    pulse_ms: float


@dataclass(frozen=True, slots=True)
class HoldAt:
    """A damper's coil under power from `at_s` for `hold_s`."""

    at_s: float
    channel: int
    hold_s: float

    @property
    def until_s(self) -> float:
        """When its power goes."""
        return self.at_s + self.hold_s


@dataclass(frozen=True, slots=True)
class Schedule:
    """Strokes and holds in order of time."""

    strikes: tuple[StrikeAt, ...]
    holds: tuple[HoldAt, ...] = ()

    @property
    def end_s(self) -> float:
        """When the last coil goes off."""
        ends = [s.at_s + s.pulse_ms / 1000 for s in self.strikes]
        return max([*ends, *(h.until_s for h in self.holds)], default=0.0)


State = Literal["free", "lying", "moving"]


@dataclass(frozen=True, slots=True)
class Take:
    """One commanded stroke and what surrounds it, on the plan's clock.

    `gap_s` is since the striker's stroke before; `room_s` until its next
    stroke; `quiet_s` until any other striker's next stroke; `damped_in_s`
    until a damper starts to fall on it (`inf` where none does); `lift_s` is
    when its damper was last powered.
    """

    at_s: float
    striker: int
    pulse_ms: float
    state: State
    gap_s: float
    room_s: float
    quiet_s: float
    damped_in_s: float
    lift_s: float | None = None
    damp_s: float | None = None


# A damper that is still moving this long after its command is slower than any we know.
MOVING_S = 0.09


def takes(schedule: Schedule, palette: Palette) -> list[Take]:
    """Every stroke of a schedule with its surroundings, in order of time."""
    strikers = {s.coil.channel: n for n, s in enumerate(palette.striker)}
    every = sorted(schedule.strikes, key=lambda s: s.at_s)
    found = []
    for number, strike in enumerate(every):
        index = strikers.get(strike.channel)
        if index is None:
            continue
        striker = palette.striker[index]
        own_before = [s.at_s for s in every[:number] if s.channel == strike.channel]
        own_after = [s.at_s for s in every[number + 1 :] if s.channel == strike.channel]
        others = [s.at_s for s in every[number + 1 :] if s.channel != strike.channel]
        state, lift_s, damp_s = _damper_at(striker, strike.at_s, schedule)
        found.append(
            Take(
                at_s=strike.at_s,
                striker=index,
                pulse_ms=strike.pulse_ms,
                state=state,
                gap_s=strike.at_s - own_before[-1] if own_before else float("inf"),
                room_s=own_after[0] - strike.at_s if own_after else float("inf"),
                quiet_s=others[0] - strike.at_s if others else float("inf"),
                damped_in_s=float("inf") if damp_s is None else damp_s - strike.at_s,
                lift_s=lift_s,
                damp_s=damp_s,
            )
        )
    return found


def _damper_at(
    striker: Striker, at_s: float, schedule: Schedule
) -> tuple[State, float | None, float | None]:
    """State of the damper about when the stroke falls; last lift and next damping command."""
    damper = striker.damper
    if damper is None:
        return "free", None, None
    holds = [h for h in schedule.holds if h.channel == damper.coil.channel]
    fall_s = at_s + striker.latency_ms / 1000
    if damper.rest == "off":
        pressed = any(h.at_s - 0.01 <= fall_s < h.until_s + MOVING_S for h in holds)
        later = [h.at_s for h in holds if h.at_s > fall_s]
        return ("lying" if pressed else "free"), None, (later[0] if later else None)
    for hold in holds:
        if hold.at_s - 0.03 <= fall_s < hold.at_s + MOVING_S:
            return "moving", hold.at_s, hold.until_s
        if hold.at_s + MOVING_S <= fall_s < hold.until_s:
            return "free", hold.at_s, hold.until_s
    # What still falls counts as lying: nothing is measured within so short a time.
    return "lying", None, None

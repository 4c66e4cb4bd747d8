"""Each commanded stroke in the recording: whether it sounded, when, how loud.

A first pass places onsets and fits the plan's clock to them. Once a striker's
partials are known, levels come from how far a stroke moved their state
(`strike_amplitude`), which also finds strokes too soft to show as an onset.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from callresp.palette.model import Palette, Striker
from callresp.plan.model import Plan
from callresp.strike_test import align, onsets
from callresp.strike_test.capture import Capture
from callresp.strike_test.modes import Clip, Mode
from callresp.strike_test.strike_amplitude import LONG_S, added_by_stroke, power_db

Values = npt.NDArray[np.float64]

SPOKE_RISE_DB = 7.0
SPOKE_OVER_NOISE_DB = 9.0
EARLY_S, LATE_S = 0.014, 0.030
# Strokes closer than this to the one before belong to a run.
RUN_GAP_S = 0.32
CLIPPED_WITHIN_S = 0.08
MOST_CLIPS = 4

State = Literal["free", "damped", "moving"]


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


# Dampers have stopped moving this long after their command. Common practice, no source.
MOVING_S = 0.09


def takes(plan: Plan, palette: Palette) -> list[Take]:
    """Every stroke of a plan with its surroundings, in order of time."""
    strikers = {s.coil.channel: n for n, s in enumerate(palette.striker)}
    every = sorted(plan.strikes, key=lambda s: s.at_s)
    found = []
    for number, strike in enumerate(every):
        index = strikers.get(strike.channel)
        if index is None:
            continue
        striker = palette.striker[index]
        own_before = [s.at_s for s in every[:number] if s.channel == strike.channel]
        own_after = [s.at_s for s in every[number + 1 :] if s.channel == strike.channel]
        others = [s.at_s for s in every[number + 1 :] if s.channel != strike.channel]
        state, lift_s, damp_s = _damper_at(striker, strike.at_s, plan)
        found.append(
            Take(
                at_s=strike.at_s,
                striker=index,
                pulse_ms=strike.pulse_ms,
                state=state,
                gap_s=strike.at_s - own_before[-1] if own_before else math.inf,
                room_s=own_after[0] - strike.at_s if own_after else math.inf,
                quiet_s=others[0] - strike.at_s if others else math.inf,
                damped_in_s=math.inf if damp_s is None else damp_s - strike.at_s,
                lift_s=lift_s,
                damp_s=damp_s,
            )
        )
    return found


def _damper_at(
    striker: Striker, at_s: float, plan: Plan
) -> tuple[State, float | None, float | None]:
    """State of the damper about when the stroke falls; last lift and next damping command."""
    damper = striker.damper
    if damper is None:
        return "free", None, None
    holds = [h for h in plan.holds if h.channel == damper.coil.channel]
    fall_s = at_s + striker.latency_ms / 1000
    if damper.rest == "off":
        pressed = any(h.at_s - 0.01 <= fall_s < h.end_s + MOVING_S for h in holds)
        later = [h.at_s for h in holds if h.at_s > fall_s]
        return ("damped" if pressed else "free"), None, (later[0] if later else None)
    for hold in holds:
        if hold.at_s - 0.03 <= fall_s < hold.at_s + MOVING_S:
            return "moving", hold.at_s, hold.end_s
        if hold.at_s + MOVING_S <= fall_s < hold.end_s:
            return "free", hold.at_s, hold.end_s
    # A damper that is still falling counts as on.
    return "damped", None, None


@dataclass(frozen=True, slots=True)
class HeardStroke:
    """A commanded stroke as it was heard.

    `expected_s` is the recording time at which it should fall; `at_s` where its
    onset is, `None` where none stands out; `level_db` re a full-scale sine.
    """

    take: Take
    expected_s: float
    at_s: float | None = None
    rise_db: float = 0.0
    level_db: float | None = None
    spoke: bool = False
    clipped: bool = False
    disturbed: bool = False

    @property
    def alone(self) -> bool:
        """Whether it is not part of a run."""
        return self.take.gap_s >= RUN_GAP_S and self.take.room_s >= 0.25

    @property
    def usable(self) -> bool:
        """Whether its sound may be measured."""
        return self.at_s is not None and not self.clipped and not self.disturbed


def place(
    capture: Capture, takes: Sequence[Take], found: onsets.Onsets, start: align.Alignment
) -> tuple[list[HeardStroke], align.Alignment]:
    """Find every stroke's onset, and fit the clocks to them."""
    commands = np.array([take.at_s for take in takes])
    who = np.array([take.striker for take in takes], dtype=np.int64)
    predicted = start.offset_s + (1 + start.skew) * commands
    near = align.nearest(found.times_s, predicted)
    lonely = np.array([take.gap_s >= RUN_GAP_S for take in takes])
    heard = np.where(lonely & (np.abs(near - predicted) < align.NEAR_S), near, np.nan)
    clock = align.fine(commands, who, heard, start)
    strokes = [_placed(capture, take, _expected(take, clock)) for take in takes]
    heard = np.array(
        [np.nan if s.at_s is None or not s.alone else s.at_s for s in strokes], dtype=np.float64
    )
    clock = align.fine(commands, who, heard, clock)
    return [replace(s, expected_s=_expected(s.take, clock)) for s in strokes], clock


def _expected(take: Take, clock: align.Alignment) -> float:
    typical = float(np.median(list(clock.delays_s.values()))) if clock.delays_s else 0.0
    return float(clock.time_of(take.at_s)) + clock.delays_s.get(take.striker, typical)


def _placed(capture: Capture, take: Take, expected_s: float) -> HeardStroke:
    early_s = min(EARLY_S, 0.4 * take.gap_s)
    late_s = min(LATE_S, 0.4 * take.room_s)
    learn_s = max(min(0.08, take.gap_s - early_s - 0.015), 0.004)
    got = onsets.pick(capture.samples, capture.rate_hz, expected_s, early_s, late_s, learn_s)
    if got is None or got.rise_db < SPOKE_RISE_DB:
        return HeardStroke(take, expected_s)
    near = (
        np.abs(capture.clipped_s - got.at_s - CLIPPED_WITHIN_S / 2) < CLIPPED_WITHIN_S / 2 + 0.002
    )
    return HeardStroke(
        take, expected_s, got.at_s, got.rise_db, spoke=True, clipped=bool(near.any())
    )


def free_clips(capture: Capture, strokes: Sequence[HeardStroke]) -> list[tuple[HeardStroke, Clip]]:
    """The `MOST_CLIPS` longest clean free strokes of a striker, as clips from their onsets on.

    Hard strokes first among those of about the same length.
    """
    found = []
    for stroke in strokes:
        take = stroke.take
        if stroke.at_s is None or take.state != "free" or not stroke.usable or not stroke.alone:
            continue
        length_s = min(take.room_s, take.quiet_s, take.damped_in_s, 9.0) - 0.03
        sound = capture.part(stroke.at_s, length_s)
        if len(sound) > 0.06 * capture.rate_hz:
            found.append((stroke, Clip(sound, capture.rate_hz)))
    if not found:
        return []
    longest = max(clip.length_s for _, clip in found)
    hardest = max(stroke.take.pulse_ms for stroke, _ in found)
    found.sort(
        key=lambda pair: (
            -(min(pair[1].length_s / longest, 0.9) + 0.3 * pair[0].take.pulse_ms / hardest)
        )
    )
    return found[:MOST_CLIPS]


def with_level(
    capture: Capture, stroke: HeardStroke, modes: Sequence[Mode], damped_modes: Sequence[Mode]
) -> HeardStroke:
    """A stroke with its level, and with whether it sounded at all."""
    take = stroke.take
    own = damped_modes if take.state == "damped" else modes
    at_s = stroke.at_s if stroke.at_s is not None else stroke.expected_s
    after_s = min(take.room_s, take.quiet_s, max(take.damped_in_s, 0.02)) - 0.004
    before_s = min(take.gap_s - 0.004, LONG_S)
    added = added_by_stroke(capture.samples, capture.rate_hz, at_s, own, before_s, after_s)
    if added is None:
        return stroke
    level_db = power_db(added)
    spoke = stroke.spoke
    if not spoke and stroke.alone:
        # The same over a stretch without a stroke says what noise and ringing alone would give.
        quiet = [
            added_by_stroke(capture.samples, capture.rate_hz, at_s - back, own, 0.05, 0.05)
            for back in (0.07, 0.11)
        ]
        floor = max((power_db(q) for q in quiet if q is not None), default=-200.0)
        spoke = level_db > floor + SPOKE_OVER_NOISE_DB
    return replace(stroke, level_db=level_db if spoke else None, spoke=spoke)


def strength_db(capture: Capture, stroke: HeardStroke, modes: Sequence[Mode]) -> float | None:
    """Level that a stroke of a run added where it was expected, dB; `None` at the edges."""
    take = stroke.take
    before_s = min(take.gap_s, 0.08) - 0.002
    after_s = min(take.room_s, 0.08) - 0.002
    late_s = 0.0 if stroke.at_s is None else stroke.at_s - stroke.expected_s
    at_s = stroke.expected_s + (late_s if abs(late_s) < 0.003 else 0.0)
    added = added_by_stroke(capture.samples, capture.rate_hz, at_s, modes, before_s, after_s)
    return None if added is None else power_db(added)

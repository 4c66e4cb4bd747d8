"""Schedules motors: what a turner has done so far, and what it may still do.

Conventions
-----------
A motor comes up to speed evenly over `spin_up_s` and slows down evenly over
`slow_down_s`, so a run of power turns the shaft

    speed * (run - spin_up / 2 + slow_down / 2)

times; a run too short to come up to speed turns it as much as the ramps that it
does reach. Runs less than `slow_down_s` apart count as one run, since the shaft
has not come to rest; `run_max_s` limits such joined runs.
"""

from __future__ import annotations

import math

import msgspec

from callresp.palette.model import Turner
from callresp.plan import tolerances
from callresp.plan.electrical.loads import CurrentTimeline, Excess
from callresp.plan.intents import TurnIntent
from callresp.plan.model import ChangeKind, ChangeList, Turn
from callresp.plan.schedulers.coil import RELEASE_S

# A run shorter than this is not worth its spin-up.
LEAST_RUN_S = 0.05
MOVE_MAX_S = 0.03
STEP_S = 1e-5


def turns_of(turner: Turner, speed_rps: float, run_s: float) -> float:
    """How often the shaft turns in a run of power, until it is at rest again.

    Examples
    --------
    >>> movement = Turner(name="m", kind="wound", channel=0, slowest_rps=1, fastest_rps=2,
    ...                   spin_up_s=0.2, slow_down_s=0.4, current_a=0.1, start_current_a=0.3)
    >>> round(turns_of(movement, 2.0, 3.0), 6)
    6.2
    """
    ramps_s = turner.spin_up_s + turner.slow_down_s
    if run_s >= turner.spin_up_s:
        return speed_rps * (run_s - turner.spin_up_s + ramps_s / 2)
    return speed_rps * ramps_s / 2 * (run_s / turner.spin_up_s) ** 2


def run_for(turner: Turner, speed_rps: float, turns: float) -> float:
    """The longest run (s) that turns no more than `turns` times: the inverse of `turns_of`."""
    ramps_s = turner.spin_up_s + turner.slow_down_s
    ramp_turns = speed_rps * ramps_s / 2
    if turns >= ramp_turns:
        return (turns - ramp_turns) / speed_rps + turner.spin_up_s
    return turner.spin_up_s * math.sqrt(max(turns, 0.0) / ramp_turns)


class MotorRun(msgspec.Struct, frozen=True):
    """A run within a turner's own limits, and the key that limits it."""

    start_s: float
    run_s: float
    limit: str


class MotorScheduler:
    """The runs of one turner, in order of time."""

    def __init__(self, turner: Turner, timeline: CurrentTimeline) -> None:
        self._turner = turner
        self._timeline = timeline
        self._free_s = self._rest_s = -math.inf
        self._run_start_s = -math.inf
        self._turns = 0.0

    def place(self, intent: TurnIntent, now_s: float, changes: ChangeList) -> list[Turn]:
        """Place a run within every limit; none where it must be dropped."""
        turner = self._turner
        speed = min(max(intent.speed_rps, turner.slowest_rps), turner.fastest_rps)
        end_s = intent.at_s + intent.run_s
        run = self._within(max(intent.at_s, now_s), end_s, speed)
        excess: Excess | None = None
        while run.run_s >= LEAST_RUN_S:
            turn = self._turn(intent, run, speed)
            excess = self._timeline.too_much(self._timeline.load_model.loads_of(turn))
            if excess is None:
                self._commit(turn)
                self._report_changes(intent, run, speed, changes)
                return [turn]
            later_s = excess.free_s + STEP_S
            if later_s > max(intent.at_s, now_s, self._free_s + RELEASE_S) + MOVE_MAX_S:
                break
            run = self._within(later_s, end_s, speed)
        if excess is not None:
            self._report(
                "dropped", intent, excess.limit, excess.asked_a, excess.allowed_a, "A", changes
            )
        else:
            self._report("dropped", intent, run.limit, intent.run_s, run.run_s, "s", changes)
        return []

    def _within(self, at_s: float, end_s: float, speed: float) -> MotorRun:
        """The longest run from `at_s`, either joined to the one before or from rest."""
        turner = self._turner
        rested_s = max(at_s, self._rest_s)
        joined_s = max(at_s, self._free_s + RELEASE_S)
        starts = [(rested_s, rested_s)]
        if joined_s < rested_s:
            starts.insert(0, (joined_s, self._run_start_s))
        best = MotorRun(joined_s, 0.0, "turner.channel")
        for start_s, run_start_s in starts:
            run_s, limit = end_s - start_s, "turner.channel"
            alone = start_s == run_start_s
            most_s = turner.run_max_s if alone else tolerances.joined_run_s(turner.run_max_s)
            if start_s + run_s > run_start_s + most_s:
                run_s, limit = run_start_s + most_s - start_s, "turner.run_max_s"
            if turner.store_turns is not None:
                stored_s = run_for(turner, speed, turner.store_turns - self._turns)
                if run_s > stored_s:
                    run_s, limit = stored_s, "turner.store_turns"
            # Rounded down to a whole nanosecond, so that sums of runs stay within the store.
            run_s = math.floor(run_s * 1e9 - 1) / 1e9
            if run_s > best.run_s or best.run_s <= 0:
                best = MotorRun(start_s, max(run_s, 0.0), limit)
        return best

    def _turn(self, intent: TurnIntent, run: MotorRun, speed: float) -> Turn:
        return Turn(
            at_s=run.start_s,
            channel=self._turner.channel,
            speed_rps=speed,
            run_ms=run.run_s * 1000,
            instrument=self._turner.name,
            reply=intent.note.id,
        )

    def _commit(self, turn: Turn) -> None:
        turner = self._turner
        if turn.at_s >= self._rest_s:
            self._run_start_s = turn.at_s
        run_s = turn.run_ms / 1000
        self._free_s = tolerances.off_by_s(turn.at_s, run_s)
        self._rest_s = tolerances.off_by_s(turn.at_s, run_s + turner.slow_down_s)
        self._turns += turns_of(turner, turn.speed_rps, turn.run_ms / 1000)
        self._timeline.place(self._timeline.load_model.loads_of(turn))

    def _report_changes(
        self, intent: TurnIntent, run: MotorRun, speed: float, changes: ChangeList
    ) -> None:
        if speed != intent.speed_rps:
            key = "fastest_rps" if speed < intent.speed_rps else "slowest_rps"
            self._report(
                "slowed", intent, f"turner.{key}", intent.speed_rps, speed, "turns/s", changes
            )
        if run.run_s < intent.run_s - 1e-3:
            self._report("shortened", intent, run.limit, intent.run_s, run.run_s, "s", changes)
        elif run.start_s > intent.at_s + 1e-3:
            self._report("moved", intent, "current_max_a", intent.at_s, run.start_s, "s", changes)

    def _report(
        self,
        kind: ChangeKind,
        intent: TurnIntent,
        limit: str,
        asked: float,
        given: float,
        unit: str,
        changes: ChangeList,
    ) -> None:
        why = f"{self._turner.name} {_WHY.get(limit, 'would be too much current at once')}"
        changes.add(kind, intent.note, limit, why, asked, given, unit)


_WHY = {
    "turner.channel": "is still turning, or it is too late",
    "turner.run_max_s": "has run its longest",
    "turner.store_turns": "has unwound",
    "turner.fastest_rps": "turns no faster",
    "turner.slowest_rps": "turns no slower",
}

"""What one turner has done so far: speeds, longest run, turns in store."""

from __future__ import annotations

import math

from callresp.palette.model import Turner
from callresp.plan.intents import TurnIntent
from callresp.plan.model import Change, Turn

# A run shorter than this is not worth its spin-up.
LEAST_RUN_S = 0.05
LET_GO_S = 1e-3


class TurnBook:
    """The runs of one turner, in order of time."""

    def __init__(self, turner: Turner) -> None:
        self.turner = turner
        self.free_s = -math.inf
        self.turns = 0.0

    def fit(self, intent: TurnIntent, changes: list[Change]) -> Turn | None:
        """The run within the turner's limits; `None` if it must go."""
        turner = self.turner
        speed = min(max(intent.speed_rps, turner.slowest_rps), turner.fastest_rps)
        start_s = max(intent.at_s, self.free_s + LET_GO_S)
        end_s = intent.at_s + intent.run_s
        limit = "turner.channel"
        if end_s - start_s > turner.run_max_s:
            end_s, limit = start_s + turner.run_max_s, "turner.run_max_s"
        if turner.store_turns is not None:
            left_s = (turner.store_turns - self.turns) / speed
            if end_s - start_s > left_s:
                end_s, limit = start_s + left_s, "turner.store_turns"
        # Rounded down to a whole nanosecond, so that sums of runs stay within the store.
        run_s = math.floor((end_s - start_s) * 1e9) / 1e9
        if speed != intent.speed_rps:
            changes.append(
                self._change(intent, "slowed", "turner.fastest_rps", intent.speed_rps, speed, "/s")
            )
        if run_s < LEAST_RUN_S:
            changes.append(self._change(intent, "dropped", limit, intent.run_s, 0.0, "s"))
            return None
        if run_s < intent.run_s - 1e-3:
            changes.append(self._change(intent, "shortened", limit, intent.run_s, run_s, "s"))
        return Turn(
            at_s=start_s,
            channel=turner.channel,
            speed_rps=speed,
            run_ms=run_s * 1000,
            instrument=turner.name,
            reply=intent.note.id,
        )

    def do(self, turn: Turn) -> None:
        """Put a run down."""
        self.free_s = turn.at_s + turn.run_ms / 1000
        self.turns += turn.speed_rps * turn.run_ms / 1000

    def _change(
        self, intent: TurnIntent, change: str, limit: str, asked: float, given: float, unit: str
    ) -> Change:
        return Change(
            change=change,  # type: ignore[arg-type]
            reply=intent.note.id,
            at_s=intent.note.onset_s,
            limit=limit,
            why=f"{self.turner.name} {_WHY.get(limit, 'is at its limit')}",
            asked=round(asked, 4),
            given=round(given, 4),
            unit=unit,
        )


_WHY = {
    "turner.channel": "is still turning",
    "turner.run_max_s": "has run its longest",
    "turner.store_turns": "has unwound",
    "turner.fastest_rps": "turns no faster or slower",
}

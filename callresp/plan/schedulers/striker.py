"""Schedules strokes, each within the limits of its striker, its coil and its driver."""

from __future__ import annotations

from callresp.palette.model import Striker
from callresp.plan.electrical.loads import CurrentTimeline
from callresp.plan.intents import StrikeIntent
from callresp.plan.model import ChangeList, Strike
from callresp.plan.schedulers.coil import RELEASE_S, CoilHistory

MOVE_MAX_S = 0.03
STEP_S = 1e-5


class StrikerScheduler:
    """The strokes of one striker, in order of time; each is moved by `move_max_s` at most."""

    def __init__(
        self,
        striker: Striker,
        history: CoilHistory,
        timeline: CurrentTimeline,
        move_max_s: float = MOVE_MAX_S,
    ) -> None:
        self._move_max_s = move_max_s
        self._striker = striker
        self._channel = striker.coil.channel
        self._history = history
        self._timeline = timeline

    def place(self, intent: StrikeIntent, now_s: float, changes: ChangeList) -> Strike | None:
        """Place a stroke; `None` where it must be dropped."""
        striker, history = self._striker, self._history
        asked_s = max(intent.at_s, now_s)
        if asked_s > intent.at_s + self._move_max_s:
            late_ms = (asked_s - intent.at_s) * 1000
            why = f"it came too late for {striker.name}"
            changes.add(
                "dropped", intent.note, "latency_ms", why, late_ms, self._move_max_s * 1000, "ms"
            )
            return None
        ready_s = history.last_start_s + striker.restrike_ms / 1000 + 1e-9
        ready_s = max(ready_s, history.free_s + RELEASE_S)
        at_s, limit = asked_s, "latency_ms"
        if ready_s > at_s:
            at_s, limit = ready_s, "restrike_ms"
        if at_s > intent.at_s + self._move_max_s:
            gap_ms = (intent.at_s - history.last_start_s) * 1000
            why = f"{striker.name} was struck just before"
            changes.add("dropped", intent.note, limit, why, gap_ms, striker.restrike_ms, "ms")
            return None
        pulse_s = self._pulse_s(intent, at_s, changes)
        if pulse_s is None:
            return None
        load_of = self._timeline.load_model.coil_load
        while excess := self._timeline.too_much([load_of(self._channel, at_s, pulse_s, 1.0)]):
            at_s, limit = excess.free_s + STEP_S, excess.limit
            if at_s > intent.at_s + self._move_max_s:
                why = f"{striker.name} would be too much current at once"
                asked, allowed = excess.asked_a, excess.allowed_a
                changes.add("dropped", intent.note, limit, why, asked, allowed, "A")
                return None
        self._timeline.place([load_of(self._channel, at_s, pulse_s, 1.0)])
        self._history.record([(at_s, pulse_s, 1.0)])
        self._report_move(intent, at_s, limit, changes)
        return Strike(
            at_s=at_s,
            channel=self._channel,
            pulse_ms=pulse_s * 1000,
            instrument=striker.name,
            reply=intent.note.id,
        )

    def _pulse_s(self, intent: StrikeIntent, at_s: float, changes: ChangeList) -> float | None:
        """Length of the pulse that duty and heat allow; `None` if not even the softest."""
        softest_s, wanted_s = self._striker.force[0].pulse_ms / 1000, intent.pulse_ms / 1000
        pulse_s, limit = self._history.room_s(at_s, wanted_s), "coil.duty_max"
        cool_s = self._history.longest_s(lambda s: [(at_s, s, 1.0)], pulse_s)
        if cool_s < pulse_s:
            pulse_s, limit = cool_s, "coil.insulation"
        asked, given = intent.pulse_ms, pulse_s * 1000
        if pulse_s < softest_s - 1e-12:
            why = f"the coil of {self._striker.name} has worked too much"
            changes.add("dropped", intent.note, limit, why, asked, given, "ms")
            return None
        if pulse_s < wanted_s - 1e-9:
            why = f"the coil of {self._striker.name} has worked much"
            changes.add("softened", intent.note, limit, why, asked, given, "ms")
        return pulse_s

    def _report_move(
        self, intent: StrikeIntent, at_s: float, limit: str, changes: ChangeList
    ) -> None:
        moved_s = at_s - intent.at_s
        if moved_s > STEP_S:
            busy = {
                "restrike_ms": f"{self._striker.name} was struck just before",
                "latency_ms": f"it came late for {self._striker.name}",
            }
            why = busy.get(limit, f"{self._striker.name} would be too much current at once")
            onset_s = intent.note.onset_s
            changes.add("moved", intent.note, limit, why, onset_s, onset_s + moved_s, "s")

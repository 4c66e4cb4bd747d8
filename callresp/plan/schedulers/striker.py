"""Strokes: each within its striker's, its coil's and its drivers' limits."""

from __future__ import annotations

from callresp.palette.model import Striker
from callresp.plan.electrical.loads import CurrentTimeline, LoadModel
from callresp.plan.intents import StrikeIntent
from callresp.plan.model import Change, Strike, change
from callresp.plan.schedulers.coil import CoilHistory
from callresp.plan.schedulers.damper import LET_GO_S

MOVE_MAX_S = 0.03
STEP_S = 1e-5


class StrikerScheduler:
    """The strokes of one striker, in order of time."""

    def __init__(
        self, striker: Striker, book: CoilHistory, ledger: CurrentTimeline, wiring: LoadModel
    ) -> None:
        self._striker = striker
        self._channel = striker.coil.channel
        self._book = book
        self._ledger = ledger
        self._wiring = wiring

    def place(self, intent: StrikeIntent, now_s: float, changes: list[Change]) -> Strike | None:
        """Place a stroke; `None` where it must go."""
        striker, book = self._striker, self._book
        asked_s = max(intent.at_s, now_s)
        if asked_s > intent.at_s + MOVE_MAX_S:
            late_ms = (asked_s - intent.at_s) * 1000
            why = f"it came too late for {striker.name}"
            self._drop(intent, "latency_ms", why, late_ms, MOVE_MAX_S * 1000, "ms", changes)
            return None
        ready_s = book.last_start_s + striker.restrike_ms / 1000 + 1e-9
        ready_s = max(ready_s, book.free_s + LET_GO_S)
        at_s, limit = asked_s, "latency_ms"
        if ready_s > at_s:
            at_s, limit = ready_s, "restrike_ms"
        if at_s > intent.at_s + MOVE_MAX_S:
            gap_ms = (intent.at_s - book.last_start_s) * 1000
            why = f"{striker.name} was struck just before"
            self._drop(intent, limit, why, gap_ms, striker.restrike_ms, "ms", changes)
            return None
        pulse_s = self._pulse_s(intent, at_s, changes)
        if pulse_s is None:
            return None
        while excess := self._ledger.too_much(
            [self._wiring.coil_load(self._channel, at_s, pulse_s, 1.0)]
        ):
            at_s, limit = excess.free_s + STEP_S, excess.limit
            if at_s > intent.at_s + MOVE_MAX_S:
                why = f"{striker.name} would be too much current at once"
                self._drop(intent, limit, why, excess.asked_a, excess.allowed_a, "A", changes)
                return None
        self._do(at_s, pulse_s)
        self._tell(intent, at_s, pulse_s, limit, changes)
        return Strike(
            at_s=at_s,
            channel=self._channel,
            pulse_ms=pulse_s * 1000,
            instrument=striker.name,
            reply=intent.note.id,
        )

    def _pulse_s(self, intent: StrikeIntent, at_s: float, changes: list[Change]) -> float | None:
        """Length of the pulse that duty and heat allow; `None` if not even the softest."""
        softest_s, wanted_s = self._striker.force[0].pulse_ms / 1000, intent.pulse_ms / 1000
        pulse_s, limit = self._book.room_s(at_s, wanted_s), "coil.duty_max"
        cool_s = self._book.longest_s(lambda s: [(at_s, s, 1.0)], pulse_s)
        if cool_s < pulse_s:
            pulse_s, limit = cool_s, "coil.insulation"
        if pulse_s < softest_s - 1e-12:
            why = f"the coil of {self._striker.name} has worked too much"
            self._drop(intent, limit, why, intent.pulse_ms, pulse_s * 1000, "ms", changes)
            return None
        if pulse_s < wanted_s - 1e-9:
            why = f"the coil of {self._striker.name} has worked much"
            asked, given = intent.pulse_ms, pulse_s * 1000
            changes.append(change("softened", intent.note, limit, why, asked, given, "ms"))
        return pulse_s

    def _do(self, at_s: float, pulse_s: float) -> None:
        self._ledger.place([self._wiring.coil_load(self._channel, at_s, pulse_s, 1.0)])
        self._book.do([(at_s, pulse_s, 1.0)])

    def _tell(
        self,
        intent: StrikeIntent,
        at_s: float,
        pulse_s: float,
        limit: str,
        changes: list[Change],
    ) -> None:
        moved_s = at_s - intent.at_s
        if moved_s > STEP_S:
            busy = {
                "restrike_ms": f"{self._striker.name} was struck just before",
                "latency_ms": f"it came late for {self._striker.name}",
            }
            why = busy.get(limit, f"{self._striker.name} would be too much current at once")
            onset_s = intent.note.onset_s
            changes.append(
                change("moved", intent.note, limit, why, onset_s, onset_s + moved_s, "s")
            )

    def _drop(
        self,
        intent: StrikeIntent,
        limit: str,
        why: str,
        asked: float,
        allowed: float,
        unit: str,
        changes: list[Change],
    ) -> None:
        changes.append(change("dropped", intent.note, limit, why, asked, allowed, unit))

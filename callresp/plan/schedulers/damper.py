"""Dampers: up before the stroke, down after the note.

The last stroke on a striker decides when it is damped, so a hold may change
until it is final: a damper that would fall only to rise again stays up, and one
that was to stay up falls early where a later, shorter note asks for it. So a
hold is put down in its coil's book only when it is final; until then each new
shape of it is judged whole, from what the coil did before.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from callresp.palette.model import Damper, Striker
from callresp.plan.electrical.loads import CurrentTimeline, Load, LoadModel
from callresp.plan.intents import MUTED_S, StrikeIntent
from callresp.plan.model import Change, Hold, change
from callresp.plan.schedulers.coil import CoilHistory, Part
from callresp.plan.tolerances import longest_s

# Between two on-times of a channel; the line's ticks of 0.1 ms must not make them touch.
LET_GO_S = 1e-3
# Where the supply is busy a damper may move this much before or after its time.
AWAY_S = (0.0, 0.01, 0.02, 0.04, 0.08)
# A damper that is off by less than this is as asked.
SLACK_S = 1e-3


@dataclass(frozen=True, slots=True)
class OpenHold:
    """A hold that may still change, and the last moment at which a stroke needs it."""

    start_s: float
    end_s: float
    needed_s: float
    reply: int


@dataclass(frozen=True, slots=True)
class HoldFit:
    """The longest hold from `start_s` that fits, and what limits it."""

    start_s: float
    end_s: float
    limit: str


class DamperScheduler:
    """The holds of one damper, in order of time."""

    def __init__(
        self,
        striker: Striker,
        damper: Damper,
        book: CoilHistory,
        ledger: CurrentTimeline,
        wiring: LoadModel,
    ) -> None:
        self._name = striker.name
        self._damper = damper
        self._channel = damper.coil.channel
        self._book = book
        self._ledger = ledger
        self._wiring = wiring
        self._up: OpenHold | None = None
        # The last stroke that wants the damper at rest: it must not stir before that.
        self._rest_s = -math.inf

    @property
    def open_hold(self) -> Hold | None:
        """The hold as it stands, which later notes may change."""
        return None if self._up is None else self._command(self._up)

    def settle(self, before_s: float) -> list[Hold]:
        """Make a hold final that begins before a time; returns it."""
        if self._up is None or self._up.start_s >= before_s:
            return []
        return self._close()

    def place(self, intent: StrikeIntent, now_s: float, changes: list[Change]) -> list[Hold]:
        """Move the damper for a stroke; returns holds that are final by it."""
        onset_s = intent.heard_s
        if self._damper.rest == "off" or intent.lift_s is None:
            final = self._back_by(onset_s, intent, changes)
            self._rest_s = onset_s
            if intent.lift_s is not None:
                self._open(intent, now_s, changes)
            return final
        if self._up is None or intent.lift_s > self._up.end_s + self._settle_s:
            final = self._close()
            self._open(intent, now_s, changes)
            return final
        return self._go_on(self._up, intent, now_s, changes)

    @property
    def _settle_s(self) -> float:
        return (self._damper.lift_ms + self._damper.fall_ms) / 1000

    def _command(self, up: OpenHold) -> Hold:
        hold_ms = (up.end_s - up.start_s) * 1000
        return Hold(
            at_s=up.start_s,
            channel=self._channel,
            hold_ms=hold_ms,
            pull_ms=min(self._damper.pull_ms, hold_ms),
            hold_duty=self._damper.hold_duty,
            instrument=self._name,
            reply=up.reply,
        )

    def _close(self) -> list[Hold]:
        if self._up is None:
            return []
        up, self._up = self._up, None
        parts = self._parts(up.start_s, up.end_s)
        self._book.do(parts)
        self._ledger.hold(self._channel, [])
        self._ledger.place(self._loads(parts))
        return [self._command(up)]

    def _set(self, up: OpenHold) -> None:
        self._up = up
        self._ledger.hold(self._channel, self._loads(self._parts(up.start_s, up.end_s)))

    def _back_by(self, onset_s: float, intent: StrikeIntent, changes: list[Change]) -> list[Hold]:
        """Let go so that the damper is back at rest by a stroke, but not under an earlier one."""
        up = self._up
        if up is None:
            return []
        wanted_s = onset_s - self._damper.fall_ms / 1000
        end_s = min(up.end_s, max(wanted_s, up.needed_s))
        # A felt that would turn back before it arrives need not set out.
        least_s = SLACK_S if self._damper.rest == "on" else self._damper.lift_ms / 1000
        if end_s - up.start_s < least_s:
            self._up = None
            self._ledger.hold(self._channel, [])
            return []
        if end_s > wanted_s + SLACK_S:
            why = f"the damper of {self._name} is not back at rest in time"
            changes.append(
                change("damped", intent.note, "damper.fall_ms", why, wanted_s, end_s, "s")
            )
        self._set(OpenHold(up.start_s, end_s, up.needed_s, up.reply))
        return self._close()

    def _go_on(
        self, up: OpenHold, intent: StrikeIntent, now_s: float, changes: list[Change]
    ) -> list[Hold]:
        """Hold on over a further stroke; where the coil may not, fall and rise between them."""
        assert intent.lift_s is not None
        assert intent.fall_s is not None
        needed_s = max(intent.heard_s + MUTED_S, up.needed_s)
        fit = self._longest(up.start_s, max(intent.fall_s, up.needed_s))
        if fit.end_s >= needed_s:
            self._set(OpenHold(up.start_s, fit.end_s, needed_s, up.reply))
            self._tell_end(fit, intent.fall_s, intent, changes)
            return []
        fallen_s = min(fit.end_s, intent.lift_s - self._damper.fall_ms / 1000 - LET_GO_S)
        if fallen_s >= up.needed_s:
            self._set(OpenHold(up.start_s, fallen_s, up.needed_s, up.reply))
            final = self._close()
            self._open(intent, now_s, changes)
            return final
        self._not_moved(fit.limit, intent, changes)
        return []

    def _open(self, intent: StrikeIntent, now_s: float, changes: list[Change]) -> None:
        """A new hold for a stroke, a little away from its time where the supply is busy."""
        assert intent.lift_s is not None
        assert intent.fall_s is not None
        lifts = self._damper.rest == "on"
        needed_s = intent.heard_s + MUTED_S if lifts else intent.lift_s + SLACK_S
        least_s = max(self._book.free_s + LET_GO_S, self._rest_s, now_s)
        limit = ""
        for away_s in AWAY_S:
            start_s = max(intent.lift_s - away_s if lifts else intent.lift_s + away_s, least_s)
            fit = self._longest(start_s, intent.fall_s)
            limit = limit or fit.limit
            if fit.end_s >= max(needed_s, start_s + SLACK_S):
                # A pressed damper ends a note: a new stroke may always do without it.
                kept_s = max(needed_s, start_s + SLACK_S) if lifts else start_s
                self._set(OpenHold(start_s, fit.end_s, kept_s, intent.note.id))
                self._tell_start(fit, intent, changes)
                self._tell_end(fit, intent.fall_s, intent, changes)
                return
        self._not_moved(limit, intent, changes)

    def _tell_start(self, fit: HoldFit, intent: StrikeIntent, changes: list[Change]) -> None:
        assert intent.lift_s is not None
        if fit.start_s > intent.lift_s + SLACK_S:
            why = f"the damper of {self._name} moves late"
            changes.append(
                change(
                    "damped", intent.note, "damper.lift_ms", why, intent.lift_s, fit.start_s, "s"
                )
            )

    def _tell_end(
        self, fit: HoldFit, wanted_s: float, intent: StrikeIntent, changes: list[Change]
    ) -> None:
        if fit.end_s < wanted_s - SLACK_S:
            why = f"the damper of {self._name} goes back early"
            onset_s = intent.heard_s
            changes.append(
                change(
                    "damped",
                    intent.note,
                    fit.limit,
                    why,
                    wanted_s - onset_s,
                    fit.end_s - onset_s,
                    "s",
                )
            )

    def _not_moved(self, limit: str, intent: StrikeIntent, changes: list[Change]) -> None:
        assert intent.fall_s is not None
        does = "is not lifted" if self._damper.rest == "on" else "is not pressed"
        why = f"the damper of {self._name} {does}"
        asked_s = intent.fall_s - intent.heard_s
        changes.append(change("damped", intent.note, limit, why, asked_s, 0.0, "s"))

    def _longest(self, start_s: float, wanted_s: float) -> HoldFit:
        """The longest hold from `start_s`, up to `wanted_s`, within every limit."""
        length_s, limit = wanted_s - start_s, ""
        if length_s <= 0:
            return HoldFit(start_s, start_s, "damper.lift_ms")
        on_max_s = self._damper.coil.on_max_ms / 1000 - 1e-6
        if length_s > on_max_s:
            length_s, limit = on_max_s, "damper.coil.on_max_ms"
        room_s = self._book.room_s(start_s, length_s)
        if room_s < length_s:
            length_s, limit = room_s, "damper.coil.duty_max"
        cool_s = self._book.longest_s(lambda s: self._parts(start_s, start_s + s), length_s)
        if cool_s < length_s:
            length_s, limit = cool_s, "damper.coil.insulation"
        if length_s < SLACK_S:
            return HoldFit(start_s, start_s, limit)
        loads = self._loads(self._parts(start_s, start_s + length_s))
        excess = self._ledger.too_much(loads, without=self._channel)
        if excess is not None:
            length_s, limit = longest_s(start_s, excess.at_s), excess.limit
        return HoldFit(start_s, start_s + length_s, limit)

    def _parts(self, start_s: float, end_s: float) -> list[Part]:
        """A hold as on-times: pull first, then hold."""
        pull_s = min(self._damper.pull_ms / 1000, end_s - start_s)
        parts: list[Part] = []
        if pull_s > 0:
            parts.append((start_s, pull_s, 1.0))
        if end_s - start_s > pull_s:
            rest_s = end_s - start_s - pull_s
            parts.append((start_s + pull_s, rest_s, self._damper.hold_duty))
        return parts

    def _loads(self, parts: list[Part]) -> list[Load]:
        start_s = parts[0][0]
        hold_s = parts[-1][0] + parts[-1][1] - start_s
        pull_s, duty = self._damper.pull_ms / 1000, self._damper.hold_duty
        return self._wiring.hold_loads(self._channel, start_s, hold_s, pull_s, duty)

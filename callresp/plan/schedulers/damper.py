"""Schedules dampers: moved before the stroke, back after the note.

The last stroke on a striker decides when it is damped, so a hold may change
until it is final: a damper that would fall only to rise again stays up, and one
that was to stay up falls early where a later, shorter note asks for it. So a
hold is recorded in its coil's history only when it is final; until then each
new version of it is judged whole, from what the coil did before.
"""

from __future__ import annotations

import math

import msgspec

from callresp.io.score import ReplyNote
from callresp.palette.model import Damper, Striker
from callresp.plan.electrical.loads import CurrentTimeline, Load
from callresp.plan.intents import MUTED_S, StrikeIntent
from callresp.plan.model import ChangeList, Hold
from callresp.plan.schedulers.coil import RELEASE_S, CoilHistory, Part
from callresp.plan.tolerances import longest_s

# Where the supply is busy a damper may move this much before or after its time.
AWAY_S = (0.0, 0.01, 0.02, 0.04, 0.08)
# A damper that was let go for no longer than this has not begun to move.
JOINED_S = 5e-3
# A damper that is off by less than this is as asked.
SLACK_S = 1e-3


class OpenHold(msgspec.Struct, frozen=True):
    """A hold that may still change; `needed_s` is the last time at which a stroke needs it.

    One that follows another closely needs no power to move (`pulls` False).
    """

    start_s: float
    end_s: float
    needed_s: float
    reply: int
    pulls: bool = True


class HoldFit(msgspec.Struct, frozen=True):
    """The longest hold from `start_s` within every limit, and the key that limits it."""

    start_s: float
    end_s: float
    limit: str


class DamperScheduler:
    """The holds of one damper, in order of time."""

    def __init__(
        self,
        striker: Striker,
        damper: Damper,
        history: CoilHistory,
        timeline: CurrentTimeline,
    ) -> None:
        self._name = striker.name
        self._damper = damper
        self._channel = damper.coil.channel
        self._history = history
        self._timeline = timeline
        self._hold: OpenHold | None = None
        # The last stroke that needs the damper at rest: it must not move before that.
        self._rest_s = -math.inf

    def settle(self, before_s: float) -> list[Hold]:
        """Make a hold final that begins before a time; returns it."""
        if self._hold is None or self._hold.start_s >= before_s:
            return []
        return self._finish()

    def place(self, intent: StrikeIntent, now_s: float, changes: ChangeList) -> list[Hold]:
        """Move the damper for a stroke; returns holds that are final by it."""
        onset_s = intent.heard_s
        if self._damper.rest == "off" or intent.lift_s is None:
            final = self._release_by(onset_s, intent, changes)
            self._rest_s = onset_s
            if intent.lift_s is not None:
                self._start(intent, now_s, changes)
            return final
        if self._hold is None or intent.lift_s > self._hold.end_s + self._settle_s:
            final = self._finish()
            self._start(intent, now_s, changes)
            return final
        return self._extend(self._hold, intent, now_s, changes)

    def hold(
        self, note: ReplyNote, from_s: float, until_s: float, changes: ChangeList
    ) -> list[Hold]:
        """Hold the damper for a stretch that is final at once: a piece of a longer hold.

        For playing by hand, where nobody knows yet when a note will end. The pause
        before a piece that follows closely counts as on-time: a board that keeps few
        on-times in mind joins them, and so counts it too.
        """
        start_s = max(from_s, self._history.free_s + RELEASE_S)
        pulls = start_s > self._history.free_s + JOINED_S
        counted_s = start_s if pulls else self._history.end_s
        fit = self._longest(start_s, until_s, pulls, counted_s)
        if fit.end_s - start_s < SLACK_S:
            why = f"the damper of {self._name} is not held"
            changes.add("damped", note, fit.limit, why, until_s - start_s, 0.0, "s")
            return []
        self._history.record(self._parts(counted_s, fit.end_s, pulls))
        self._timeline.place(self._loads(self._parts(start_s, fit.end_s, pulls), pulls))
        return [self._command(OpenHold(start_s, fit.end_s, fit.end_s, note.id, pulls))]

    @property
    def _settle_s(self) -> float:
        return (self._damper.lift_ms + self._damper.fall_ms) / 1000

    def _command(self, hold: OpenHold) -> Hold:
        hold_ms = (hold.end_s - hold.start_s) * 1000
        return Hold(
            at_s=hold.start_s,
            channel=self._channel,
            hold_ms=hold_ms,
            pull_ms=min(self._damper.pull_ms, hold_ms) if hold.pulls else 0.0,
            hold_duty=self._damper.hold_duty,
            instrument=self._name,
            reply=hold.reply,
        )

    def _finish(self) -> list[Hold]:
        if self._hold is None:
            return []
        hold, self._hold = self._hold, None
        parts = self._parts(hold.start_s, hold.end_s, hold.pulls)
        self._history.record(parts)
        self._timeline.hold(self._channel, [])
        self._timeline.place(self._loads(parts, hold.pulls))
        return [self._command(hold)]

    def _set(self, hold: OpenHold) -> None:
        self._hold = hold
        parts = self._parts(hold.start_s, hold.end_s, hold.pulls)
        self._timeline.hold(self._channel, self._loads(parts, hold.pulls))

    def _release_by(self, onset_s: float, intent: StrikeIntent, changes: ChangeList) -> list[Hold]:
        """Release the damper to rest by a stroke, but not before an earlier one is over."""
        hold = self._hold
        if hold is None:
            return []
        wanted_s = onset_s - self._damper.fall_ms / 1000
        end_s = min(hold.end_s, max(wanted_s, hold.needed_s))
        # A damper that would turn back before it arrives is not moved at all.
        least_s = SLACK_S if self._damper.rest == "on" else self._damper.lift_ms / 1000
        if end_s - hold.start_s < least_s:
            self._hold = None
            self._timeline.hold(self._channel, [])
            return []
        if end_s > wanted_s + SLACK_S:
            why = f"the damper of {self._name} is not back at rest in time"
            changes.add("damped", intent.note, "damper.fall_ms", why, wanted_s, end_s, "s")
        self._set(OpenHold(hold.start_s, end_s, hold.needed_s, hold.reply))
        return self._finish()

    def _extend(
        self, hold: OpenHold, intent: StrikeIntent, now_s: float, changes: ChangeList
    ) -> list[Hold]:
        """Extend the hold over a further stroke; where it may not, release and lift between."""
        assert intent.lift_s is not None
        assert intent.fall_s is not None
        needed_s = max(intent.heard_s + MUTED_S, hold.needed_s)
        fit = self._longest(hold.start_s, max(intent.fall_s, hold.needed_s))
        if fit.end_s >= needed_s:
            self._set(OpenHold(hold.start_s, fit.end_s, needed_s, hold.reply))
            self._report_early_end(fit, intent.fall_s, intent, changes)
            return []
        fallen_s = min(fit.end_s, intent.lift_s - self._damper.fall_ms / 1000 - RELEASE_S)
        if fallen_s >= hold.needed_s:
            self._set(OpenHold(hold.start_s, fallen_s, hold.needed_s, hold.reply))
            final = self._finish()
            self._start(intent, now_s, changes)
            return final
        self._report_not_moved(fit.limit, intent, changes)
        return []

    def _start(self, intent: StrikeIntent, now_s: float, changes: ChangeList) -> None:
        """Start a hold for a stroke, a little off its time where the supply is busy."""
        assert intent.lift_s is not None
        assert intent.fall_s is not None
        lifts = self._damper.rest == "on"
        needed_s = intent.heard_s + MUTED_S if lifts else intent.lift_s + SLACK_S
        least_s = max(self._history.free_s + RELEASE_S, self._rest_s, now_s)
        limit = ""
        for away_s in AWAY_S:
            start_s = max(intent.lift_s - away_s if lifts else intent.lift_s + away_s, least_s)
            fit = self._longest(start_s, intent.fall_s)
            limit = limit or fit.limit
            if fit.end_s >= max(needed_s, start_s + SLACK_S):
                # A pressed damper only ends a note: a new stroke may always cut it short.
                kept_s = max(needed_s, start_s + SLACK_S) if lifts else start_s
                self._set(OpenHold(start_s, fit.end_s, kept_s, intent.note.id))
                self._report_late_start(fit, intent, changes)
                self._report_early_end(fit, intent.fall_s, intent, changes)
                return
        self._report_not_moved(limit, intent, changes)

    def _report_late_start(self, fit: HoldFit, intent: StrikeIntent, changes: ChangeList) -> None:
        assert intent.lift_s is not None
        if fit.start_s > intent.lift_s + SLACK_S:
            why = f"the damper of {self._name} moves late"
            changes.add(
                "damped", intent.note, "damper.lift_ms", why, intent.lift_s, fit.start_s, "s"
            )

    def _report_early_end(
        self, fit: HoldFit, wanted_s: float, intent: StrikeIntent, changes: ChangeList
    ) -> None:
        if fit.end_s < wanted_s - SLACK_S:
            why = f"the damper of {self._name} goes back early"
            onset_s = intent.heard_s
            changes.add(
                "damped", intent.note, fit.limit, why, wanted_s - onset_s, fit.end_s - onset_s, "s"
            )

    def _report_not_moved(self, limit: str, intent: StrikeIntent, changes: ChangeList) -> None:
        assert intent.fall_s is not None
        does = "is not lifted" if self._damper.rest == "on" else "is not pressed"
        why = f"the damper of {self._name} {does}"
        asked_s = intent.fall_s - intent.heard_s
        changes.add("damped", intent.note, limit, why, asked_s, 0.0, "s")

    def _longest(
        self, start_s: float, wanted_s: float, pulls: bool = True, counted_s: float | None = None
    ) -> HoldFit:
        """The longest hold from `start_s`, up to `wanted_s`, within every limit.

        Duty and heat are counted from `counted_s`, where that is earlier.
        """
        length_s, limit = wanted_s - start_s, ""
        if length_s <= 0:
            return HoldFit(start_s, start_s, "damper.lift_ms")
        on_max_s = self._damper.coil.on_max_ms / 1000 - 1e-6
        if length_s > on_max_s:
            length_s, limit = on_max_s, "damper.coil.on_max_ms"
        since_s = start_s if counted_s is None else counted_s
        before_s = start_s - since_s
        room_s = self._history.room_s(since_s, before_s + length_s) - before_s
        if room_s < length_s:
            length_s, limit = room_s, "damper.coil.duty_max"
        cool_s = self._history.longest_s(
            lambda s: self._parts(since_s, since_s + s, pulls), before_s + length_s
        )
        if cool_s - before_s < length_s:
            length_s, limit = cool_s - before_s, "damper.coil.insulation"
        if length_s < SLACK_S:
            return HoldFit(start_s, start_s, limit)
        loads = self._loads(self._parts(start_s, start_s + length_s, pulls), pulls)
        excess = self._timeline.too_much(loads, without=self._channel)
        if excess is not None:
            length_s, limit = longest_s(start_s, excess.at_s), excess.limit
        return HoldFit(start_s, start_s + length_s, limit)

    def _parts(self, start_s: float, end_s: float, pulls: bool) -> list[Part]:
        """A hold as on-times: pull first, then hold."""
        pull_s = min(self._damper.pull_ms / 1000, end_s - start_s) if pulls else 0.0
        parts: list[Part] = []
        if pull_s > 0:
            parts.append((start_s, pull_s, 1.0))
        if end_s - start_s > pull_s:
            rest_s = end_s - start_s - pull_s
            parts.append((start_s + pull_s, rest_s, self._damper.hold_duty))
        return parts

    def _loads(self, parts: list[Part], pulls: bool) -> list[Load]:
        start_s = parts[0][0]
        hold_s = parts[-1][0] + parts[-1][1] - start_s
        pull_s, duty = self._damper.pull_ms / 1000 if pulls else 0.0, self._damper.hold_duty
        return self._timeline.load_model.hold_loads(self._channel, start_s, hold_s, pull_s, duty)

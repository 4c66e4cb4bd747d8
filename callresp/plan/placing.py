"""Placing intents one after another, each within every limit.

The placer keeps what is on at each moment (`loads.Ledger`), what each coil has
done (`coils.CoilBook`), and the holds that later notes may extend: a damper
that would fall only to rise again stays up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from callresp.palette.model import Damper, Palette
from callresp.plan.coils import CoilBook
from callresp.plan.intents import Intent, StrikeIntent, TurnIntent
from callresp.plan.loads import Ledger, Load, Wiring
from callresp.plan.model import Change, Command, Hold, Strike
from callresp.plan.turning import TurnBook

MOVE_MAX_S = 0.03
STEP_S = 1e-5
# Between two on-times of a channel; the line's ticks of 0.1 ms must not make them touch.
LET_GO_S = 1e-3


@dataclass(slots=True)
class OpenHold:
    """A hold that is up: from `start_s`, so far until `end_s`."""

    damper: Damper
    instrument: str
    start_s: float
    end_s: float
    reply: int

    @property
    def command(self) -> Hold:
        """The hold as a command."""
        hold_ms = (self.end_s - self.start_s) * 1000
        return Hold(
            at_s=self.start_s,
            channel=self.damper.coil.channel,
            hold_ms=hold_ms,
            pull_ms=min(self.damper.pull_ms, hold_ms),
            hold_duty=self.damper.hold_duty,
            instrument=self.instrument,
            reply=self.reply,
        )


class Placer:
    """Places intents in about the order of time; see `callresp.plan.planner`."""

    def __init__(self, palette: Palette) -> None:
        volts = palette.supply.nominal_v
        self._wiring = Wiring(palette)
        self._ledger = Ledger(self._wiring)
        self._books = {
            channel: CoilBook(coil, volts, palette.ambient_c)
            for channel, coil in palette.coils().items()
        }
        self._turns = {item.channel: TurnBook(item) for item in palette.turner}
        self._holds: dict[int, OpenHold] = {}

    def open_holds(self) -> list[Command]:
        """The holds that are still up, as commands."""
        return [hold.command for hold in self._holds.values()]

    def place(self, intent: Intent, changes: list[Change]) -> list[Command]:
        """Place an intent; returns what is final by it, and lists what was changed."""
        self._ledger.forget_before(intent.starts_s - 1.0)
        if isinstance(intent, TurnIntent):
            return self._place_turn(intent, changes)
        return self._place_strike(intent, changes)

    def _place_turn(self, intent: TurnIntent, changes: list[Change]) -> list[Command]:
        book = self._turns[intent.turner.channel]
        turn = book.fit(intent, changes)
        if turn is None:
            return []
        loads = self._wiring.loads_of(turn)
        broken = self._ledger.too_much(loads)
        if broken is not None:
            changes.append(_dropped(intent, broken[0], "too much current", broken[1], broken[2]))
            return []
        self._ledger.place(loads)
        book.do(turn)
        return [turn]

    def _place_strike(self, intent: StrikeIntent, changes: list[Change]) -> list[Command]:
        note, striker = intent.note, intent.striker
        strike = self._fit_strike(intent, changes)
        if strike is None:
            return []
        moved_s = strike.at_s - intent.at_s
        if moved_s > STEP_S:
            limit = "restrike_ms" if self._waits_for_restrike(intent) else "current_max_a"
            changes.append(
                Change(
                    change="moved",
                    reply=note.id,
                    at_s=note.onset_s,
                    limit=limit,
                    why=f"{striker.name} or its driver is busy for {moved_s * 1000:.0f} ms",
                    asked=note.onset_s,
                    given=round(note.onset_s + moved_s, 6),
                    unit="s",
                )
            )
        # The stroke first: a damper that can't lift beside it is worth less than the stroke.
        self._ledger.place(self._wiring.loads_of(strike))
        done = self._place_hold(replace_times(intent, moved_s), changes)
        self._books[striker.coil.channel].do([(strike.at_s, strike.pulse_ms / 1000, 1.0)])
        return [*done, strike]

    def _waits_for_restrike(self, intent: StrikeIntent) -> bool:
        book = self._books[intent.striker.coil.channel]
        return book.last_start_s + intent.striker.restrike_ms / 1000 > intent.at_s

    def _fit_strike(self, intent: StrikeIntent, changes: list[Change]) -> Strike | None:
        """The strike within all limits but its damper's; `None` if it must go."""
        striker, book = intent.striker, self._books[intent.striker.coil.channel]
        at_s = max(intent.at_s, book.last_start_s + striker.restrike_ms / 1000 + 1e-9)
        if at_s > intent.at_s + MOVE_MAX_S:
            gap_ms = (intent.at_s - book.last_start_s) * 1000
            why = f"{gap_ms:.0f} ms after the last stroke on {striker.name}"
            changes.append(_dropped(intent, "restrike_ms", why, gap_ms, striker.restrike_ms, "ms"))
            return None
        at_s = max(at_s, book.free_s + LET_GO_S)
        pulse_ms = self._pulse_within(intent, book, at_s, changes)
        if pulse_ms is None:
            return None
        while True:
            loads = [self._wiring.coil_load(striker.coil.channel, at_s, pulse_ms / 1000, 1.0)]
            broken = self._ledger.too_much(loads)
            if broken is None:
                break
            at_s = broken[3] + STEP_S
            if at_s > intent.at_s + MOVE_MAX_S:
                changes.append(
                    _dropped(intent, broken[0], "too much current at once", broken[1], broken[2])
                )
                return None
        return Strike(
            at_s=at_s,
            channel=striker.coil.channel,
            pulse_ms=pulse_ms,
            instrument=striker.name,
            reply=intent.note.id,
        )

    def _pulse_within(
        self, intent: StrikeIntent, book: CoilBook, at_s: float, changes: list[Change]
    ) -> float | None:
        """Pulse length that duty and heat allow; `None` if not even the softest."""
        softest = intent.striker.force[0].pulse_ms
        room_ms = book.room_ms(at_s)
        pulse_ms, limit = intent.pulse_ms, "coil.duty_max"
        if room_ms < pulse_ms:
            pulse_ms = room_ms
        if pulse_ms >= softest:
            hot = book.too_hot([(at_s, pulse_ms / 1000, 1.0)])
            if hot is not None:
                pulse_ms, limit = softest, "coil.insulation"
                hot = book.too_hot([(at_s, pulse_ms / 1000, 1.0)])
                if hot is not None:
                    pulse_ms = 0.0
        if pulse_ms < softest:
            why = f"the coil of {intent.striker.name} has worked too much"
            changes.append(_dropped(intent, limit, why, intent.pulse_ms, max(room_ms, 0.0), "ms"))
            return None
        if pulse_ms < intent.pulse_ms:
            changes.append(
                Change(
                    change="softened",
                    reply=intent.note.id,
                    at_s=intent.note.onset_s,
                    limit=limit,
                    why=f"the coil of {intent.striker.name} has worked much",
                    asked=round(intent.pulse_ms, 3),
                    given=round(pulse_ms, 3),
                    unit="ms",
                )
            )
        return pulse_ms

    def _place_hold(self, intent: StrikeIntent, changes: list[Change]) -> list[Command]:
        """Lift (or press) the damper as far as its coil allows; returns holds now final."""
        damper = intent.striker.damper
        if damper is None:
            return []
        channel = damper.coil.channel
        up = self._holds.get(channel)
        if intent.lift_s is None or intent.fall_s is None:
            return self._let_down(up, intent, damper)
        settle_s = (damper.lift_ms + damper.fall_ms) / 1000
        if damper.rest == "on" and up is not None and intent.lift_s <= up.end_s + settle_s:
            self._extend(up, intent, changes)
            return []
        final: list[Command] = []
        if up is not None:
            final.append(self._holds.pop(channel).command)
        start_s = max(intent.lift_s, self._books[channel].free_s + LET_GO_S)
        fresh = OpenHold(damper, intent.striker.name, start_s, start_s, intent.note.id)
        if self._extend(fresh, intent, changes):
            self._holds[channel] = fresh
        return final

    def _let_down(self, up: OpenHold | None, intent: StrikeIntent, damper: Damper) -> list[Command]:
        """A pressed damper must be off before the next free stroke: its hold is final."""
        if up is None or up.end_s > intent.at_s:
            return []
        return [self._holds.pop(damper.coil.channel).command]

    def _extend(self, hold: OpenHold, intent: StrikeIntent, changes: list[Change]) -> bool:
        """Make a hold last as long as the note asks and its coil allows."""
        assert intent.fall_s is not None
        wanted_s = max(intent.fall_s, hold.end_s)
        end_s, limit = self._hold_within(hold, wanted_s)
        if end_s < wanted_s - 1e-3:
            what = "is not lifted" if end_s <= hold.start_s else "falls early"
            changes.append(
                Change(
                    change="damped",
                    reply=intent.note.id,
                    at_s=intent.note.onset_s,
                    limit=limit,
                    why=f"the damper of {intent.striker.name} {what}",
                    asked=round(wanted_s - hold.start_s, 4),
                    given=round(max(end_s - hold.start_s, 0.0), 4),
                    unit="s",
                )
            )
        if end_s <= hold.end_s:
            return hold.end_s > hold.start_s
        parts = self._parts(hold, hold.end_s, end_s)
        self._ledger.place(self._loads(hold, parts))
        self._books[hold.damper.coil.channel].do(parts)
        hold.end_s = end_s
        return True

    def _hold_within(self, hold: OpenHold, wanted_s: float) -> tuple[float, str]:
        """The latest end up to `wanted_s` that on-time, duty, heat and current allow."""
        book = self._books[hold.damper.coil.channel]
        latest_s = hold.start_s + hold.damper.coil.on_max_ms / 1000 - 1e-6
        end_s, limit = min(wanted_s, latest_s), "damper.coil.on_max_ms"
        room_s = hold.end_s + book.room_ms(hold.end_s) / 1000
        if room_s < end_s:
            end_s, limit = room_s, "damper.coil.duty_max"
        if end_s <= hold.end_s:
            return hold.end_s, limit
        parts = self._parts(hold, hold.end_s, end_s)
        if book.too_hot(parts) is not None:
            return hold.end_s, "damper.coil.insulation"
        broken = self._ledger.too_much(self._loads(hold, parts))
        if broken is not None:
            return hold.end_s, broken[0]
        return end_s, limit

    def _parts(
        self, hold: OpenHold, from_s: float, until_s: float
    ) -> list[tuple[float, float, float]]:
        """On-times (start, length, duty) of a stretch of a hold: pull first, then hold."""
        pulled_s = hold.start_s + hold.damper.pull_ms / 1000
        parts = []
        if from_s < pulled_s:
            parts.append((from_s, min(pulled_s, until_s) - from_s, 1.0))
        if until_s > pulled_s:
            start_s = max(from_s, pulled_s)
            parts.append((start_s, until_s - start_s, hold.damper.hold_duty))
        return parts

    def _loads(self, hold: OpenHold, parts: list[tuple[float, float, float]]) -> list[Load]:
        channel = hold.damper.coil.channel
        return [self._wiring.coil_load(channel, at, length, duty) for at, length, duty in parts]


def replace_times(intent: StrikeIntent, moved_s: float) -> StrikeIntent:
    """The intent, later by `moved_s`."""
    if moved_s <= 0:
        return intent
    return replace(
        intent,
        at_s=intent.at_s + moved_s,
        lift_s=None if intent.lift_s is None else intent.lift_s + moved_s,
        fall_s=None if intent.fall_s is None else intent.fall_s + moved_s,
    )


def _dropped(
    intent: Intent, limit: str, why: str, asked: float, allowed: float, unit: str = "A"
) -> Change:
    return Change(
        change="dropped",
        reply=intent.note.id,
        at_s=intent.note.onset_s,
        limit=limit,
        why=why,
        asked=round(asked, 4),
        given=round(allowed, 4),
        unit=unit,
    )

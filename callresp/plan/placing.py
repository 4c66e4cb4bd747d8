"""Placing intents one after another, each within every limit.

What is on at each moment stands in one ledger; what each coil, damper and motor
has done stands in a book of its own.
"""

from __future__ import annotations

from callresp.palette.model import Palette
from callresp.plan.coils import CoilBook
from callresp.plan.holds import DamperBook
from callresp.plan.intents import Intent, StrikeIntent, TurnIntent
from callresp.plan.loads import Ledger, Wiring
from callresp.plan.model import Change, Command
from callresp.plan.strokes import StrokeBook
from callresp.plan.turning import TurnBook

# Loads are kept this long, for intents whose dampers move before those placed already.
LOOK_BACK_S = 1.0


class Placer:
    """Places intents in about the order of time; see `callresp.plan.planner`."""

    def __init__(self, palette: Palette) -> None:
        volts, ambient_c = palette.supply.highest_v, palette.ambient_c
        wiring = Wiring(palette)
        self._ledger = ledger = Ledger(wiring)
        self._strokes: dict[int, StrokeBook] = {}
        self._dampers: dict[int, DamperBook] = {}
        for striker in palette.striker:
            channel = striker.coil.channel
            book = CoilBook(striker.coil, volts, ambient_c)
            self._strokes[channel] = StrokeBook(striker, book, ledger, wiring)
            if striker.damper is not None:
                book = CoilBook(striker.damper.coil, volts, ambient_c)
                damper = DamperBook(striker, striker.damper, book, ledger, wiring)
                self._dampers[channel] = damper
        self._turns = {item.channel: TurnBook(item, ledger, wiring) for item in palette.turner}

    def place(self, intent: Intent, now_s: float, changes: list[Change]) -> list[Command]:
        """Place an intent, no earlier than `now_s`; returns what is final by it."""
        self._ledger.forget_before(intent.starts_s - LOOK_BACK_S)
        now_s = max(now_s, self._ledger.since_s)
        if isinstance(intent, TurnIntent):
            return [*self._turns[intent.turner.channel].place(intent, now_s, changes)]
        return self._strike(intent, now_s, changes)

    def _strike(self, intent: StrikeIntent, now_s: float, changes: list[Change]) -> list[Command]:
        channel = intent.striker.coil.channel
        strike = self._strokes[channel].place(intent, now_s, changes)
        if strike is None:
            return []
        # The stroke first: a damper that can't move beside it is worth less than the stroke.
        if channel not in self._dampers:
            return [strike]
        moved = intent.moved(strike.at_s - intent.at_s)
        return [*self._dampers[channel].place(moved, now_s, changes), strike]

    def settle(self, before_s: float) -> list[Command]:
        """Make holds final that begin before a time; returns them."""
        return [hold for damper in self._dampers.values() for hold in damper.settle(before_s)]

    def open_holds(self) -> list[Command]:
        """The holds that later notes may still change, as they stand."""
        holds = (damper.open_hold for damper in self._dampers.values())
        return [hold for hold in holds if hold is not None]

"""What a plan asks of the machine, in figures for a person."""

from __future__ import annotations

from collections import Counter

import msgspec

from callresp.plan.battery import Charge
from callresp.plan.coils import CoilBook
from callresp.plan.heat import force_loss_db
from callresp.plan.limits import CheckedPlan, on_times
from callresp.plan.loads import Wiring
from callresp.plan.model import Hold, Strike, Turn


class Hottest(msgspec.Struct, frozen=True, kw_only=True):
    """The coil that gets warmest, and how much weaker it pulls then."""

    instrument: str
    temperature_c: float
    limit_c: float
    force_loss_db: float


class Summary(msgspec.Struct, frozen=True, kw_only=True):
    """Figures of a checked plan."""

    palette: str
    duration_s: float
    strikes: int
    holds: int
    turns: int
    strikes_by_instrument: dict[str, int]
    changes: dict[str, int]
    peak_current_a: float
    charge_ah: float
    energy_wh: float
    battery_hours: float | None
    hottest: Hottest | None


def summarise(checked: CheckedPlan) -> Summary:
    """Work out the figures of a plan."""
    plan, palette = checked.plan, checked.palette
    wiring, charge = Wiring(palette), Charge(palette)
    events: list[tuple[float, int, float]] = []
    for command in plan.commands:
        loads = wiring.loads_of(command)
        charge.add(loads)
        for load in loads:
            events += [(load.from_s, 1, load.amps), (load.until_s, 0, -load.amps)]
    now = peak = palette.board.idle_current_a
    for _, _, amps in sorted(events):
        now += amps
        peak = max(peak, now)
    last_s = max((c.at_s + c.length_ms / 1000 for c in plan.commands), default=0.0)
    duration_s = max(plan.header.duration_s, last_s)
    hours = charge.hours_left(duration_s)
    ampere_hours = charge.ampere_hours(duration_s)
    strikes = [c for c in plan.commands if isinstance(c, Strike)]
    return Summary(
        palette=palette.name,
        duration_s=round(duration_s, 3),
        strikes=len(strikes),
        holds=sum(isinstance(c, Hold) for c in plan.commands),
        turns=sum(isinstance(c, Turn) for c in plan.commands),
        strikes_by_instrument=dict(Counter(c.instrument for c in strikes).most_common()),
        changes=dict(Counter(f"{c.change}: {c.limit}" for c in plan.changes).most_common()),
        peak_current_a=round(peak, 3),
        charge_ah=round(ampere_hours, 5),
        energy_wh=round(ampere_hours * palette.supply.nominal_v, 4),
        battery_hours=None if hours == float("inf") else round(hours, 2),
        hottest=_hottest(checked),
    )


def _hottest(checked: CheckedPlan) -> Hottest | None:
    palette = checked.palette
    books = {
        channel: CoilBook(coil, palette.supply.nominal_v, palette.ambient_c)
        for channel, coil in palette.coils().items()
    }
    names: dict[int, str] = {}
    for command in checked.plan.commands:
        if isinstance(command, Turn):
            continue
        names[command.channel] = command.instrument
        for at_s, length_s, duty in on_times(command):
            books[command.channel].heat.heat(at_s, length_s, duty)
    if not names:
        return None
    channel = max(names, key=lambda c: books[c].heat.hottest_c)
    heat = books[channel].heat
    kind = "" if any(s.coil.channel == channel for s in palette.striker) else "damper of "
    return Hottest(
        instrument=kind + names[channel],
        temperature_c=round(heat.hottest_c, 1),
        limit_c=heat.limit_c,
        force_loss_db=round(force_loss_db(heat.coil, heat.hottest_c), 2),
    )

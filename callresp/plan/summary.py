"""What a plan demands of the machine, in figures for a person.

A striker is overworked where its own limits (pauses, duty, heat) cost notes, or
where it has far more than its share of the strokes: one coil and one felt wear
for all of them, and the ear tires of one pitch.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

import msgspec

from callresp.io.score import ReplyScore
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.electrical.battery import light_v
from callresp.plan.electrical.heat import TOUCH_C, CoilHeat, force_loss_db
from callresp.plan.model import Change, Hold, Light, Strike, Turn
from callresp.plan.planner import battery_day_of
from callresp.plan.rules import on_times


class HottestCoil(msgspec.Struct, frozen=True, kw_only=True):
    """The coil that gets warmest, and how much softer (dB) it then strikes."""

    instrument: str
    temperature_c: float
    limit_c: float
    force_loss_db: float
    hot_to_touch: bool = False


class Summary(msgspec.Struct, frozen=True, kw_only=True):
    """Figures of a checked plan.

    `battery_hours` is how long a full battery would last at this pace,
    `hours_left` how long what is left after the plan would; `None` on mains.
    `stop_s` is when the battery had to stop. Changes are counted by kind and
    palette key.
    """

    palette: str
    duration_s: float
    strikes: int
    holds: int
    turns: int
    strikes_by_instrument: dict[str, int]
    changes: dict[str, int]
    dropped: int
    peak_current_a: float
    charge_ah: float
    energy_wh: float
    strike_j: float
    battery_hours: float | None
    hours_left: float | None
    end_v: float
    stop_s: float | None
    hottest: HottestCoil | None


def summarise(checked: CheckedPlan) -> Summary:
    """Work out the figures of a plan."""
    plan, palette = checked.plan, checked.palette
    supply = palette.supply
    day = battery_day_of(palette, list(plan.commands))
    duration_s = max(plan.header.duration_s, plan.end_s)
    hours = day.hours_alike(duration_s)
    left = max(day.left(duration_s), 0.0)
    strikes = plan.strikes
    ampere_hours = day.ampere_hours(duration_s)
    return Summary(
        palette=palette.name,
        duration_s=round(duration_s, 3),
        strikes=len(strikes),
        holds=len(plan.holds),
        turns=sum(isinstance(c, Turn) for c in plan.commands),
        strikes_by_instrument=dict(Counter(c.instrument for c in strikes).most_common()),
        changes=dict(Counter(f"{c.change}: {c.limit}" for c in plan.changes).most_common()),
        dropped=sum(c.change == "dropped" for c in plan.changes),
        peak_current_a=round(day.peak_a, 3),
        charge_ah=round(ampere_hours, 5),
        energy_wh=round(ampere_hours * supply.nominal_v, 4),
        strike_j=round(_strike_j(checked, strikes), 4),
        battery_hours=None if math.isinf(hours) else round(hours, 2),
        hours_left=None if math.isinf(hours) else round(hours * left, 2),
        end_v=round(light_v(supply, left), 2),
        stop_s=plan.header.stop_s,
        hottest=_hottest(checked),
    )


def _strike_j(checked: CheckedPlan, strikes: Sequence[Strike]) -> float:
    """Mean energy of a strike, at nominal voltage and 20 °C."""
    volts, coils = checked.palette.supply.nominal_v, checked.palette.coils()
    if not strikes:
        return 0.0
    watts = {channel: volts**2 / coil.resistance_ohm for channel, coil in coils.items()}
    return sum(watts[s.channel] * s.pulse_ms / 1000 for s in strikes) / len(strikes)


def _hottest(checked: CheckedPlan) -> HottestCoil | None:
    palette = checked.palette
    heats = {
        channel: CoilHeat(coil, palette.supply.highest_v, palette.ambient_c)
        for channel, coil in palette.coils().items()
    }
    names: dict[int, str] = {}
    for command in checked.plan.commands:
        if isinstance(command, Turn | Light):
            continue
        kind = "damper of " if isinstance(command, Hold) else ""
        names[command.channel] = kind + command.instrument
        for part in on_times(command):
            heats[command.channel].heat(*part)
    if not names:
        return None
    channel = max(names, key=lambda c: heats[c].hottest_c)
    heat = heats[channel]
    return HottestCoil(
        instrument=names[channel],
        temperature_c=round(heat.hottest_c, 1),
        limit_c=heat.class_limit_c,
        force_loss_db=round(max(force_loss_db(heat.coil, heat.hottest_c), 0.0), 2),
        hot_to_touch=heat.hottest_c >= TOUCH_C,
    )


class ChangeGroup(msgspec.Struct, frozen=True, kw_only=True):
    """Changes of one kind, for one reason, on one palette key."""

    change: str
    limit: str
    why: str
    count: int
    first_s: float
    largest: float | None
    unit: str


def grouped(changes: tuple[Change, ...]) -> list[ChangeGroup]:
    """Changes by kind, key and reason, most first; `largest` is the largest difference."""
    groups: dict[tuple[str, str, str], list[Change]] = {}
    for change in changes:
        groups.setdefault((change.change, change.limit, change.why), []).append(change)
    found = []
    for (kind, limit, why), members in groups.items():
        moved = [
            abs(c.given - c.asked) for c in members if c.asked is not None and c.given is not None
        ]
        found.append(
            ChangeGroup(
                change=kind,
                limit=limit,
                why=why,
                count=len(members),
                first_s=members[0].at_s,
                largest=round(max(moved), 6) if moved else None,
                unit=members[0].unit,
            )
        )
    return sorted(found, key=lambda group: (-group.count, group.first_s))


OWN_LIMITS = ("restrike_ms", "coil.duty_max", "coil.insulation")
# So many times an even share of the strokes is too many. Common practice, no source.
UNEVEN = 2.0


class Workload(msgspec.Struct, frozen=True, kw_only=True):
    """One striker in a plan.

    `even` is its strokes over an even share; `busiest_per_min` its fullest
    minute; `lost` and `changed` count notes that its own limits cost or altered,
    by palette key in `by_limit`.
    """

    striker: str
    asked: int
    strokes: int
    even: float
    busiest_per_min: int
    lost: int
    changed: int
    by_limit: dict[str, int]
    overworked: bool


def workload(reply: ReplyScore, checked: CheckedPlan) -> tuple[Workload, ...]:
    """The work of each striker in a plan, the most overworked first."""
    strikers = checked.palette.striker
    instrument = {note.id: note.instrument for note in reply.notes}
    strokes: dict[str, list[float]] = {striker.name: [] for striker in strikers}
    for command in checked.plan.commands:
        if isinstance(command, Strike) and command.instrument in strokes:
            strokes[command.instrument].append(command.at_s)
    asked = Counter(instrument.values())
    costs: dict[str, Counter[tuple[str, str]]] = {striker.name: Counter() for striker in strikers}
    for change in checked.plan.changes:
        name = instrument.get(change.reply, "")
        if change.limit in OWN_LIMITS and name in costs:
            costs[name][change.change, change.limit] += 1
    total = sum(map(len, strokes.values()))
    found = [
        _work(name, asked[name], times, total / max(len(strikers), 1), costs[name])
        for name, times in strokes.items()
    ]
    return tuple(sorted(found, key=lambda work: (-work.lost, -work.changed, -work.even)))


def _work(
    name: str, asked: int, times: list[float], even: float, costs: Counter[tuple[str, str]]
) -> Workload:
    lost = sum(count for (kind, _), count in costs.items() if kind == "dropped")
    by_limit: Counter[str] = Counter()
    for (_, limit), count in costs.items():
        by_limit[limit] += count
    minutes = Counter(int(at_s // 60) for at_s in times)
    share = len(times) / even if even > 0 else 0.0
    return Workload(
        striker=name,
        asked=asked,
        strokes=len(times),
        even=round(share, 2),
        busiest_per_min=max(minutes.values(), default=0),
        lost=lost,
        changed=sum(costs.values()) - lost,
        by_limit=dict(by_limit.most_common()),
        overworked=lost > 0 or (share >= UNEVEN and len(times) >= 10),
    )

"""Which striker does most, and what holds each back in a plan.

A striker is overworked where its own limits (pauses, duty, heat) cost notes,
or where it has far more than its share of the strokes: one coil and one felt
wear for all of them, and the ear tires of one pitch.
"""

from __future__ import annotations

from collections import Counter

import msgspec

from callresp.plan.limits import CheckedPlan
from callresp.plan.model import Strike
from callresp.score import ReplyScore

OWN_LIMITS = ("restrike_ms", "coil.duty_max", "coil.insulation")
# So many times an even share of the strokes is too many. Common practice, no source.
UNEVEN = 2.0


class Work(msgspec.Struct, frozen=True, kw_only=True):
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


def workload(reply: ReplyScore, checked: CheckedPlan) -> tuple[Work, ...]:
    """The work of each striker, the most overworked first."""
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
) -> Work:
    lost = sum(count for (kind, _), count in costs.items() if kind == "dropped")
    by_limit: Counter[str] = Counter()
    for (_, limit), count in costs.items():
        by_limit[limit] += count
    minutes = Counter(int(at_s // 60) for at_s in times)
    share = len(times) / even if even > 0 else 0.0
    return Work(
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

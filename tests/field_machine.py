"""A synthetic machine for the self-test, and the palette that knows it when it is well."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import msgspec
import strike_machine as sm
from measure_helpers import BAR, bell, block, capture_of, drafted, tube

from callresp.field.self_test import judge, measure
from callresp.field.self_test.judge import Verdict
from callresp.field.self_test.schedule import self_test_schedule
from callresp.palette.model import ForcePoint, Palette, Partial, Striker
from callresp.plan.model import Plan

PULSE_MS = 12.0
KINDS = {"bell": "bell", "wood": "block"}


def machine(**changes: dict[str, Any]) -> tuple[Any, ...]:
    """Three tubes with dampers, a bell, a block; `changes` by the striker's name."""
    made = [
        tube(name="low tube", channel=0, felt=sm.Felt(5)),
        tube(name="mid tube", channel=3, felt=sm.Felt(6), hz=[932.0 * r for r in BAR],
             latency_ms=10.1),
        tube(name="high tube", channel=4, felt=sm.Felt(7), hz=[1174.7 * r for r in BAR],
             t60_s=[1.1, 0.7, 0.4, 0.2], loud_db=-14.0, latency_ms=12.0),
        bell(name="bell", channel=1, hz=[523 * r for r in (0.5, 1.0, 1.2, 1.5, 2.0, 3.0)]),
        block(name="wood", channel=2, loud_db=-16.0),
    ]  # fmt: skip
    return tuple(replace(one, **changes.get(one.name.replace(" ", "_"), {})) for one in made)


def known() -> Palette:
    """The palette as a strike test of the machine would have it."""
    well = machine()
    drawn, _ = drafted(well)
    strikers = [_known(own, drawn.striker[n]) for n, own in enumerate(well)]
    return msgspec.structs.replace(drawn, striker=tuple(strikers))


def _known(own: Any, drawn: Striker) -> Striker:
    kind = KINDS.get(own.name, "tube")
    reference = own.hz[1] if kind == "bell" else own.hz[0]
    top = max(own.level_db)
    partials = tuple(
        Partial(ratio=hz / reference, level_db=level - top, t60_s=t60_s)
        for hz, level, t60_s in zip(own.hz, own.level_db, own.t60_s, strict=True)
    )
    return msgspec.structs.replace(
        drawn,
        kind=kind,
        pitch_hz=None if kind == "block" else reference,
        base_hz=reference if kind == "block" else None,
        partials=partials,
        latency_ms=own.latency_ms,
        force=(
            ForcePoint(pulse_ms=5.0, level_db=70.0),
            ForcePoint(pulse_ms=PULSE_MS, level_db=94.0 + own.loud_db),
        ),
    )


def recorded(strikers: Sequence[Any], schedule: Plan, recorder: Any = None, **given: Any) -> Any:
    """What a recorder beside it holds."""
    return sm.record(strikers, schedule, recorder or sm.Recorder(noise_db=-50.0), **given)


def judged(
    strikers: Sequence[Any], recorder: Any = None, only: tuple[str, ...] = (), **given: Any
) -> dict[str, Verdict]:
    """The self-test of a machine, judged by the palette that knows it."""
    palette = known()
    schedule = self_test_schedule(palette, only)
    samples = recorded(strikers, schedule, recorder, **given)
    heard = measure.measure_strokes(capture_of(samples), schedule, palette)
    return {one.striker: one for one in judge.judge(heard, palette)}

"""Random palettes and replies."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import msgspec

from callresp.io.score import ReplyHeader, ReplyNote, ReplyScore
from callresp.palette.model import (
    Board,
    Coil,
    Damper,
    Driver,
    ForcePoint,
    Palette,
    Partial,
    Striker,
    Supply,
    Turner,
)


def with_coils(palette: Palette, changed: Callable[[Coil], Coil]) -> Palette:
    """A palette with every coil changed."""
    strikers = []
    for striker in palette.striker:
        damper = striker.damper
        if damper is not None:
            damper = msgspec.structs.replace(damper, coil=changed(damper.coil))
        strikers.append(msgspec.structs.replace(striker, coil=changed(striker.coil), damper=damper))
    return msgspec.structs.replace(palette, striker=tuple(strikers))


def random_palette(rng: random.Random) -> Palette:
    """A palette at the edge of what it may be."""
    count = rng.randint(1, 5)
    made = tuple(_random_striker(rng, number, count) for number in range(count))
    slowest = rng.uniform(0.2, 2.0)
    turner = Turner(
        name="t0",
        kind="wound",
        channel=0,
        slowest_rps=slowest,
        fastest_rps=slowest + rng.uniform(0, 3),
        spin_up_s=rng.uniform(0.05, 0.6),
        slow_down_s=rng.uniform(0.05, 0.6),
        current_a=rng.uniform(0.1, 0.3),
        start_current_a=rng.uniform(0.3, 1.5),
        run_max_s=rng.uniform(0.5, 10.0),
        store_turns=rng.choice([None, rng.uniform(1.0, 40.0)]),
    )
    channels = tuple(range(2 * count))
    split = rng.randint(1, 2 * count)
    groups = [group for group in (channels[:split], channels[split:]) if group]
    return Palette(
        name="any",
        board=Board(name="b", coil_channels=16, motor_channels=1),
        supply=Supply(
            chemistry=rng.choice(["lead-acid", "lithium-ion", "lithium-iron-phosphate", "mains"]),
            nominal_v=12.0,
            current_max_a=rng.uniform(2.0, 8.0),
            capacity_ah=rng.choice([0.004, 0.02, 5.0]),
            rated_h=20,
            peukert=rng.uniform(1.0, 1.4),
            internal_ohm=rng.uniform(0.0, 0.3),
            cutoff_v=rng.uniform(9.0, 11.9),
            charge=rng.uniform(0.3, 1.0),
        ),
        driver=tuple(
            Driver(name=f"d{n}", channels=group, current_max_a=rng.uniform(1.8, 4.0))
            for n, group in enumerate(groups)
        ),
        striker=made,
        turner=(turner,),
        ambient_c=rng.uniform(-10, 45),
    )


def _random_striker(rng: random.Random, number: int, count: int) -> Striker:
    low = rng.uniform(2.0, 6.0)
    damper = None
    coil = _random_coil(rng, number, on_ms=(12.0, 60.0))
    hot = rng.random() < 0.2
    if hot:
        # So small and so quick that it is its heat that limits it.
        small = {"duty_max": 1.0, "thermal_k_per_w": 200.0, "thermal_time_s": 1.0}
        coil = msgspec.structs.replace(coil, resistance_ohm=8.0, insulation="A", **small)
    if rng.random() < 0.7:
        damper = Damper(
            coil=_random_coil(rng, count + number, on_ms=(200.0, 8000.0)),
            lift_ms=rng.uniform(5, 60),
            fall_ms=rng.uniform(5, 60),
            damped_t60_s=rng.uniform(0.05, 0.5),
            rest=rng.choice(["on", "off"]),
            pull_ms=rng.uniform(5, 60),
            hold_duty=rng.uniform(0.1, 1.0),
        )
    return Striker(
        name=f"s{number}",
        kind="bar",
        coil=coil,
        latency_ms=rng.uniform(2, 40),
        restrike_ms=20.0 if hot else rng.uniform(20, 300),
        force=(
            ForcePoint(pulse_ms=low, level_db=50),
            ForcePoint(pulse_ms=rng.uniform(low + 0.5, 12.0), level_db=75),
        ),
        partials=(Partial(ratio=1, t60_s=rng.uniform(0.1, 8)),),
        pitch_hz=1000.0 + 100 * number,
        damper=damper,
    )


def _random_coil(rng: random.Random, channel: int, on_ms: tuple[float, float]) -> Coil:
    return Coil(
        channel=channel,
        resistance_ohm=rng.uniform(8.0, 60.0),
        on_max_ms=rng.uniform(*on_ms),
        duty_max=rng.choice([rng.uniform(0.002, 0.02), rng.uniform(0.02, 1.0), 1.0]),
        cycle_s=rng.uniform(0.5, 20.0),
        thermal_k_per_w=rng.choice([rng.uniform(2.0, 20.0), rng.uniform(60.0, 200.0)]),
        thermal_time_s=rng.choice([rng.uniform(1.0, 5.0), rng.uniform(5.0, 400.0)]),
        insulation=rng.choice(["A", "E", "B", "F", "H"]),
    )


def random_reply(rng: random.Random, names: list[str], most: int = 40) -> ReplyScore:
    """Notes in bursts: chords, trills and pauses."""
    now, notes, name = rng.uniform(0, 100), [], rng.choice(names)
    for number in range(rng.randint(0, most)):
        now += rng.choice([0.0, 0.01, 0.04, 0.1, 0.1, 0.2, 1.0, 20.0])
        if rng.random() < 0.5:
            name = rng.choice(names)
        length = rng.choice([None, 0.0, rng.uniform(0, 0.3), rng.uniform(0, 4)])
        offset_s = None if length is None else now + length
        notes.append(reply_note(number, now, offset_s, name, rng.random()))
    return ReplyScore(header=ReplyHeader(duration_s=now + 5), notes=tuple(notes))


def reply_note(
    number: int,
    onset_s: float,
    offset_s: float | None,
    instrument: str,
    force: float = 1.0,
    phrase: int = 0,
    **rest: Any,
) -> ReplyNote:
    """A note of a reply to the heard phrase of the same number, with nothing else unless given."""
    given: dict[str, Any] = {"heard": None, "heard_phrase": phrase, "rule": "any"}
    return ReplyNote(
        id=number,
        onset_s=onset_s,
        offset_s=offset_s,
        instrument=instrument,
        force=force,
        phrase=phrase,
        **(given | rest),
    )

"""What a palette's machine can do, before any plan: rates, holds, hours.

Answers what a builder asks at the bench: how fast may I strike this tube
indefinitely, and what limits it; how long can its damper be held; how long does
the battery last, idle and at work.

Conventions
-----------
Rates and holds are checked as plans are: at the supply's highest voltage and the
palette's ambient temperature, currents with copper at its coldest. Energies are at
the supply's nominal voltage. A lasting rate is one in the steady state of heat
(`heat.steady_rise_k`) and of relative on-time.
"""

from __future__ import annotations

import math

import msgspec

from callresp.palette.model import Coil, Damper, Palette, Striker, Turner
from callresp.plan.electrical.battery import hours_at
from callresp.plan.electrical.heat import CLASS_LIMIT_C, CoilHeat, share_to_limit
from callresp.plan.electrical.loads import supply_limit_a
from callresp.plan.schedulers.motor import run_for


class StrikerCapability(msgspec.Struct, frozen=True, kw_only=True):
    """One striker at its hardest stroke.

    `lasting_per_s` is the rate that it can keep up indefinitely; `held_back_by`
    the palette key that limits it.
    """

    name: str
    fastest_per_s: float
    lasting_per_s: float
    held_back_by: str
    stroke_j: float
    stroke_a: float
    softest_db: float
    loudest_db: float


class DamperCapability(msgspec.Struct, frozen=True, kw_only=True):
    """One damper: how long (s) it may be held, and the palette key that limits it."""

    striker: str
    rest: str
    longest_s: float
    held_back_by: str
    lasting_share: float
    hold_a: float


class TurnerCapability(msgspec.Struct, frozen=True, kw_only=True):
    """One turner; `stored_*_s` are how long a full spring lasts, `None` without one."""

    name: str
    longest_s: float
    stored_slow_s: float | None
    stored_fast_s: float | None


class SupplyCapability(msgspec.Struct, frozen=True, kw_only=True):
    """The supply; hours are of its charge at the start, `None` on mains.

    `busy_hours` is with every striker struck hard once in ten seconds, its
    damper held for five of them.
    """

    at_once_a: float
    set_by: str
    idle_hours: float | None
    busy_hours: float | None


class Capability(msgspec.Struct, frozen=True, kw_only=True):
    """What a whole palette's machine can do."""

    palette: str
    strikers: tuple[StrikerCapability, ...]
    dampers: tuple[DamperCapability, ...]
    turners: tuple[TurnerCapability, ...]
    supply: SupplyCapability


def capability_of(palette: Palette) -> Capability:
    """Work out what a palette's machine can do."""
    dampers = [(s, s.damper) for s in palette.striker if s.damper is not None]
    return Capability(
        palette=palette.name,
        strikers=tuple(_striker(striker, palette) for striker in palette.striker),
        dampers=tuple(_damper(striker, damper, palette) for striker, damper in dampers),
        turners=tuple(_turner(turner) for turner in palette.turner),
        supply=_supply(palette),
    )


def _striker(striker: Striker, palette: Palette) -> StrikerCapability:
    coil = striker.coil
    pulse_s = striker.force[-1].pulse_ms / 1000
    fastest = 1000 / striker.restrike_ms
    rates = {
        "restrike_ms": fastest,
        "coil.duty_max": coil.duty_max / pulse_s,
        "coil.insulation": _lasting_share(coil, palette, pulse_s) / pulse_s,
    }
    slowest = min(rates, key=lambda key: rates[key])
    volts = palette.supply.nominal_v
    return StrikerCapability(
        name=striker.name,
        fastest_per_s=round(fastest, 2),
        lasting_per_s=round(rates[slowest], 2),
        held_back_by=slowest,
        stroke_j=round(volts**2 / coil.resistance_ohm * pulse_s, 3),
        stroke_a=round(palette.supply.highest_v / coil.ohm_at(palette.coldest_copper_c), 2),
        softest_db=striker.force[0].level_db,
        loudest_db=striker.force[-1].level_db,
    )


def _lasting_share(coil: Coil, palette: Palette, pulse_s: float) -> float:
    """Share of the time at which the peaks of steady pulses end at the class limit.

    With pulses of length a in a period p the rise swings by
    ``G P (1 - e^-a/t)(1 - e^-(p-a)/t) / (1 - e^-p/t)`` about its mean, which is
    less than ``G P (1 - e^-a/t)``: that much is kept off the limit.
    """
    volts = palette.supply.highest_v
    swing_k = coil.thermal_k_per_w * volts**2 / coil.resistance_ohm
    swing_k *= 1 - math.exp(-pulse_s / coil.thermal_time_s)
    room_k = CLASS_LIMIT_C[coil.insulation] - palette.ambient_c
    if swing_k >= room_k:
        return 0.0
    return share_to_limit(coil, volts, palette.ambient_c) * (1 - swing_k / room_k)


def _damper(striker: Striker, damper: Damper, palette: Palette) -> DamperCapability:
    coil, volts = damper.coil, palette.supply.highest_v
    limits = {
        "damper.coil.on_max_ms": coil.on_max_ms / 1000,
        "damper.coil.insulation": _seconds_to_limit(damper, palette),
    }
    if coil.duty_max < 1.0:
        limits["damper.coil.duty_max"] = coil.duty_max * coil.cycle_s
    shortest = min(limits, key=lambda key: limits[key])
    share = share_to_limit(coil, volts, palette.ambient_c) / max(damper.hold_duty, 1e-9)
    return DamperCapability(
        striker=striker.name,
        rest=damper.rest,
        longest_s=round(limits[shortest], 2),
        held_back_by=shortest,
        lasting_share=round(min(share, coil.duty_max, 1.0), 3),
        hold_a=round(volts / coil.ohm_at(palette.coldest_copper_c) * damper.hold_duty, 3),
    )


def _seconds_to_limit(damper: Damper, palette: Palette) -> float:
    """How long (s) a cold coil may hold; infinite where it settles below its limit."""
    heat = CoilHeat(damper.coil, palette.supply.highest_v, palette.ambient_c)
    held_s = damper.pull_ms / 1000
    if heat.heat(0.0, held_s, 1.0) > heat.limit_c:
        return 0.0
    step_s = damper.coil.thermal_time_s / 100
    while held_s < 8 * damper.coil.thermal_time_s:
        if heat.heat(held_s, step_s, damper.hold_duty) > heat.limit_c:
            return held_s
        held_s += step_s
    return math.inf


def _turner(turner: Turner) -> TurnerCapability:
    slow = fast = None
    if turner.store_turns is not None:
        slow = round(run_for(turner, turner.slowest_rps, turner.store_turns), 1)
        fast = round(run_for(turner, turner.fastest_rps, turner.store_turns), 1)
    return TurnerCapability(
        name=turner.name, longest_s=turner.run_max_s, stored_slow_s=slow, stored_fast_s=fast
    )


def _supply(palette: Palette) -> SupplyCapability:
    supply, idle_a = palette.supply, palette.board.idle_current_a
    limit_a = supply_limit_a(palette)
    busy_a = idle_a
    for striker in palette.striker:
        amps = supply.nominal_v / striker.coil.ohm_at(palette.ambient_c)
        busy_a += amps * striker.force[-1].pulse_ms / 1000 / 10
        if striker.damper is not None:
            held_a = supply.nominal_v / striker.damper.coil.ohm_at(palette.ambient_c)
            busy_a += held_a * striker.damper.hold_duty / 2
    return SupplyCapability(
        at_once_a=round(limit_a - idle_a, 2),
        set_by="supply.current_max_a" if limit_a == supply.current_max_a else "supply.cutoff_v",
        idle_hours=_hours(palette, idle_a),
        busy_hours=_hours(palette, busy_a),
    )


def _hours(palette: Palette, amps: float) -> float | None:
    hours = hours_at(palette.supply, amps, palette.ambient_c) * palette.supply.charge
    return None if math.isinf(hours) else round(hours, 1)

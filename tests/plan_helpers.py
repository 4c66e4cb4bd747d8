"""Random palettes and replies, and an oracle that judges a plan another way."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import strategies as st

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
from callresp.plan.model import Hold, Plan, Strike, Turn
from callresp.score import ReplyHeader, ReplyNote, ReplyScore


@st.composite
def coils(draw: st.DrawFn, channel: int, *, holds: bool) -> Coil:
    return Coil(
        channel=channel,
        resistance_ohm=draw(st.floats(8.0, 60.0)),
        on_max_ms=draw(st.floats(200.0, 8000.0) if holds else st.floats(12.0, 60.0)),
        duty_max=draw(st.floats(0.02, 1.0)),
        cycle_s=draw(st.floats(0.5, 20.0)),
        thermal_k_per_w=draw(st.floats(2.0, 60.0)),
        thermal_time_s=draw(st.floats(5.0, 400.0)),
        insulation=draw(st.sampled_from(["A", "E", "B", "F", "H"])),
    )


@st.composite
def strikers(draw: st.DrawFn, number: int, count: int) -> Striker:
    damper = None
    if draw(st.booleans()):
        damper = Damper(
            coil=draw(coils(count + number, holds=True)),
            lift_ms=draw(st.floats(5, 60)),
            fall_ms=draw(st.floats(5, 60)),
            damped_t60_s=draw(st.floats(0.05, 0.5)),
            rest=draw(st.sampled_from(["on", "off"])),
            pull_ms=draw(st.floats(5, 60)),
            hold_duty=draw(st.floats(0.1, 1.0)),
        )
    low = draw(st.floats(2.0, 6.0))
    return Striker(
        name=f"s{number}",
        kind="bar",
        coil=draw(coils(number, holds=False)),
        latency_ms=draw(st.floats(2, 40)),
        restrike_ms=draw(st.floats(20, 300)),
        force=(
            ForcePoint(pulse_ms=low, level_db=50),
            ForcePoint(pulse_ms=draw(st.floats(low + 0.5, 12.0)), level_db=75),
        ),
        partials=(Partial(ratio=1, t60_s=draw(st.floats(0.1, 8))),),
        pitch_hz=1000.0 + 100 * number,
        damper=damper,
    )


@st.composite
def palettes(draw: st.DrawFn) -> Palette:
    count = draw(st.integers(1, 4))
    made = tuple(draw(strikers(number, count)) for number in range(count))
    slowest = draw(st.floats(0.2, 2.0))
    turner = Turner(
        name="t0",
        kind="wound",
        channel=0,
        slowest_rps=slowest,
        fastest_rps=slowest + draw(st.floats(0, 3)),
        spin_up_s=draw(st.floats(0.05, 0.6)),
        slow_down_s=draw(st.floats(0.05, 0.6)),
        current_a=0.2,
        start_current_a=draw(st.floats(0.2, 1.5)),
        run_max_s=draw(st.floats(0.5, 10.0)),
        store_turns=draw(st.none() | st.floats(1.0, 40.0)),
    )
    channels = range(2 * count)
    split = draw(st.integers(1, 2 * count))
    drivers = [Driver(name="a", channels=tuple(channels[:split]), current_max_a=3.0)]
    if channels[split:]:
        drivers.append(Driver(name="b", channels=tuple(channels[split:]), current_max_a=2.0))
    return Palette(
        name="any",
        board=Board(name="b", coil_channels=16, motor_channels=1),
        supply=Supply(
            chemistry="lead-acid",
            nominal_v=12.0,
            current_max_a=draw(st.floats(2.0, 8.0)),
            capacity_ah=draw(st.floats(0.005, 5.0)),
            rated_h=20,
            peukert=1.2,
            cutoff_v=10.5,
        ),
        driver=tuple(drivers),
        striker=made,
        turner=(turner,),
        ambient_c=draw(st.floats(-10, 40)),
    )


@st.composite
def replies(draw: st.DrawFn, names: list[str]) -> ReplyScore:
    steps = draw(
        st.lists(
            st.tuples(
                st.sampled_from([0.0, 0.001, 0.01, 0.04, 0.2, 1.0]),
                st.sampled_from([*names, "no such"]),
                st.floats(0, 1),
                st.none() | st.floats(0, 4),
            ),
            max_size=40,
        )
    )
    now = draw(st.floats(0, 200))
    notes = []
    for number, (step, name, force, length) in enumerate(steps):
        now += step
        notes.append(
            ReplyNote(
                id=number,
                onset_s=now,
                offset_s=None if length is None else now + length,
                instrument=name,
                force=force,
                phrase=0,
                heard=None,
                heard_phrase=0,
                rule="any",
            )
        )
    return ReplyScore(header=ReplyHeader(duration_s=now + 5), notes=tuple(notes))


def broken_limits(plan: Plan, palette: Palette, step_s: float = 0.001) -> list[str]:
    """Judge a plan on a fine grid of time, sharing no code with the package."""
    if not plan.commands:
        return []
    start = min(c.at_s for c in plan.commands) - 0.1
    end = max(c.at_s + c.length_ms / 1000 for c in plan.commands) + 0.1
    grid = np.arange(start, end, step_s)
    found: list[str] = []
    total = np.full(len(grid), palette.board.idle_current_a)
    for driver in palette.driver:
        amps = np.zeros(len(grid))
        for channel in driver.channels:
            amps += _coil_amps(plan, palette, channel, grid, found)
        if amps.max() > driver.current_max_a + 1e-6:
            found.append("driver current")
        total += amps
    for turner in palette.turner:
        total += _motor_amps(plan, turner, grid, found)
    sag = (palette.supply.nominal_v - palette.supply.cutoff_v) / palette.supply.internal_ohm
    if total.max() > min(palette.supply.current_max_a, sag) + 1e-6:
        found.append("supply current")
    for striker in palette.striker:
        own = [c for c in plan.commands if c.channel == striker.coil.channel]
        starts = [c.at_s for c in own if isinstance(c, Strike)]
        if any(b - a < striker.restrike_ms / 1000 - 1e-6 for a, b in pairwise(starts)):
            found.append("restrike")
    return found


def _coil_amps(
    plan: Plan, palette: Palette, channel: int, grid: np.ndarray, found: list[str]
) -> np.ndarray:
    coil = palette.coils().get(channel)
    duty, stacked = np.zeros(len(grid)), np.zeros(len(grid))
    if coil is None:
        return duty
    for command in plan.commands:
        if isinstance(command, Turn) or command.channel != channel:
            continue
        on = (grid >= command.at_s) & (grid < command.at_s + command.length_ms / 1000)
        if command.length_ms > coil.on_max_ms + 1e-6:
            found.append("on_max_ms")
        stacked += on
        share: np.ndarray | float = 1.0
        if isinstance(command, Hold):
            pulled = grid < command.at_s + command.pull_ms / 1000
            share = np.where(pulled, 1.0, command.hold_duty)
        duty = np.where(on, share, duty)
    if stacked.max(initial=0) > 1:
        found.append("on while on")
    found.extend(_duty_and_heat(coil, stacked, duty, palette, grid[1] - grid[0]))
    return duty * palette.supply.nominal_v / coil.resistance_ohm


def _motor_amps(plan: Plan, turner: Turner, grid: np.ndarray, found: list[str]) -> np.ndarray:
    amps = np.zeros(len(grid))
    turns = [c for c in plan.commands if isinstance(c, Turn) and c.channel == turner.channel]
    unwound = sum(c.speed_rps * c.run_ms / 1000 for c in turns)
    if turner.store_turns is not None and unwound > turner.store_turns * (1 + 1e-9):
        found.append("store")
    for turn in turns:
        since = grid - turn.at_s
        on = (since >= 0) & (since < turn.run_ms / 1000)
        first = since < turner.spin_up_s
        amps += np.where(on, np.where(first, turner.start_current_a, turner.current_a), 0)
        if turn.run_ms / 1000 > turner.run_max_s + 1e-9:
            found.append("run_max_s")
        if not turner.slowest_rps - 1e-9 <= turn.speed_rps <= turner.fastest_rps + 1e-9:
            found.append("speed")
    return amps


def _duty_and_heat(
    coil: Coil, on: np.ndarray, duty: np.ndarray, palette: Palette, step_s: float
) -> list[str]:
    found = []
    summed = np.concatenate([[0.0], np.cumsum(on) * step_s])
    window = max(int(coil.cycle_s / step_s), 1)
    last = np.arange(1, len(summed))
    used = summed[last] - summed[np.maximum(last - window, 0)]
    # The grid may miscount each edge by a step.
    edges = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(on, prepend=0)))])
    slack = (edges[last] - edges[np.maximum(last - window, 0)] + 2) * step_s
    if np.any(used > coil.duty_max * coil.cycle_s + slack):
        found.append("duty")
    limit = {"A": 105, "E": 120, "B": 130, "F": 155, "H": 180}[coil.insulation]
    volts, rise, hottest = palette.supply.nominal_v, 0.0, 0.0
    for share in duty:
        warm = coil.resistance_ohm * (1 + 0.00393 * (palette.ambient_c + rise - 20))
        power = share * volts**2 / warm
        rise += (power * coil.thermal_k_per_w - rise) * step_s / coil.thermal_time_s
        hottest = max(hottest, rise)
    if palette.ambient_c + hottest > limit + 0.5:
        found.append("heat")
    return found

"""An oracle that judges a plan another way, sharing no code with the package.

Currents, on-times and turns are read off a grid of time that holds every
switching; a coil's heat is solved in closed form between switchings. Copper's
rising resistance leaves the first-order equation separable: with x the rise,
a = 1 + α (ambient - 20), α = 0.00393 (IEC 60028) and k = G V² d / R,

    tau dx/dt = k / (a + α x) - x

so t(x) = -tau [A ln|x - x1| + B ln|x - x2|], where x1 and x2 are the roots of
α x² + a x - k, A = (a + α x1) / (α (x1 - x2)) and B = 1 - A.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from scipy.optimize import brentq

from callresp.palette.model import Coil, Palette, Turner
from callresp.plan.model import Hold, Plan, Strike, Turn

ALPHA = 0.00393
LIMIT_C = {"A": 105, "E": 120, "B": 130, "F": 155, "H": 180}
FULL = {"lead-acid": 12.8 / 12, "lithium-ion": 4.2 / 3.6, "lithium-iron-phosphate": 3.65 / 3.2}
Row = np.ndarray


def highest_v(palette: Palette) -> float:
    supply = palette.supply
    return supply.full_v or supply.nominal_v * FULL.get(supply.chemistry, 1.0)


def coldest_c(palette: Palette) -> float:
    """Copper's lowest temperature: as the palette says, else -20 °C, or the air where colder."""
    if palette.coldest_c is None:
        return min(-20.0, palette.ambient_c)
    return palette.coldest_c


def rise_after(
    coil: Coil, volts: float, ambient_c: float, rise_k: float, length_s: float, duty: float
) -> float:
    """The rise after a time at one duty, by the closed form above."""
    if length_s <= 0:
        return rise_k
    if duty == 0:
        return rise_k * math.exp(-length_s / coil.thermal_time_s)
    a = 1 + ALPHA * (ambient_c - 20)
    k = coil.thermal_k_per_w * duty * volts**2 / coil.resistance_ohm
    root = math.sqrt(a * a + 4 * ALPHA * k)
    x1, x2 = (root - a) / (2 * ALPHA), (-root - a) / (2 * ALPHA)
    share = (a + ALPHA * x1) / (ALPHA * (x1 - x2))
    if abs(rise_k - x1) < 1e-9:
        return rise_k

    def passed(x: float) -> float:
        near = share * math.log((rise_k - x1) / (x - x1))
        return near + (1 - share) * math.log((rise_k - x2) / (x - x2))

    wanted = length_s / coil.thermal_time_s
    edge = x1 + (rise_k - x1) * 1e-12
    if passed(edge) <= wanted:
        return x1
    return float(brentq(lambda x: passed(x) - wanted, rise_k, edge, xtol=1e-10))


def broken_limits(plan: Plan, palette: Palette) -> list[str]:
    """Every limit that a plan breaks."""
    if not plan.commands:
        return []
    edges = {0.0}
    for command in plan.commands:
        end_s = command.at_s + command.length_ms / 1000
        edges |= {command.at_s, end_s}
        if isinstance(command, Hold):
            edges.add(command.at_s + command.pull_ms / 1000)
        if isinstance(command, Turn):
            turner = next(t for t in palette.turner if t.channel == command.channel)
            edges.add(command.at_s + turner.spin_up_s)
    # The middle of each piece between switchings stands for all of it.
    cuts = np.array(sorted(edges))
    cuts = cuts[np.concatenate([[True], np.diff(cuts) > 1e-8])]
    middles = (cuts[1:] + cuts[:-1]) / 2
    found: list[str] = []
    coil_a = np.zeros(len(middles))
    for driver in palette.driver:
        amps = np.zeros(len(middles))
        for channel in driver.channels:
            amps += _coil_amps(plan, palette, channel, cuts, found)
        if amps.max(initial=0) > driver.current_max_a + 1e-5:
            found.append("driver current")
        coil_a += amps
    motor_a = np.zeros(len(middles))
    for turner in palette.turner:
        motor_a += _motor_amps(plan, turner, middles, found)
    total = palette.board.idle_current_a + coil_a + motor_a
    supply = palette.supply
    sag_a = (supply.nominal_v - supply.cutoff_v) / max(supply.internal_ohm, 1e-9)
    limit_a = min(supply.current_max_a, sag_a) if supply.cutoff_v else supply.current_max_a
    if total.max(initial=0) > limit_a + 1e-5:
        found.append("supply current")
    for striker in palette.striker:
        own = [c for c in plan.commands if c.channel == striker.coil.channel]
        starts = [c.at_s for c in own if isinstance(c, Strike)]
        if any(b - a < striker.restrike_ms / 1000 - 1e-6 for a, b in pairwise(starts)):
            found.append("restrike")
    # What is drawn on the whole: at the nominal voltage, copper as warm as the air.
    cold, air = (1 + ALPHA * (t - 20) for t in (coldest_c(palette), palette.ambient_c))
    drawn = coil_a * palette.supply.nominal_v / highest_v(palette) * cold / air + motor_a
    return found + _battery(plan, palette, cuts, total, drawn)


def _coil_amps(plan: Plan, palette: Palette, channel: int, cuts: Row, found: list[str]) -> Row:
    """Amperes of a coil in each piece; notes what it breaks."""
    coil = palette.coils().get(channel)
    middles = (cuts[1:] + cuts[:-1]) / 2
    duty, stacked = np.zeros(len(middles)), np.zeros(len(middles))
    if coil is None:
        return duty
    spans = []
    for command in plan.commands:
        if isinstance(command, Turn) or command.channel != channel:
            continue
        end_s = command.at_s + command.length_ms / 1000
        spans.append((command.at_s, end_s))
        on = (middles >= command.at_s) & (middles < end_s)
        if command.length_ms > coil.on_max_ms + 1e-5:
            found.append("on_max_ms")
        stacked += on
        share: Row | float = 1.0
        if isinstance(command, Hold):
            pulled = middles < command.at_s + command.pull_ms / 1000
            share = np.where(pulled, 1.0, command.hold_duty)
        duty = np.where(on, share, duty)
    if stacked.max(initial=0) > 1:
        found.append("on while on")
    if spans:
        found += _duty(coil, spans)
        found += _heat(coil, cuts, duty, palette)
    return duty * highest_v(palette) / coil.resistance_ohm / (1 + ALPHA * (coldest_c(palette) - 20))


def _duty(coil: Coil, spans: list[tuple[float, float]]) -> list[str]:
    """On-time in windows that end on a grid, from the integral of the on-state."""
    points = np.array(spans).ravel()
    summed = np.concatenate(
        [[0.0], np.cumsum(np.diff(points) * (np.arange(len(points) - 1) % 2 == 0))]
    )
    grid = np.concatenate([points, points + coil.cycle_s, np.arange(points[0], points[-1], 0.01)])

    def until(at_s: Row) -> Row:
        return np.asarray(np.interp(at_s, points, summed))

    used = until(grid) - until(grid - coil.cycle_s)
    return ["duty"] if used.max() > coil.duty_max * coil.cycle_s + 1e-5 else []


def _heat(coil: Coil, cuts: Row, duty: Row, palette: Palette) -> list[str]:
    volts, rise_k = highest_v(palette), 0.0
    for length_s, share in zip(np.diff(cuts), duty, strict=True):
        rise_k = rise_after(coil, volts, palette.ambient_c, rise_k, length_s, share)
        if palette.ambient_c + rise_k > LIMIT_C[coil.insulation] + 1e-6:
            return ["heat"]
    return []


def _motor_amps(plan: Plan, turner: Turner, middles: Row, found: list[str]) -> Row:
    amps = np.zeros(len(middles))
    turns = [c for c in plan.commands if isinstance(c, Turn) and c.channel == turner.channel]
    unwound, spell_s, free_s = 0.0, -math.inf, -math.inf
    for turn in turns:
        run_s = turn.run_ms / 1000
        since = middles - turn.at_s
        on = (since >= 0) & (since < run_s)
        amps += np.where(
            on, np.where(since < turner.spin_up_s, turner.start_current_a, turner.current_a), 0
        )
        unwound += shaft_turns(turner, turn.speed_rps, run_s)
        if turn.at_s < free_s - 1e-6:
            found.append("runs twice")
        if turn.at_s - free_s >= turner.slow_down_s - 1e-6:
            spell_s = turn.at_s
        free_s = turn.at_s + run_s
        if free_s - spell_s > turner.run_max_s + 1e-5:
            found.append("run_max_s")
        if not turner.slowest_rps - 1e-9 <= turn.speed_rps <= turner.fastest_rps + 1e-9:
            found.append("speed")
    if turner.store_turns is not None and unwound > turner.store_turns * (1 + 1e-5):
        found.append("store")
    return amps


def shaft_turns(turner: Turner, speed_rps: float, run_s: float) -> float:
    """Turns of a shaft that speeds up and slows down evenly: its speed, integrated."""
    up, down = speed_rps / turner.spin_up_s, speed_rps / turner.slow_down_s
    corners = {0.0, min(turner.spin_up_s, run_s), run_s, run_s + turner.slow_down_s}
    peak = min(run_s * up, speed_rps)
    times = np.array(sorted(corners | {run_s + peak / down}))
    rising = np.minimum(times * up, speed_rps)
    speed = np.where(times <= run_s, rising, np.maximum(peak - (times - run_s) * down, 0.0))
    return float(np.trapezoid(speed, times))


def _battery(plan: Plan, palette: Palette, cuts: Row, total: Row, drawn: Row) -> list[str]:
    """Charge and sag by the minute, for lead-acid (the tables of the makers' sheet)."""
    supply = palette.supply
    if supply.chemistry != "lead-acid":
        return []
    last_s = max(command.at_s for command in plan.commands)
    cold = float(np.interp(palette.ambient_c, [-10, 10, 25], [0.74, 0.9, 1.0]))
    rated_a = supply.capacity_ah * cold / supply.rated_h
    idle_a = palette.board.idle_current_a
    left = supply.charge
    for minute in range(max(math.ceil(last_s / 60), 1)):
        low = -math.inf if minute == 0 else minute * 60.0
        inside = np.clip(cuts[1:], low, minute * 60 + 60) - np.clip(
            cuts[:-1], low, minute * 60 + 60
        )
        amps = idle_a + float((inside * drawn).sum()) / 60
        left -= (1 / 60) / (
            supply.rated_h * (rated_a / amps) ** (supply.peukert if amps > rated_a else 1)
        )
        peak_a = float(total[inside > 0].max(initial=idle_a))
        table = ([0, 0.1, 0.25, 0.5, 0.75, 1], [10.8, 11.7, 12.0, 12.2, 12.4, 12.6])
        volts = (
            supply.nominal_v / 12 * float(np.interp(left, *table)) - peak_a * supply.internal_ohm
        )
        if left < -1e-9:
            return ["charge"]
        if volts < supply.cutoff_v - 1e-6:
            return ["sag"]
    return []

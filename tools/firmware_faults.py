"""Strikes through a poor clock, and currents of cold copper, in the tree that is on the path.

    PYTHONPATH=TREE:TREE/tests python tools/firmware_faults.py

`tools/bench_firmware.py --only faults --before TREE` runs it in both trees, of which the other is
version 0.1.0. Names differ between the two; what is measured does not: how far strokes land from
their plan by the true time, which neither end knows, and the currents that a plan draws by copper's
own table (IEC 60028: 0.393 %/K at 20 °C), added up here.
"""

from __future__ import annotations

import json
import random
from importlib import import_module

from link_helpers import FETTLE, Line, plan_of, true_errors_ms
from plan_helpers import random_palette, random_reply

from callresp.errors import UserError
from callresp.link import board as boards
from callresp.link.session import Session
from callresp.palette.model import Coil, Palette
from callresp.plan.model import Hold, Plan, Strike

PALETTES = 2000
# A frosty night, or the palette's own air where that is colder.
COLDEST_C = -5.0
PPM = (0, 500, 2000, 5000, 9500, 15_000)


def poor_clocks() -> dict[str, str]:
    """A minute of strokes on boards whose clocks run fast by so many millionths."""
    make_board = getattr(boards, "SimulatedBoard", None) or getattr(boards, "Board")  # noqa: B009
    rows = {}
    for ppm in PPM:
        line = Line(Session(plan_of(150)), make_board(FETTLE, drift_ppm=ppm, ahead_s=17.0))
        try:
            line.run(300.0)
            errors = sorted(map(abs, true_errors_ms(line)))
            late = line.session.report.commands - len(errors)
            rows[f"{ppm} ppm"] = f"{errors[-1]:.1f} ms off at most, {late} of 150 not played"
        except UserError as fault:
            rows[f"{ppm} ppm"] = f"refused: {fault.what}"
    return rows


def currents(palette: Palette, plan: Plan, copper_c: float) -> float:
    """The most that any driver carries, as a share of what it may."""
    coils: dict[int, Coil] = {}
    for striker in palette.striker:
        coils[striker.coil.channel] = striker.coil
        if striker.damper is not None:
            coils[striker.damper.coil.channel] = striker.damper.coil
    most = 0.0
    for driver in palette.driver:
        steps: list[tuple[float, float]] = []
        for command in plan.commands:
            if not isinstance(command, Strike | Hold) or command.channel not in driver.channels:
                continue
            ohm = coils[command.channel].resistance_ohm * (1 + 0.00393 * (copper_c - 20))
            amps = palette.supply.highest_v / ohm
            ends_s = command.at_s + command.length_ms / 1000
            if isinstance(command, Hold) and command.pull_ms < command.hold_ms:
                # Pulled with all of it, then held with a share.
                pulled_s = command.at_s + command.pull_ms / 1000
                steps.append((pulled_s - 1e-6, (command.hold_duty - 1) * amps))
                steps.append((ends_s - 1e-6, -command.hold_duty * amps))
            else:
                steps.append((ends_s - 1e-6, -amps))
            steps.append((command.at_s, amps))
        total = 0.0
        # What ends goes before what begins.
        for _, amps in sorted(steps):
            total += amps
            most = max(most, total / driver.current_max_a)
    return most


def cold_copper() -> dict[str, str]:
    """Random machines and replies: how many plans put a driver over its limit, and how far."""
    planner = import_module("callresp.plan.planner")
    over, worst = 0, 0.0
    for seed in range(PALETTES):
        rng = random.Random(seed)
        palette = random_palette(rng)
        reply = random_reply(rng, [*(s.name for s in palette.striker), "t0"])
        plan = planner.make_plan(reply, palette).plan
        share = currents(palette, plan, min(COLDEST_C, palette.ambient_c))
        over += share > 1 + 1e-6
        worst = max(worst, share)
    told = f"{over} of {PALETTES} plans over a limit; the most is {worst:.0%} of one"
    return {"currents of drivers": told}


if __name__ == "__main__":
    for fault, rows in (("5 cold copper", cold_copper()), ("7 poor clocks", poor_clocks())):
        for case, found in rows.items():
            print(json.dumps({"fault": fault, "case": case, "found": found}))

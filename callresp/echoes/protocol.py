"""The strokes that ask a place: one striker, softly, at odd times.

Strokes are further apart than the longest return takes, of which no two are
alike: what repeats in a place by itself, a drip, a trill, a motor, then falls at
another delay after each stroke, and averages out. A damper that lies on its striker
stays there, since a short sound asks best.

How soft: a wall as far as is asked for returns the stroke by way of 2 distances
(inverse distance law, absorption by the air after ISO 9613-1). Averaging over n
strokes lowers the background by 10 lg n dB. The softest known pulse whose return
would then still stand clear of the background is taken, and the hardest one where
none would.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np

from callresp.errors import UserError
from callresp.io.wording import counted
from callresp.palette.model import ForcePoint, Palette, Striker
from callresp.plan.checked_plan import CheckedPlan, check
from callresp.scene.air import absorption_db_per_m, speed_in_humid_air
from callresp.strike_test.protocol import as_plan, strike_command

FIRST_S = 1.0
# Between the longest return and the next stroke: to hear that the place has become quiet.
QUIET_S = 0.35
# A striker that rings is left to ring so far, where it has no damper.
RING_SHARE, RING_MOST_S = 0.4, 1.5
# Pauses are up to this share longer than the shortest, and differ from each other.
UNEVEN_SHARE = 0.45
FARTHEST_M = 300.0
# A quiet morning outdoors, within a striker's band. Common practice, no source.
BACKGROUND_DB = 35.0
CLEAR_DB = 10.0
# What a good wall keeps. Common practice, no source.
WALL_LOSS_DB = 3.0


def quickest(palette: Palette) -> Striker:
    """The striker whose sound ends soonest: it asks best."""
    return min(palette.striker, key=_sounds_s)


def _sounds_s(striker: Striker) -> float:
    """T60 of a stroke as it is asked with: under its damper, where that rests on it."""
    damper = striker.damper
    return striker.t60_s if damper is None or damper.rest == "off" else damper.damped_t60_s


def shortest_gap_s(striker: Striker, farthest_m: float, temperature_c: float) -> float:
    """The least pause between two strokes."""
    return_s = 2 * farthest_m / speed_in_humid_air(temperature_c, 50.0)
    return return_s + QUIET_S + min(RING_SHARE * _sounds_s(striker), RING_MOST_S)


def softest(
    striker: Striker, strokes: int, farthest_m: float, background_db: float, temperature_c: float
) -> ForcePoint:
    """The softest known pulse whose return from the farthest wall would be heard."""
    path_m = 2 * farthest_m
    lost_db = 20 * math.log10(path_m) + WALL_LOSS_DB
    lost_db += path_m * float(absorption_db_per_m(striker.reference_hz, temperature_c, 70.0))
    needed_db = background_db + CLEAR_DB - 10 * math.log10(strokes) + lost_db
    enough = (point for point in striker.force if point.level_db >= needed_db)
    return next(enough, striker.force[-1])


def ask_plan(
    palette: Palette,
    striker: Striker,
    strokes: int = 16,
    farthest_m: float = FARTHEST_M,
    background_db: float = BACKGROUND_DB,
    name: str = "",
) -> CheckedPlan:
    """The plan of a train of strokes, within every limit of the palette.

    Parameters
    ----------
    palette, striker
        The machine, and what it asks with.
    strokes
        How many: 16 lower the background by 12 dB.
    farthest_m
        A wall as far as this is still to be heard.
    background_db
        Of the place, dB SPL within the striker's band, to choose the force by.
    name
        How the plan refers to the palette.

    Raises
    ------
    UserError
        For a number of strokes or a distance that can't be.
    PlanBreaksLimitError
        Where the striker's coil can't do it.
    """
    if not 4 <= strokes <= 256:
        raise UserError(counted(strokes, "stroke"), argument="strokes", remedy="give 4 to 256")
    if not 5.0 <= farthest_m <= 1000.0:
        raise UserError(
            f"a farthest wall at {farthest_m:g} m", argument="farthest", remedy="give 5 to 1000 m"
        )
    point = softest(striker, strokes, farthest_m, background_db, palette.ambient_c)
    least_s = shortest_gap_s(striker, farthest_m, palette.ambient_c)
    rng = np.random.default_rng([1, strokes])
    # One pause of each length, in random order: no two are alike.
    lengths = least_s * (
        1 + UNEVEN_SHARE * (np.arange(strokes) + rng.uniform(size=strokes)) / strokes
    )
    at_s = FIRST_S + np.concatenate([[0.0], np.cumsum(rng.permutation(lengths))])[:strokes]
    commands = [strike_command(striker, float(at), point.pulse_ms) for at in at_s]
    plan = as_plan(commands, palette, name)
    # The last stroke's returns belong to it: a rehearsal lasts until they are over.
    header = msgspec.structs.replace(plan.header, duration_s=round(float(at_s[-1]) + least_s, 3))
    return check(msgspec.structs.replace(plan, header=header), palette)

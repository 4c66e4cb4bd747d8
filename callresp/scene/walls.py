"""What the walls of a place give back of a sound: image sources, and the air on the way.

Model: a wall mirrors a singer, and what comes back is that image's sound (Allen & Berkley
1979, JASA 65, 943); two walls mirror each other's images once more. A return is fainter by the
inverse distance law, by what the wall takes, and by what the air takes of the way that it is
longer (ISO 9613-1:1993).

Conventions
-----------
The microphone stands at the origin; a bearing of 0 points along the first axis, one of 90 along
the second. Walls are upright, flat and wide. Delays and gains are against the direct sound.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from callresp.scene.air import absorption_db_per_m, speed_of_sound
from callresp.scene.recipe import Recipe, Singer, Wall

Wave = npt.NDArray[np.float64]

TAPS = 129


@dataclass(frozen=True, slots=True)
class WallReturn:
    """One image of a singer: its delay behind the direct sound, its gain but for the air, and
    by how much its way is longer."""

    delay_s: float
    gain: float
    farther_m: float


def images(singer: Singer, walls: Sequence[Wall], temperature_c: float) -> tuple[WallReturn, ...]:
    """The returns of a singer's sound from each wall, and from one by way of another.

    Examples
    --------
    >>> a = Singer(voice="A", shapes=("whistle",), band_hz=(2000, 3000), distance_m=10)
    >>> back = images(a, [Wall(distance_m=60, bearing_deg=180, loss_db=0)], 20.0)
    >>> round(back[0].farther_m, 3), round(back[0].gain, 4)
    (120.0, 0.0769)
    """
    place = _towards(singer.bearing_deg) * singer.distance_m
    made = []
    for number, wall in enumerate(walls):
        near = _mirrored(place, wall)
        made.append(_return(near, wall.loss_db, singer.distance_m, temperature_c))
        for other, second in enumerate(walls):
            far = _mirrored(near, second)
            # Seen in that wall only where the first image stands before it.
            if other != number and float(_towards(second.bearing_deg) @ near) < second.distance_m:
                loss_db = wall.loss_db + second.loss_db
                made.append(_return(far, loss_db, singer.distance_m, temperature_c))
    return tuple(sorted(made, key=lambda one: one.delay_s))


def _towards(bearing_deg: float) -> Wave:
    turn = math.radians(bearing_deg)
    return np.array([math.cos(turn), math.sin(turn)])


def _mirrored(place: Wave, wall: Wall) -> Wave:
    towards = _towards(wall.bearing_deg)
    return np.asarray(place + 2 * (wall.distance_m - float(towards @ place)) * towards)


def _return(image: Wave, loss_db: float, direct_m: float, temperature_c: float) -> WallReturn:
    way_m = float(np.hypot(*image))
    farther_m = way_m - direct_m
    return WallReturn(
        delay_s=farther_m / speed_of_sound(temperature_c),
        gain=direct_m / way_m * 10 ** (-loss_db / 20),
        farther_m=farther_m,
    )


def air_taps(
    way_m: float, sample_rate_hz: int, temperature_c: float, humidity: float, flat_hz: float = 0.0
) -> Wave:
    """Filter for what the air takes on a way, centred, of `TAPS` samples.

    Parameters
    ----------
    way_m, sample_rate_hz, temperature_c, humidity
        How long the way is, and through what.
    flat_hz
        The frequency that is left as it is; 0 for none: all is lost that the air takes.
    """
    from scipy import signal

    hertz = np.linspace(0.0, sample_rate_hz / 2, 65)
    per_m = absorption_db_per_m(hertz, temperature_c, humidity)
    flat = float(absorption_db_per_m(flat_hz, temperature_c, humidity))
    taps = signal.firwin2(TAPS, hertz, 10 ** (-way_m * (per_m - flat) / 20), fs=sample_rate_hz)
    return np.asarray(taps)


def add_taps(response: Wave, middle: int, taps: Wave) -> None:
    """Add a centred filter to an impulse response.

    Parameters
    ----------
    response
        Changed in place; long enough for the filter's end.
    middle
        The sample at which the filter's middle lies; what lies before 0 is cut off.
    taps
        `TAPS` of them, as `air_taps` makes them.
    """
    first = middle - TAPS // 2
    low = max(first, 0)
    response[low : first + TAPS] += taps[low - first :]


def wall_response(recipe: Recipe, singer: Singer, sample_rate_hz: int) -> Wave:
    """Impulse response of a scene's walls for one singer, the direct sound (1) included."""
    back = images(singer, recipe.wall, recipe.temperature_c)
    last = max((round(one.delay_s * sample_rate_hz) for one in back), default=0)
    out = np.zeros(last + TAPS // 2 + 1)
    out[0] = 1.0
    for one in back:
        taps = air_taps(one.farther_m, sample_rate_hz, recipe.temperature_c, recipe.humidity)
        add_taps(out, round(one.delay_s * sample_rate_hz), one.gain * taps)
    return out

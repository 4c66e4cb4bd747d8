"""What the walls of a place give back of the machine, in a rehearsal.

Each echo is a copy of the machine's sound, as late and as faint as it was heard when
the place was asked; the air takes more of its high notes than of its low ones on the
way to the wall and back (ISO 9613-1).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from callresp.io.place import Echo
from callresp.scene.walls import TAPS, add_taps, air_taps

Waves = npt.NDArray[np.float64]

# An echo's level is that of a striker's band: about here the air's share of it is in the level.
MIDDLE_HZ = 1500.0


def response_of(
    echoes: Sequence[Echo], sample_rate_hz: int, temperature_c: float, humidity: float
) -> Waves:
    """Impulse response of a place's echoes, without the direct sound."""
    longest_s = max((echo.delay_s for echo in echoes), default=0.0)
    out = np.zeros(round(longest_s * sample_rate_hz) + TAPS // 2 + 1)
    for echo in echoes:
        way_m = 2 * echo.distance_m
        taps = air_taps(way_m, sample_rate_hz, temperature_c, humidity, MIDDLE_HZ)
        add_taps(out, round(echo.delay_s * sample_rate_hz), 10 ** (echo.level_db / 20) * taps)
    return out

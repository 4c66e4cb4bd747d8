"""From sound pressure at the machine to samples at the listener's place.

Conventions
-----------
- A striker's level is its sound pressure level at 1 m in the moment after the
  stroke: the root of the summed mean squares of its partials as they start.
- `full_scale_db` is the sound pressure level that a full-scale sine stands for.
  We take 94 dB SPL (1 Pa), the level of a sound calibrator (IEC 60942) and about
  what a sensitive field recorder's full scale is; a calibrated recording brings
  its own value.
- Sound falls with the inverse of the distance (6 dB a doubling, for a small
  source in the open) and by the absorption of the air (ISO 9613-1).
"""

from __future__ import annotations

from dataclasses import dataclass

from callresp.errors import UserError
from callresp.palette.model import Palette
from callresp.scene.air import absorption_db_per_m, speed_of_sound

FULL_SCALE_DB_SPL = 94.0


@dataclass(frozen=True, slots=True)
class ListeningPoint:
    """Where the listener is, and what full scale means there.

    Parameters
    ----------
    distance_m
        From the machine to the microphone or the listener.
    full_scale_db
        Sound pressure level of a full-scale sine, dB SPL.
    temperature_c, humidity
        Of the air (relative humidity in %).
    air
        Whether the air absorbs.
    travel
        Whether the sound takes its time on the way (2.9 ms a metre).

    Examples
    --------
    >>> near = ListeningPoint(distance_m=1.0, air=False)
    >>> round(near.gain_db(1000.0), 6) + 0.0
    0.0
    >>> far = ListeningPoint(distance_m=2.0, air=False)
    >>> round(far.gain_db(1000.0), 2)
    -6.02
    """

    distance_m: float
    full_scale_db: float = FULL_SCALE_DB_SPL
    temperature_c: float = 10.0
    humidity: float = 80.0
    air: bool = True
    travel: bool = True

    def __post_init__(self) -> None:
        if not self.distance_m > 0:
            raise UserError(
                f"a distance of {self.distance_m:g} m", remedy="give one above 0, such as 5"
            )
        if not 0 < self.full_scale_db <= 200:
            raise UserError(
                f"full scale at {self.full_scale_db:g} dB SPL", remedy="give one from 1 to 200"
            )

    def gain_db(self, frequency_hz: float) -> float:
        """Gain from 1 m to the listener at a frequency, dB."""
        from math import log10

        lost_db = 0.0
        if self.air:
            per_metre = float(absorption_db_per_m(frequency_hz, self.temperature_c, self.humidity))
            lost_db = per_metre * self.distance_m
        return -20 * log10(self.distance_m) - lost_db

    def gain(self, frequency_hz: float) -> float:
        """The same as a factor of amplitude."""
        return float(10 ** (self.gain_db(frequency_hz) / 20))

    def peak_of(self, level_db: float) -> float:
        """Peak sample of a sine of `level_db` dB SPL at the listener."""
        return float(10 ** ((level_db - self.full_scale_db) / 20))

    @property
    def delay_s(self) -> float:
        """How long the sound takes to arrive."""
        return self.distance_m / speed_of_sound(self.temperature_c) if self.travel else 0.0


def listening_point(
    palette: Palette, distance_m: float | None = None, full_scale_db: float | None = None
) -> ListeningPoint:
    """The listener's place that a palette states, with what the user says otherwise.

    Parameters
    ----------
    palette
        Which states a distance and the air's temperature.
    distance_m
        In place of the palette's.
    full_scale_db
        Sound pressure level of full scale, dB; `None` for the usual one.

    Returns
    -------
    ListeningPoint
        Where it is heard from.
    """
    return ListeningPoint(
        distance_m=palette.distance_m if distance_m is None else distance_m,
        full_scale_db=FULL_SCALE_DB_SPL if full_scale_db is None else full_scale_db,
        temperature_c=palette.ambient_c,
    )

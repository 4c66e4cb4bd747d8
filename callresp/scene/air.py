"""What the way through the air does to a sound.

Sources: ISO 9613-1:1993, equations 3 to 5, annex A.5 (speed of sound) and
annex B (saturation pressure); the inverse distance law for a small source in
the open (common practice, no source).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Wave = npt.NDArray[np.float64]

_T0 = 293.15  # reference temperature, K
_TRIPLE = 273.16  # triple point of water, K


def speed_of_sound(temperature_c: float) -> float:
    """Speed of sound in air, m/s (ISO 9613-1, A.5).

    Examples
    --------
    >>> round(speed_of_sound(20.0), 1)
    343.2
    """
    return 343.2 * math.sqrt((temperature_c + 273.15) / _T0)


def absorption_db_per_m(
    frequency_hz: npt.ArrayLike, temperature_c: float = 10.0, humidity: float = 80.0
) -> Wave:
    """Attenuation of pure tones in air at sea level, dB per metre.

    Parameters
    ----------
    frequency_hz
        One frequency or many.
    temperature_c, humidity
        Of the air; relative humidity in per cent.

    Examples
    --------
    >>> float(np.round(1000 * absorption_db_per_m(3981.1, 20, 70), 1))
    22.9
    """
    kelvin = temperature_c + 273.15
    warm = kelvin / _T0
    saturation = 10 ** (-6.8346 * (_TRIPLE / kelvin) ** 1.261 + 4.6151)
    water = humidity * saturation
    oxygen_hz = 24 + 4.04e4 * water * (0.02 + water) / (0.391 + water)
    nitrogen_hz = warm**-0.5 * (9 + 280 * water * math.exp(-4.170 * (warm ** (-1 / 3) - 1)))
    square = np.asarray(frequency_hz, dtype=np.float64) ** 2
    classical = 1.84e-11 * warm**0.5
    oxygen = 0.01275 * math.exp(-2239.1 / kelvin) / (oxygen_hz + square / oxygen_hz)
    nitrogen = 0.1068 * math.exp(-3352.0 / kelvin) / (nitrogen_hz + square / nitrogen_hz)
    return np.asarray(8.686 * square * (classical + warm**-2.5 * (oxygen + nitrogen)))

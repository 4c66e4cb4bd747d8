"""What the way through the air does to a sound.

Sources: ISO 9613-1:1993, equations 3 to 6 (absorption by the atmosphere);
the inverse distance law for a small source in the open.
"""

from __future__ import annotations

import math

SPEED_OF_SOUND = 343.0


def absorption_db_per_m(
    frequency_hz: float, temperature_c: float = 10.0, humidity: float = 80.0
) -> float:
    """Attenuation of a pure tone in air at sea level, dB per metre (ISO 9613-1).

    Examples
    --------
    >>> round(1000 * absorption_db_per_m(4000, 20, 70), 1)
    22.9
    """
    kelvin = temperature_c + 273.15
    warm = kelvin / 293.15
    saturation = 10 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151)
    water = humidity * saturation
    oxygen_hz = 24 + 4.04e4 * water * (0.02 + water) / (0.391 + water)
    nitrogen_hz = warm**-0.5 * (9 + 280 * water * math.exp(-4.170 * (warm ** (-1 / 3) - 1)))
    square = frequency_hz**2
    classical = 1.84e-11 * warm**0.5
    oxygen = 0.01275 * math.exp(-2239.1 / kelvin) / (oxygen_hz + square / oxygen_hz)
    nitrogen = 0.1068 * math.exp(-3352.0 / kelvin) / (nitrogen_hz + square / nitrogen_hz)
    return float(8.686 * square) * (classical + warm**-2.5 * (oxygen + nitrogen))


def way_gain(
    distance_m: float, frequency_hz: float, temperature_c: float, humidity: float
) -> float:
    """Amplitude at `distance_m` over that at 1 m, for a sound about `frequency_hz`."""
    lost_db: float = absorption_db_per_m(frequency_hz, temperature_c, humidity) * distance_m
    return float(10 ** (-lost_db / 20) / distance_m)

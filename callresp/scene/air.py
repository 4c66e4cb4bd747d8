"""What the way through the air does to a sound.

Sources: ISO 9613-1:1993, equations 3 to 5, annex A.5 (speed of sound) and
annex B (saturation pressure); Cramer 1993, JASA 93, 2510 (speed of sound with
humidity); the inverse distance law for a small source in the open (common
practice, no source).
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


def speed_in_humid_air(
    temperature_c: float,
    humidity: float,
    pressure_pa: float = 101_325.0,
    carbon_dioxide: float = 4.2e-4,
) -> float:
    """Speed of sound in humid air, m/s, by Cramer's fit (1993, his equation 15 and appendix).

    Cramer states it for 0 to 30 °C and 75 to 102 kPa, within 300 parts in a million. Outside
    that it goes on smoothly, and is within 0.1 % of dry air's law down to -20 °C.

    Parameters
    ----------
    temperature_c
        Of the air.
    humidity
        Relative, in per cent.
    pressure_pa
        Of the air.
    carbon_dioxide
        Its mole fraction.

    Returns
    -------
    float
        In m/s.

    Examples
    --------
    >>> round(speed_in_humid_air(0.0, 0.0, carbon_dioxide=3.14e-4), 2)
    331.45
    """
    t, p, kelvin = temperature_c, pressure_pa, temperature_c + 273.15
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    saturation_pa = math.exp(
        1.2811805e-5 * kelvin**2 - 1.9509874e-2 * kelvin + 34.04926034 - 6.3536311e3 / kelvin
    )
    water = humidity / 100 * enhancement * saturation_pa / p
    gas = carbon_dioxide
    return (
        331.5024
        + 0.603055 * t
        - 0.000528 * t**2
        + (51.471935 + 0.1495874 * t - 0.000782 * t**2) * water
        + (-1.82e-7 + 3.73e-8 * t - 2.93e-10 * t**2) * p
        + (-85.20931 - 0.228525 * t + 5.91e-5 * t**2) * gas
        - 2.835149 * water**2
        - 2.15e-13 * p**2
        + 29.179762 * gas**2
        + 0.000486 * water * p * gas
    )


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

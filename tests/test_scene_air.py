"""The way through the air against published tables."""

from __future__ import annotations

import numpy as np
import pytest

from callresp.scene.air import absorption_db_per_m, speed_of_sound

# ISO 9613-2:1996, table 2: dB per km at the octave bands from 63 Hz to 8 kHz,
# which stand for the exact mid-band frequencies of ISO 266 (3981 Hz for 4 kHz).
OCTAVES_HZ = 1000 * 10 ** (0.3 * np.arange(-4, 4))
TABLE_2 = {
    (10, 70): [0.1, 0.4, 1.0, 1.9, 3.7, 9.7, 32.8, 117.0],
    (20, 70): [0.1, 0.3, 1.1, 2.8, 5.0, 9.0, 22.9, 76.6],
    (30, 70): [0.1, 0.3, 1.0, 3.1, 7.4, 12.7, 23.1, 59.3],
    (15, 20): [0.3, 0.6, 1.2, 2.7, 8.2, 28.2, 88.8, 202.0],
}


@pytest.mark.parametrize(("air", "row"), TABLE_2.items())
def test_absorption_is_that_of_the_standard(air: tuple[float, float], row: list[float]) -> None:
    found = 1000 * absorption_db_per_m(OCTAVES_HZ, *air)
    assert found == pytest.approx(row, rel=0.005, abs=0.06)


# U.S. Standard Atmosphere, 1976, at sea level and at 2, 5 and 11 km (from memory): °C, m/s.
STANDARD_ATMOSPHERE = [(15.0, 340.29), (2.0, 332.53), (-17.5, 320.55), (-56.5, 295.07)]


@pytest.mark.parametrize(("air_c", "speed_m_s"), STANDARD_ATMOSPHERE)
def test_speed_of_sound(air_c: float, speed_m_s: float) -> None:
    assert speed_of_sound(air_c) == pytest.approx(speed_m_s, abs=0.1)

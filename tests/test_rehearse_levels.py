"""Distance, air and travel: what reaches the listener."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rehearse_helpers import bar, machine, plan, render, strike

from callresp.errors import UserError
from callresp.io.audio import level_db
from callresp.synthesis.levels import ListeningPoint, listening_point

RATE = 48000


def heard_at(place: ListeningPoint) -> float:
    palette = machine(bar(500.0, t60_s=(50.0,), levels_db=(0.0,)))
    sound = render(plan(strike(0.0)), palette, RATE, 1.0, place=place)
    return level_db(sound[RATE // 2 :])


def test_twice_the_distance_is_6_db_less() -> None:
    # Inverse distance law for a small source in the open: 20 log10(2) = 6.02 dB.
    levels = [
        heard_at(ListeningPoint(distance_m=d, air=False, travel=False))
        for d in (1.0, 2.0, 4.0, 40.0)
    ]
    steps = -np.diff(levels)
    assert steps[:2] == pytest.approx([6.02, 6.02], abs=0.01)
    assert steps[2] == pytest.approx(20.0, abs=0.01)


def test_the_air_takes_what_iso_9613_says() -> None:
    # ISO 9613-2:1996, table 2, at 20 °C and 70 %: 5.0, 9.0, 22.9, 76.6 dB/km.
    place = ListeningPoint(distance_m=1000.0, temperature_c=20.0, humidity=70.0)
    bare = ListeningPoint(distance_m=1000.0, air=False)
    for hz, lost_db in ((1000, 5.0), (2000, 9.0), (4000, 22.9), (8000, 76.6)):
        found = bare.gain_db(hz) - place.gain_db(hz)
        assert found == pytest.approx(lost_db, rel=0.03)


def test_sound_takes_its_time() -> None:
    palette = machine(bar(500.0, latency_ms=0.0))
    near = ListeningPoint(distance_m=10.0, temperature_c=20.0)
    sound = render(plan(strike(0.1)), palette, RATE, 0.5, place=near)
    first = int(np.argmax(np.abs(sound) > 0)) / RATE
    # 343.2 m/s at 20 °C (ISO 9613-1, annex A).
    assert first - 0.1 == pytest.approx(10 / 343.2, abs=3e-4)


@given(full_scale=st.floats(60.0, 130.0))
def test_full_scale_shifts_the_level_db_for_db(full_scale: float) -> None:
    here = ListeningPoint(distance_m=1.0, full_scale_db=full_scale)
    assert 20 * np.log10(here.peak_of(80.0)) == pytest.approx(80.0 - full_scale)


def test_the_palette_gives_distance_and_air() -> None:
    place = listening_point(machine(bar(), distance_m=7.0))
    assert place.distance_m == 7.0
    assert (
        listening_point(machine(bar()), distance_m=3.0, full_scale_db=100.0).full_scale_db == 100.0
    )


@pytest.mark.parametrize(("distance_m", "full_scale_db"), [(0.0, 94.0), (-1.0, 94.0), (1.0, 0.0)])
def test_impossible_places_are_refused(distance_m: float, full_scale_db: float) -> None:
    with pytest.raises(UserError):
        ListeningPoint(distance_m=distance_m, full_scale_db=full_scale_db)

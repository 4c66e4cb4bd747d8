"""Key numbers and bend against the published formula."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rehearse_helpers import bent_hz

from callresp.midi.tuning import (
    bend_for,
    hz_of,
    key_of,
    nearest_key,
)


@pytest.mark.parametrize(("key", "hz"), [(69, 440.0), (60, 261.6256), (21, 27.5), (108, 4186.009)])
def test_equal_temperament(key: int, hz: float) -> None:
    # f = 440 · 2^((n - 69)/12); piano keys 1 and 88 are 27.5 and 4186.009 Hz.
    assert hz_of(key) == pytest.approx(hz, abs=5e-4)
    assert key_of(hz) == pytest.approx(key, abs=1e-5)


@given(hz=st.floats(30.0, 12000.0))
def test_bend_reaches_the_pitch(hz: float) -> None:
    key = nearest_key(hz)
    bend = bend_for(hz, key, 2)
    assert -8192 <= bend <= 8191
    # Two semitones over 8192 steps: half a step is 0.012 cents.
    assert abs(1200 * math.log2(bent_hz(key, bend, 2) / hz)) <= 200 / 8192 / 2 + 1e-9


def test_bend_stops_at_its_range() -> None:
    assert bend_for(hz_of(90), 60, 2) == 8191
    assert bend_for(hz_of(30), 60, 2) == -8192

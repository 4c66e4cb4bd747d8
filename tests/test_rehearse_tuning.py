"""Key numbers, bend and tuning messages against the published formula and tables."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rehearse_helpers import bent_hz

from callresp.midi.tuning import (
    bend_for,
    frequency_data,
    hz_of,
    key_of,
    nearest_key,
    tuning_change,
)

# Complete MIDI 1.0 Detailed Specification, MIDI Tuning, "Examples of frequency data". The
# printed table errs in some rows (00 00 01, and those above 3D 00 00 in the last digits); the
# rows here are those that agree with the specification's own definition, to its four decimals.
PRINTED = {
    "00 00 00": 8.1758,
    "01 00 00": 8.6620,
    "0c 00 00": 16.3516,
    "3c 00 00": 261.6256,
    "44 7f 7f": 439.9984,
    "45 00 00": 440.0000,
}
# The same definition, worked out by hand for rows that are misprinted.
WORKED = {"78 00 00": 8372.0181, "78 00 01": 8372.0476, "7f 00 00": 12543.8540}


@pytest.mark.parametrize(("key", "hz"), [(69, 440.0), (60, 261.6256), (21, 27.5), (108, 4186.009)])
def test_equal_temperament(key: int, hz: float) -> None:
    # f = 440 · 2^((n - 69)/12); piano keys 1 and 88 are 27.5 and 4186.009 Hz.
    assert hz_of(key) == pytest.approx(hz, abs=5e-4)
    assert key_of(hz) == pytest.approx(key, abs=1e-5)


@pytest.mark.parametrize(("data", "hz"), [*PRINTED.items(), *WORKED.items()])
def test_frequency_data_is_as_printed(data: str, hz: float) -> None:
    xx, yy, zz = bytes.fromhex(data)
    meant = 440.0 * 2 ** ((xx + (yy * 128 + zz) / 16384 - 69) / 12)
    assert meant == pytest.approx(hz, abs=6e-5)
    assert bytes(frequency_data(meant)).hex(" ") == data


@given(hz=st.floats(8.1758, 13289.0))
def test_frequency_data_is_within_half_a_step(hz: float) -> None:
    xx, yy, zz = frequency_data(hz)
    assert all(0 <= byte < 128 for byte in (xx, yy, zz))
    assert (xx, yy, zz) != (127, 127, 127), "reserved: no change"
    meant = 440.0 * 2 ** ((xx + (yy * 128 + zz) / 16384 - 69) / 12)
    assert abs(1200 * math.log2(meant / hz)) <= 100 / 16384 / 2 + 1e-6


def test_nothing_becomes_the_reserved_word() -> None:
    assert frequency_data(hz_of(127.99999)) == (127, 127, 126)
    assert frequency_data(1.0) == (0, 0, 0)


def test_a_tuning_change_is_laid_out_as_the_standard_says() -> None:
    # F0 7F <device> 08 02 tt ll [kk xx yy zz] F7; F0 and F7 are the file's or the port's.
    body = bytes(tuning_change([(69, 440.0), (60, hz_of(60.5))], program=5, device=0x10))
    assert body.hex(" ") == "7f 10 08 02 05 02 45 45 00 00 3c 3c 40 00"
    with pytest.raises(ValueError, match="1 to 127 keys"):
        tuning_change([])


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

"""The round score of a day: angles by the clock, radii by pitch, counts that add up."""

from __future__ import annotations

import math
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rehearse_helpers import bar, machine
from test_rehearse_passage import heard, reply
from test_rehearse_picture import texts

from callresp.errors import UserError
from callresp.io.score import phrases
from callresp.plots.dial import (
    INNER,
    DialMarks,
    answer_marks,
    axis_of,
    call_marks,
    counts_per_bin,
    dial_for,
    radius,
    xy,
)
from callresp.plots.dial_picture import draw_day

ZONE = timezone(timedelta(hours=1))
DAWN = datetime(2026, 5, 12, 4, 15, tzinfo=ZONE)


def at(hour: int, minute: int = 0) -> datetime:
    return DAWN.replace(hour=hour, minute=minute)


def test_a_day_is_set_by_the_sun() -> None:
    dial = dial_for(DAWN, 16 * 3600)
    assert dial.turn_h == 24
    places = {hour: xy(dial.angle(at(hour)), 1.0) for hour in (0, 6, 12, 18)}
    assert places[12] == pytest.approx([0, 1], abs=1e-12), "noon at the top"
    assert places[18] == pytest.approx([1, 0], abs=1e-12), "clockwise"
    assert places[0] == pytest.approx([0, -1], abs=1e-12)
    assert places[6] == pytest.approx([-1, 0], abs=1e-12)
    assert len(dial.hours()) == 24


@given(
    minutes=st.integers(0, 1439),
    duration_s=st.floats(1.0, 86400.0),
)
def test_the_dial_never_overlaps_itself(minutes: int, duration_s: float) -> None:
    start = DAWN.replace(hour=0, minute=0) + timedelta(minutes=minutes)
    dial = dial_for(start, duration_s)
    span = np.ptp(dial.angles(start, [0.0, duration_s]))
    assert span <= 2 * math.pi + 1e-9
    if dial.turn_h < 24:
        assert 0 <= dial.angle(start) < 2 * math.pi
        end = start + timedelta(seconds=duration_s)
        assert dial.angle(end) <= 2 * math.pi + 1e-6
        assert dial.zero.second == 0
        assert dial.turn_h < 1 or dial.zero.minute % 5 == 0


def test_days_of_no_length_or_too_long_are_refused() -> None:
    with pytest.raises(UserError, match="without length"):
        dial_for(DAWN, 0.0)
    with pytest.raises(UserError, match="draw each day alone"):
        dial_for(DAWN, 90000.0)


@given(low=st.floats(50, 1000), octaves=st.integers(1, 7))
def test_an_octave_is_the_same_width_everywhere(low: float, octaves: int) -> None:
    high = low * 2**octaves
    radii = radius(low * 2.0 ** np.arange(octaves + 1), low, high)
    assert radii[0] == pytest.approx(INNER)
    assert radii[-1] == pytest.approx(1.0)
    assert np.diff(radii) == pytest.approx((1 - INNER) / octaves)


@given(times=st.lists(st.floats(0, 3599), max_size=50), bin_s=st.floats(10, 900))
def test_counts_add_up(times: list[float], bin_s: float) -> None:
    many = np.array(times)
    assert counts_per_bin(DialMarks(many, many, many), bin_s, 3600.0).sum() == len(times)


def test_answers_lie_at_their_strikers_pitch() -> None:
    marks = answer_marks(reply().notes, machine(bar(1760.0)))
    assert marks.pitch_hz.tolist() == [1760.0] * 3
    assert axis_of(call_marks(phrases(heard().notes)), marks) == (1000.0, 2000.0)
    assert np.isnan(answer_marks(reply().notes, None).pitch_hz).all()


def test_the_picture_says_the_day_and_the_counts(tmp_path: Path) -> None:
    path = tmp_path / "x.svg"
    done = draw_day(
        path,
        phrases(heard().notes),
        reply().notes,
        DAWN,
        14 * 3600.0,
        machine(bar(1760.0)),
        "Hollin Carr",
        sunrise=at(5, 12),
        sunset=at(21, 2),
    )
    assert (done.turn_h, done.calls, done.answers) == (24.0, 3, 3)
    said = texts(path)
    for text in ("Hollin Carr", "12 May", "2026, 04:15 to 18:15", "3 calls", "3 answers", "sunset"):
        assert text in said


def test_a_quiet_day_is_drawn_too(tmp_path: Path) -> None:
    done = draw_day(tmp_path / "x.png", (), (), DAWN, 7200.0)
    assert (done.calls, done.answers) == (0, 0)
    with pytest.raises(UserError, match="without length"):
        draw_day(tmp_path / "y.png", (), (), DAWN)

"""The sun, against the almanac of the U. S. Naval Observatory, and the hours that follow it."""

from __future__ import annotations

import time as host_time
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta, timezone

import pytest
from click.testing import CliRunner

from callresp.cli import cli
from callresp.commands.live import active_hours
from callresp.errors import UserError
from callresp.field.day_reader import _WallClock
from callresp.live.interlocks import WallClockMonitor
from callresp.scout.sun import (
    ActiveHours,
    DayTime,
    Site,
    moment_on,
    read_day_time,
    read_site,
    sun_day,
)

# Rise and Set for the Sun for 2023, U. S. Naval Observatory, Astronomical Applications Dept.;
# location W112 31, N36 57; zone 7 h west of Greenwich; hours and minutes of rise and set on the
# 15th of each month.
WEST_7 = timezone(timedelta(hours=-7))
TABLE = [
    *("0742 1737", "0719 1810", "0641 1837", "0556 1905", "0522 1931", "0510 1951"),
    *("0522 1949", "0547 1922", "0612 1838", "0638 1754", "0708 1721", "0736 1715"),
]
PLACE = Site(36.95, -112.52)


@pytest.mark.parametrize(("month", "row"), list(enumerate(TABLE, start=1)))
def test_sunrise_and_sunset_are_those_of_the_almanac_to_a_minute(month: int, row: str) -> None:
    found = sun_day(PLACE, date(2023, month, 15), WEST_7)
    for moment, printed in zip((found.sunrise, found.sunset), row.split(), strict=True):
        assert moment is not None
        expected = datetime(2023, month, 15, int(printed[:2]), int(printed[2:]), tzinfo=WEST_7)
        # The table rounds to minutes.
        assert abs(moment - expected) <= timedelta(seconds=90)


def test_polar_days_are_said() -> None:
    north = Site(78.2, 15.6)
    summer, winter = (sun_day(north, date(2026, month, 21), UTC) for month in (6, 12))
    assert (summer.sunrise, summer.without) == (None, "the sun does not set that day")
    assert (winter.sunrise, winter.without) == (None, "the sun does not rise that day")


def at(hour: int, minute: int = 0, month: int = 5, day: int = 15) -> datetime:
    return datetime(2023, month, day, hour, minute, tzinfo=WEST_7)


def test_hours_follow_the_sun() -> None:
    hours = active_hours("sunrise-0:40", "sunrise+3:00", read_site("36.95,-112.52"))
    assert hours is not None
    # Sunrise is at 5:22 in May, at 7:36 in December.
    assert [hours.awake_at(at(4, 40)), hours.awake_at(at(4, 44))] == [False, True]
    assert [hours.awake_at(at(8, 20)), hours.awake_at(at(8, 24))] == [True, False]
    assert not hours.awake_at(at(6, 50, month=12))
    assert hours.awake_at(at(7, 0, month=12))
    assert hours.wakes(at(3)) in ("04:41", "04:42")


def test_hours_may_run_past_midnight_and_mix_sun_and_clock() -> None:
    hours = active_hours("sunset", "02:00", read_site("36.95,-112.52"))
    assert hours is not None
    found = [hours.awake_at(at(hour)) for hour in (19, 20, 23)]
    assert found == [False, True, True]
    assert [hours.awake_at(at(hour, day=16)) for hour in (1, 3)] == [True, False]


@pytest.fixture
def london() -> Iterator[None]:
    """This computer's clock, by the rule of POSIX.1-2017, 8.3: summer time as the European Union's
    directive 2000/84/EC has it, from the last Sunday of March to the last of October, 01:00 UTC."""
    if not hasattr(host_time, "tzset"):
        pytest.skip("this system's zone is not set by TZ")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", "GMT0BST,M3.5.0/1,M10.5.0/2")
        host_time.tzset()
        yield
    host_time.tzset()


CLOCK_HOURS = ActiveHours(DayTime(time(4, 30)), DayTime(time(10, 0)))
MIXED_HOURS = ActiveHours(DayTime(clock=time(4, 30)), DayTime(event="sunset"), Site(54.2, -2.8))


@pytest.mark.usefixtures("london")
@pytest.mark.parametrize("hours", [CLOCK_HOURS, MIXED_HOURS])
@pytest.mark.parametrize(
    ("evening", "wakes"),
    [
        # Clocks are put forward in the night to 29 March 2026, back in that to 25 October.
        (datetime(2026, 3, 28, 22), datetime(2026, 3, 29, 3, 30, tzinfo=UTC)),
        (datetime(2026, 3, 29, 0, 30), datetime(2026, 3, 29, 3, 30, tzinfo=UTC)),
        (datetime(2026, 3, 28, 3), datetime(2026, 3, 28, 4, 30, tzinfo=UTC)),
        (datetime(2026, 3, 29, 4), datetime(2026, 3, 29, 3, 30, tzinfo=UTC)),
        (datetime(2026, 10, 24, 22), datetime(2026, 10, 25, 4, 30, tzinfo=UTC)),
        (datetime(2026, 10, 25, 4), datetime(2026, 10, 25, 4, 30, tzinfo=UTC)),
    ],
)
def test_hours_by_the_clock_begin_in_time_when_clocks_are_put_forward_in_the_night(
    hours: ActiveHours, evening: datetime, wakes: datetime
) -> None:
    assert hours.wakes_at(evening.astimezone()) == wakes


@pytest.mark.usefixtures("london")
@pytest.mark.parametrize(
    "begins", [datetime(2026, 10, 25, 1, 59, 58), datetime(2026, 3, 29, 0, 59)]
)
def test_a_recorders_clock_is_not_set_where_the_clocks_here_are(begins: datetime) -> None:
    at_s = 0.0
    monitor = WallClockMonitor(lambda: begins + timedelta(seconds=at_s), lambda: at_s)
    told = _WallClock(None)
    for at_s in (0.0, 1.0, 3.0, 90.0, 7200.0):
        assert monitor.step_s() is None
        told.take(at_s, begins + timedelta(seconds=at_s))
    assert not list(told.steps())
    assert told.zero() == begins.astimezone()


@pytest.mark.usefixtures("london")
def test_another_place_keeps_its_own_offset_when_this_computers_clock_is_put_forward() -> None:
    assert moment_on(date(2026, 3, 29), time(4, 30), WEST_7).utcoffset() == timedelta(hours=-7)


def test_through_a_polar_day_it_sleeps_and_says_why() -> None:
    hours = active_hours("sunrise", "sunset", read_site("78.2,15.6"))
    assert hours is not None
    noon = datetime(2026, 6, 21, 12, tzinfo=UTC)
    assert not hours.awake_at(noon)
    assert "the sun does not set that day" in hours.wakes(noon)


@pytest.mark.parametrize("text", ["25:00", "sunrise-40", "sunrise-0:70x", "dawn", ""])
def test_what_is_no_time_of_day_is_refused(text: str) -> None:
    with pytest.raises(UserError, match="not a time of day"):
        read_day_time(text)


@pytest.mark.parametrize("text", ["54.2", "north,west", "91,0", "0,181", "nan,0"])
def test_what_is_no_place_is_refused(text: str) -> None:
    with pytest.raises(UserError):
        read_site(text)


def test_hours_by_the_sun_need_a_place() -> None:
    words = ["live", "--from", "sunrise", "--until", "sunset", "--input", "x.wav"]
    fault = CliRunner().invoke(cli, words).exception
    assert isinstance(fault, UserError)
    assert "--site" in str(fault)

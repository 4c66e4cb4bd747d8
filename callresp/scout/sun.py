"""Sunrise and sunset, and hours of the day that follow them.

The sun is that of the astral package: its upper edge at the horizon of the sea, 34' of
refraction, which is how almanacs define sunrise. Hills and heights are not known. Near the
poles there are days without sunrise or sunset; that is said, and nothing begins by it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from functools import lru_cache
from typing import Literal

from callresp.errors import UserError

Event = Literal["sunrise", "sunset"]
_BY_SUN = re.compile(r"^(sunrise|sunset)(?:([+-])(\d{1,2}):(\d{2}))?$")
_CLOCK = re.compile(r"^(\d{1,2}):(\d{2})$")


@dataclass(frozen=True, slots=True)
class Site:
    """Where a machine or recorder stands: degrees, north and east positive.

    Raises
    ------
    UserError
        When there is no such place on Earth.
    """

    latitude: float
    longitude: float

    def __post_init__(self) -> None:
        if not -90 <= self.latitude <= 90 or not -180 <= self.longitude <= 180:
            raise UserError(
                f"{self.latitude:g}, {self.longitude:g} is no place on Earth",
                argument="site",
                remedy="give latitude (-90 to 90) and longitude (-180 to 180), like 54.2,-2.8",
            )


def read_site(text: str) -> Site:
    """Coordinates as typed: ``54.2,-2.8``.

    Raises
    ------
    UserError
        When these are no coordinates.
    """
    try:
        latitude, longitude = (float(part) for part in text.split(","))
    except ValueError:
        raise UserError(
            f"'{text}' are no coordinates",
            argument="site",
            remedy="give latitude and longitude in degrees, like 54.2,-2.8",
        ) from None
    return Site(latitude, longitude)


@dataclass(frozen=True, slots=True)
class SunDay:
    """The sun on one day; `None` where it does not rise or set, and why in `without`."""

    sunrise: datetime | None
    sunset: datetime | None
    without: str = ""


@lru_cache(maxsize=64)
def sun_day(site: Site, day: date, zone: tzinfo) -> SunDay:
    """Sunrise and sunset on a day of a zone's calendar.

    Parameters
    ----------
    site
        Where.
    day
        The date there.
    zone
        Its time zone.

    Returns
    -------
    SunDay
        Each time `None` where the sun does not rise or set.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> found = sun_day(Site(54.2, -2.8), date(2026, 5, 12), ZoneInfo("Europe/London"))
    >>> f"{found.sunrise:%H:%M}"
    '05:13'
    """
    from astral import Observer
    from astral.sun import elevation, noon, sunrise, sunset

    observer = Observer(site.latitude, site.longitude)
    found: list[datetime | None] = []
    for event in (sunrise, sunset):
        try:
            found.append(event(observer, day, tzinfo=zone))
        except ValueError:
            found.append(None)
    if None not in found:
        return SunDay(found[0], found[1])
    up = elevation(observer, noon(observer, day, tzinfo=UTC)) > -0.833
    without = "the sun does not set that day" if up else "the sun does not rise that day"
    return SunDay(found[0], found[1], without)


def moment_on(day: date, clock: time, zone: tzinfo | None) -> datetime:
    """The moment at which clocks of a zone show a time on a day.

    Parameters
    ----------
    day, clock
        What they show.
    zone
        A fixed offset that this computer's clock had three days before is taken for its zone:
        `datetime.astimezone` gives the offset of now, and clocks may be put forward in the night.

    Returns
    -------
    datetime
        Without a zone where `zone` is `None`.
    """
    shown = datetime.combine(day, clock)
    if isinstance(zone, timezone):
        own = (shown - timedelta(days=3)).astimezone().utcoffset()
        if zone.utcoffset(None) == own:
            return shown.astimezone()
    return shown.replace(tzinfo=zone)


@dataclass(frozen=True, slots=True)
class DayTime:
    """A time of day: by the clock (`clock`), or `after` the sun's `event`."""

    clock: time | None = None
    event: Event | None = None
    after: timedelta = timedelta()

    def on(self, day: date, site: Site | None, zone: tzinfo | None) -> datetime | None:
        """When that is on a day; `None` where the sun gives no such time."""
        if self.clock is not None:
            return moment_on(day, self.clock, zone)
        assert site is not None
        assert zone is not None
        sun = sun_day(site, day, zone)
        moment = sun.sunrise if self.event == "sunrise" else sun.sunset
        return None if moment is None else moment + self.after


def read_day_time(text: str) -> DayTime:
    """A time of day as typed: ``04:30``, ``sunrise``, ``sunset-1:20``.

    Examples
    --------
    >>> read_day_time("sunrise-0:40").after == timedelta(minutes=-40)
    True

    Raises
    ------
    UserError
        When it is neither.
    """
    if by_clock := _CLOCK.match(text):
        hour, minute = int(by_clock[1]), int(by_clock[2])
        if hour < 24 and minute < 60:
            return DayTime(clock=time(hour, minute))
    elif by_sun := _BY_SUN.match(text):
        event: Event = "sunrise" if by_sun[1] == "sunrise" else "sunset"
        after = timedelta(hours=int(by_sun[3] or 0), minutes=int(by_sun[4] or 0))
        return DayTime(event=event, after=-after if by_sun[2] == "-" else after)
    raise UserError(
        f"'{text}' is not a time of day", remedy="write it like 04:30, sunrise-0:40 or sunset+1:00"
    )


@dataclass(frozen=True, slots=True)
class ActiveHours:
    """Hours of the day in which a machine is awake, by the clock or by the sun.

    They go past midnight where `until` is the earlier. Where the sun gives no such time on a
    day, the machine sleeps through it.

    Examples
    --------
    >>> night = ActiveHours(DayTime(time(22, 0)), DayTime(time(4, 30)))
    >>> [night.awake_at(datetime(2026, 5, 12, hour)) for hour in (3, 5, 23)]
    [True, False, True]
    """

    since: DayTime
    until: DayTime
    site: Site | None = None

    @property
    def by_clock(self) -> bool:
        """Whether the clock alone tells them; else there must be a site."""
        return self.since.clock is not None and self.until.clock is not None

    def awake_at(self, at: datetime) -> bool:
        """Whether it is awake at a moment."""
        at = self._zoned(at)
        spans = (self._span(at, days) for days in (-1, 0, 1))
        return any(span is not None and span[0] <= at < span[1] for span in spans)

    def wakes(self, at: datetime) -> str:
        """When it wakes next, as text."""
        moment = self.wakes_at(at)
        if moment is not None:
            return f"{moment:%H:%M}"
        at = self._zoned(at)
        assert self.site is not None
        assert at.tzinfo is not None
        why = sun_day(self.site, at.date(), at.tzinfo).without
        return f"a day with sunrise and sunset ({why})" if why else "the sun is back"

    def wakes_at(self, at: datetime) -> datetime | None:
        """When it wakes next, where there is such a time within two days."""
        at = self._zoned(at)
        spans = (self._span(at, days) for days in range(-1, 3))
        return next((span[0] for span in spans if span is not None and span[0] > at), None)

    def _zoned(self, at: datetime) -> datetime:
        """A moment; one without a zone is taken as this computer's where the sun is asked."""
        return at if self.by_clock or at.tzinfo is not None else at.astimezone()

    def _span(self, at: datetime, days: int) -> tuple[datetime, datetime] | None:
        """The hours that begin so many days after a moment's own."""
        day, site, zone = at.date() + timedelta(days=days), self.site, at.tzinfo
        since, until = self.since.on(day, site, zone), self.until.on(day, site, zone)
        if since is None or until is None:
            return None
        if until <= since:
            # Past midnight: the end is that of the next day.
            until = self.until.on(day + timedelta(days=1), site, zone)
        return None if until is None else (since, until)

"""Which place and which hour: hours of many recordings put together, and ranked with reasons.

An hour is worth going for where the sound calls often, where there is quiet to answer into,
and where wind and traffic leave it alone. The worth of an hour is the product of these, so
that none makes up for the lack of another::

    log2(1 + calls an hour) * (0.25 + 0.75 * quiet) * (1 - weather) * (1 - overlap)

`overlap` is that of the machine's own answers, where one was tried; else it counts as none.
The scale means nothing; the order and the reasons do. Common practice, no source.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence

import msgspec

from callresp.palette.model import Palette
from callresp.scout.survey import HourRow
from callresp.synthesis.levels import listening_point

MIDDLE_HZ = 1000.0  # of a striker without a pitch
SAID = 0.005  # a share that rounds to nothing is left out
LEAST_S = 10.0  # listened to less than this, an hour is not ranked


class PlaceHour(msgspec.Struct, frozen=True, kw_only=True):
    """One hour of the day, or from sunrise, at one place, over all its days."""

    place: str
    hour: int
    listened_h: float
    calls_per_h: float
    above_db: float | None
    noise_db: float
    weather: float
    rain: float
    quiet: float
    rests_per_h: float
    answers_per_h: float | None
    overlap: float | None
    battery_h: float | None
    reach_db: float | None
    worth: float
    why: str


def by_clock(rows: Iterable[HourRow], palette: Palette | None = None) -> list[PlaceHour]:
    """Hours of the day at each place, in order."""
    return _grouped(rows, lambda row: row.hour, palette)


def from_sunrise(rows: Iterable[HourRow], palette: Palette | None = None) -> list[PlaceHour]:
    """Hours from sunrise at each place: 0 is the hour after it."""
    return _grouped(
        rows,
        lambda row: None if row.from_sunrise_h is None else math.floor(row.from_sunrise_h),
        palette,
    )


def ranked(hours: Iterable[PlaceHour]) -> list[PlaceHour]:
    """The hours that were listened to for long enough, the best first."""
    enough = [one for one in hours if 3600 * one.listened_h >= LEAST_S]
    return sorted(enough, key=lambda one: (-one.worth, one.place, one.hour))


def _grouped(
    rows: Iterable[HourRow], key: Callable[[HourRow], int | None], palette: Palette | None
) -> list[PlaceHour]:
    groups: dict[tuple[str, int], list[HourRow]] = defaultdict(list)
    for row in rows:
        number = key(row)
        if number is not None and row.listened_s > 0:
            groups[row.place, number].append(row)
    return [_together(*at, members, palette) for at, members in sorted(groups.items())]


def _together(place: str, hour: int, rows: Sequence[HourRow], palette: Palette | None) -> PlaceHour:
    listened_s = sum(row.listened_s for row in rows)

    def mean(of: Callable[[HourRow], float | None]) -> float | None:
        known = [(value, row.listened_s) for row in rows if (value := of(row)) is not None]
        if not known:
            return None
        return sum(value * share for value, share in known) / sum(share for _, share in known)

    calls = 3600 * sum(row.calls for row in rows) / listened_s
    answers = [row.answers for row in rows if row.answers is not None]
    quiet, weather = mean(lambda row: row.quiet) or 0.0, mean(lambda row: row.weather) or 0.0
    noise_db = mean(lambda row: row.noise_db) or 0.0
    found = PlaceHour(
        place=place,
        hour=hour,
        listened_h=round(listened_s / 3600, 5),
        calls_per_h=round(calls, 1),
        above_db=_rounded(mean(lambda row: row.above_db)),
        noise_db=round(noise_db, 1),
        weather=round(weather, 3),
        rain=round(mean(lambda row: row.rain) or 0.0, 3),
        quiet=round(quiet, 3),
        rests_per_h=round(3600 * sum(row.rests for row in rows) / listened_s, 1),
        answers_per_h=round(3600 * sum(answers) / listened_s, 1) if answers else None,
        overlap=_rounded(mean(lambda row: row.overlap), 3),
        battery_h=_rounded(mean(lambda row: row.battery_h)),
        reach_db=None if palette is None else round(reach_db(palette) - noise_db, 1),
        worth=0.0,
        why="",
    )
    return msgspec.structs.replace(found, worth=round(worth(found), 3), why=why(found))


def _rounded(value: float | None, digits: int = 1) -> float | None:
    return None if value is None else round(value, digits)


def worth(hour: PlaceHour) -> float:
    """What an hour is worth; see the module."""
    room = (0.25 + 0.75 * hour.quiet) * (1 - hour.weather) * (1 - (hour.overlap or 0.0))
    return math.log2(1 + hour.calls_per_h) * room


def reach_db(palette: Palette) -> float:
    """Level of the loudest striker at the listener's distance, dB re a full-scale sine."""
    point = listening_point(palette)
    levels = [
        one.force[-1].level_db + point.gain_db(one.pitch_hz or MIDDLE_HZ) for one in palette.striker
    ]
    return max(levels, default=0.0) - point.full_scale_db


def why(hour: PlaceHour) -> str:
    """The reasons in words."""
    told = [f"{hour.calls_per_h:.0f} calls an hour"]
    if hour.above_db is not None:
        told.append(f"{hour.above_db:.0f} dB over the noise")
    told.append(f"quiet {hour.quiet:.0%} of the time, {hour.rests_per_h:.0f} rests an hour")
    rain = f", rain alone {hour.rain:.0%}" if hour.rain >= SAID else ""
    told.append(f"wind, traffic or rain {hour.weather:.0%}{rain}")
    if hour.answers_per_h is not None:
        told.append(f"{hour.answers_per_h:.0f} answers an hour")
    if hour.overlap is not None:
        told.append(f"{hour.overlap:.0%} of their sound over song")
    if hour.battery_h is not None:
        told.append(f"battery for {hour.battery_h:.0f} h")
    if hour.reach_db is not None:
        told.append(f"the loudest striker {hour.reach_db:+.0f} dB to the noise")
    return "; ".join(told)

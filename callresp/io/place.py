"""What a place gives back: its echoes and its reverberation, as JSON Lines.

One line an echo, in order of delay, then one line of the place. A place that
gives nothing back has that one line alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta

from callresp.errors import UserError
from callresp.io.files import write_text
from callresp.io.score_files import convert_line, line, read_objects

Delay = Annotated[float, Meta(gt=0.0, le=60.0)]
NotNegative = Annotated[float, Meta(ge=0.0)]
Share = Annotated[float, Meta(ge=0.0, le=1.0)]


class Echo(msgspec.Struct, frozen=True, kw_only=True):
    """One return.

    `delay_s` counts from the stroke's own arrival at the microphone, and
    `level_db` is against the stroke there, in the striker's own band.
    `distance_m` is that of a wall that would return so late. `path` says where
    the delay is the sum of others: one wall twice, or one wall by way of another.
    `confidence` is 1 less the probability that chance made it.
    """

    delay_s: Delay
    delay_sd_s: NotNegative
    level_db: float
    level_sd_db: NotNegative = 0.0
    distance_m: NotNegative
    distance_sd_m: NotNegative
    confidence: Share
    path: str = ""


class Octave(msgspec.Struct, frozen=True, kw_only=True):
    """How a place rings in an octave band, named by its nominal middle."""

    octave_hz: float
    edt_s: float | None = None
    t20_s: float


class Place(msgspec.Struct, frozen=True, kw_only=True):
    """The place itself.

    `edt_s` and `t20_s` are early decay time and T20 (ISO 3382-1), absent where
    nothing rings on or noise leaves too little range; `octaves` has those octave
    bands alone that leave enough. `background_db` is the
    level between the strokes, re a full-scale sine. `kelvin_costs_m` is how far
    the distance of a wall at 100 m is off for a kelvin that the air is warmer
    than stated; `farthest_m` how far away a wall would still have been heard;
    `near_m` how near it would have been taken for the stroke itself.
    """

    place: str
    echoes: Annotated[int, Meta(ge=0)]
    edt_s: float | None = None
    t20_s: float | None = None
    octaves: tuple[Octave, ...] = ()
    background_db: float
    air_temperature_c: float
    humidity: float
    speed_of_sound_m_s: float
    kelvin_costs_m: float
    striker: str = ""
    strokes: int = 0
    near_m: float = 0.0
    farthest_m: float = 0.0
    answer: str = ""
    reverberation: str = ""
    version: int = 1


class PlaceReport(msgspec.Struct, frozen=True, kw_only=True):
    """A place and its echoes, in order of delay."""

    echoes: tuple[Echo, ...]
    place: Place


def lines_of(report: PlaceReport) -> list[str]:
    """The report as lines of JSON: echoes first, then the place."""
    values: Iterable[Echo | Place] = (*report.echoes, report.place)
    return [line(value) for value in values]


def write_place(path: Path, report: PlaceReport) -> None:
    """Write a report, whole or not at all."""
    write_text(path, "".join(f"{text}\n" for text in lines_of(report)))


def read_place(path: Path) -> PlaceReport:
    """Read what ``callresp ask-place`` wrote.

    Raises
    ------
    UserError
        Names the file, and the line that is wrong.
    """
    echoes: list[Echo] = []
    place: Place | None = None
    for where, value in read_objects(path):
        if "delay_s" in value:
            echoes.append(convert_line(Echo, value, where))
        else:
            place = convert_line(Place, value, where)
    if place is None or place.echoes != len(echoes):
        raise UserError(
            "is no whole place: its last line is missing" if place is None else "lacks echoes",
            where=str(path),
            remedy="write it anew with callresp ask-place",
        )
    return PlaceReport(echoes=tuple(sorted(echoes, key=lambda echo: echo.delay_s)), place=place)

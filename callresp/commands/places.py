"""``callresp places``: which place, which hour, and what a machine would do there."""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from callresp.commands import ui
from callresp.commands.scout import examples
from callresp.commands.season import machine_of, planned_units
from callresp.io.files import whole_file, write_text
from callresp.io.wording import counted, lasting
from callresp.palette.files import load_palette
from callresp.scout.spread import cores, over_cores
from callresp.scout.sun import sun_day

if TYPE_CHECKING:
    from callresp.plots.places import SunLine
    from callresp.scout.ranking import PlaceHour
    from callresp.scout.survey import HourRow, Unit

NAMED_CLIPS = 3  # more, as of a folder, would run out of the picture's head
CAUTIONS = (
    "Ask for the permits of the place, and whose land it is, before you go there or leave"
    " anything; close gates, stay on paths.",
    "Answering and playback can drive birds from their nests: keep away from nests and out of"
    " breeding territories, and stop when a bird alarms. Some species may not be disturbed at"
    " all, by law.",
    "Where a rare one calls, tell those who look after it, not everyone.",
    "Local codes, permits and licensed practice go before anything said here.",
)


def run(
    folder: Path,
    like: tuple[Path, ...],
    output: Path | None,
    picture: Path | None,
    table: Path | None,
    palette: str | None,
    rules: str | None,
    workers: int | None,
    as_json: bool,
) -> None:
    """Say which place and which hour is worth going for, and why."""
    from callresp.scout import ranking
    from callresp.scout.survey import by_day

    if output is not None or not as_json:
        output = ui.target(output or Path("places.html"), *like, writes="page")
    if picture is not None:
        ui.target(picture, *like, output, writes="picture")
    if table is not None:
        ui.target(table, *like, output, picture, writes="table")
    machine = machine_of(palette, rules)
    planned, told = planned_units(folder, machine)
    sought = examples(like)
    rows: list[HourRow] = []
    with ui.progress("looking through") as advance:
        spread = partial(over_cores, workers=workers or cores())
        for number, done in enumerate(by_day(spread, planned, sought), start=1):
            advance(number / len(planned))
            if done.result is None:
                told.append(f"{done.job.place.name} {done.job.day}: left out: {done.fault}")
                continue
            rows += done.result.hours
            told += [f"{one.path}: {one.warnings}" for one in done.result.files if one.warnings]
    for line in told:
        ui.look(line)
    machine_palette = load_palette(palette) if palette else None
    clock = ranking.by_clock(rows, machine_palette)
    sunrise, best = ranking.from_sunrise(rows, machine_palette), ranking.ranked(clock)
    if table is not None:
        write_table(table, clock)
    if output is not None or picture is not None:
        draw(output, picture, planned, clock, sunrise, best, told, like)
    if as_json:
        ui.emit({"ranked": best, "from_sunrise": sunrise, "findings": told})
    else:
        for one in best[:5]:
            heard = lasting(3600 * one.listened_h)
            ui.say(f"{one.place}, {one.hour}:00, by {heard} of sound   {one.why}")
        if not best:
            ui.say("no recording has a time of day: name them by it, or see places.toml")
        ui.say(f"wrote {', '.join(str(path) for path in (output, picture, table) if path)}")


def write_table(path: Path, hours: Sequence[PlaceHour]) -> None:
    """Write hours as CSV (RFC 4180), whole or not at all."""
    from callresp.scout.ranking import PlaceHour

    names = [field.name for field in msgspec.structs.fields(PlaceHour)]
    with whole_file(path) as part, part.open("w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out)
        writer.writerow(names)
        writer.writerows([getattr(one, name) for name in names] for one in hours)


def draw(
    output: Path | None,
    picture: Path | None,
    planned: Sequence[Unit],
    clock: Sequence[PlaceHour],
    sunrise: Sequence[PlaceHour],
    best: Sequence[PlaceHour],
    told: Sequence[str],
    like: Sequence[Path],
) -> None:
    """Write the page and the picture, whichever is wanted."""
    from callresp.plots.places import draw_places, places_page

    suns, names = sun_lines(planned), [path.name for path in like]
    days = sorted({unit.day for unit in planned if unit.day})
    facts = [
        f"like {', '.join(names) if len(names) <= NAMED_CLIPS else counted(len(names), 'clip')}",
        f"{lasting(3600 * sum(one.listened_h for one in clock))} listened to",
        f"{days[0]} to {days[-1]}" if len(days) > 1 else days[0] if days else "without a date",
    ]
    title = "Which place, which hour"
    if picture is not None:
        draw_places(picture, clock, sunrise, suns, title, facts)
    if output is not None:
        with tempfile.TemporaryDirectory() as folder:
            shown = Path(folder) / "places.png"
            draw_places(shown, clock, sunrise, suns, title, ())
            write_text(output, places_page(shown, best, suns, told, title, facts, CAUTIONS))


def sun_lines(planned: Sequence[Unit]) -> dict[str, SunLine]:
    """The sun at each place with coordinates, on the middle one of its days."""
    from datetime import date

    from callresp.plots.places import SunLine

    found = {}
    by_place: dict[str, list[Unit]] = {}
    for unit in planned:
        if unit.day and unit.place.site is not None:
            by_place.setdefault(unit.place.name, []).append(unit)
    for name, units in by_place.items():
        middle = units[len(units) // 2]
        assert middle.place.site is not None
        sun = sun_day(middle.place.site, date.fromisoformat(middle.day), middle.place.clock_zone)
        hours = [
            None if at is None else at.hour + at.minute / 60 for at in (sun.sunrise, sun.sunset)
        ]
        found[name] = SunLine(hours[0], hours[1], sun.without)
    return found

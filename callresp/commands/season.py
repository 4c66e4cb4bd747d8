"""``callresp season``: a season of recordings into Parquet, and questions to it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from callresp.commands import options, ui
from callresp.commands.scout import examples
from callresp.errors import UserError
from callresp.io.wording import counted, lasting, table
from callresp.palette.files import load_palette
from callresp.reply.rules import load_rules
from callresp.scout.places import findings, load_places, sources, without_doubles
from callresp.scout.spread import cores, over_cluster, over_cores

if TYPE_CHECKING:
    from callresp.scout.machine import Machine
    from callresp.scout.survey import Unit


def run(**given: object) -> None:
    """Look through a season of recordings, or ask one that was made."""
    asked = options.filled(SeasonOptions, given)
    if asked.ask is not None:
        answer(asked.folder, asked.ask, asked.as_json)
    else:
        make(asked)


@dataclass(frozen=True, slots=True)
class SeasonOptions:
    """The command's options, by their parameter names."""

    folder: Path
    like: tuple[Path, ...]
    output: Path | None
    palette: str | None
    rules: str | None
    workers: int | None
    cluster: str | None
    ask: str | None
    as_json: bool


def answer(season: Path, question: str, as_json: bool) -> None:
    """Print what a season answers."""
    from callresp.scout.questions import ask

    found = ask(season, question)
    if as_json:
        for row in found.rows:
            ui.emit(dict(zip(found.columns, row, strict=True)))
        return
    told = [["" if value is None else str(value) for value in row] for row in found.rows]
    columns = range(len(found.columns))
    words = [n for n in columns if any(isinstance(row[n], str) for row in found.rows)]
    for line in table(found.columns, *told, words=words):
        ui.say(line)


def make(given: SeasonOptions) -> None:
    """Look through what is missing of a season."""
    from callresp.scout import season
    from callresp.scout.survey import by_day

    if given.output is None:
        raise UserError("nowhere to keep the season", argument="output", remedy="name a folder")
    machine = machine_of(given.palette, given.rules)
    planned, told = planned_units(given.folder, machine)
    sought = examples(given.like)
    rules = machine.rules if machine else None
    made = season.SeasonManifest(
        examples=season.digests(given.like), palette=given.palette, rules=rules
    )
    season.open_season(given.output, made)
    for line in told:
        ui.look(line)
    missing = [unit for unit in planned if not season.is_done(given.output, unit)]
    if len(missing) < len(planned):
        ui.warn(f"done before: {len(planned) - len(missing)} of {counted(len(planned), 'day')}")
    spread = (
        partial(over_cluster, address=given.cluster, tell=ui.warn)
        if given.cluster is not None
        else partial(over_cores, workers=given.workers or cores())
    )
    total_s = sum(one.duration_s for unit in missing for one in unit.sources)
    have_s, here = 0.0, 0
    with ui.progress("a season") as advance:
        for one in by_day(spread, missing, sought):
            have_s += sum(source.duration_s for source in one.job.sources)
            advance(have_s / max(total_s, 1.0), f"{one.job.place.name} {one.job.day}")
            if one.result is None:
                ui.look(f"{one.job.place.name} {one.job.day}: left out: {one.fault}")
                continue
            season.write_partition(given.output, one.job, one.result)
            for file in one.result.files:
                if file.fault:
                    ui.look(f"passed over: {file.fault}")
            here += sum(file.present for file in one.result.files)
            if given.as_json:
                calls = len(one.result.calls)
                ui.emit({"place": one.job.place.name, "day": one.job.day, "calls": calls})
    if not given.as_json:
        ui.say(
            f"{given.output}: {counted(len(missing), 'day')} looked through, {lasting(total_s)};"
            f" it was here in {counted(here, 'recording')}"
        )
        ui.say(f"next: callresp season {ui.typed(given.output)} --ask first-last")


def machine_of(palette: str | None, rules: str | None) -> Machine | None:
    """The machine that is asked for, checked before long work is begun.

    Raises
    ------
    UserError
        When palette or rules can't be read, or rules are given alone.
    """
    from callresp.scout.machine import Machine

    if palette is None:
        if rules is not None:
            raise UserError("rules without a palette", argument="palette", remedy="give it, too")
        return None
    machine = Machine(palette, rules or "answer")
    load_palette(machine.palette)
    load_rules(machine.rules)
    return machine


def planned_units(folder: Path, machine: Machine | None) -> tuple[list[Unit], list[str]]:
    """All units of a folder of places, and what is odd about their recordings."""
    from callresp.scout.survey import units

    planned, told = [], []
    with ui.progress("reading headers") as advance:
        known = load_places(folder)
        for number, (place, inside) in enumerate(known, start=1):
            found, doubled = without_doubles(sources(place, inside))
            told += doubled + findings(found)
            planned += units(found, machine)
            advance(number / len(known))
    return planned, told

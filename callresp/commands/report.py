"""``callresp report``: a field log in, the day as a page and a picture out."""

from __future__ import annotations

import tempfile
from pathlib import Path

import click
import msgspec

from callresp.commands import ui
from callresp.errors import UserError
from callresp.field.day import FieldDay
from callresp.field.day_reader import read_day
from callresp.field.provenance import palette_of
from callresp.field.statistics import DayStatistics, statistics_of
from callresp.io.files import write_text
from callresp.io.wording import counted, lasting, watt_hours
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plots import dial_picture
from callresp.plots.report import report_page
from callresp.scout.sun import Site


def run(
    log: Path,
    output: Path | None,
    picture: Path | None,
    title: str | None,
    palette: str | None,
    site: Site | None,
    as_json: bool,
) -> None:
    """Tell a day in the field: one page that opens offline, and a picture to hang up."""
    output = output or log.with_name(f"{log.stem}.report.html")
    picture = picture or output.with_suffix(".png")
    if not as_json:
        if picture.suffix.lower() != ".png":
            raise UserError("the picture is a PNG", where=str(picture), remedy="end it in .png")
        ui.target(output, log, palette, picture, writes="page")
        ui.target(picture, log, palette, output, writes="picture")
    with ui.progress(f"reading {log.name}") as advance:
        day = read_day(log, tracks=False)
        advance(0.9)
        figures = statistics_of(day)
    if as_json:
        ui.emit({"log": str(log), **msgspec.to_builtins(figures)})
    else:
        machine = _palette(palette, day)
        _write(day, figures, machine, title or log.stem, site, output, picture)
        print_summary(figures)
        for step in day.clock_steps:
            ui.warn(f"{day.moment(step.at_s):%-d %B %Y, %H:%M}: {step.text}")
        ui.say(f"wrote {output} and {picture}")
    click.get_current_context().exit(1 if figures.faults else 0)


def _write(
    day: FieldDay,
    figures: DayStatistics,
    machine: Palette | None,
    title: str,
    site: Site | None,
    output: Path,
    picture: Path,
) -> None:
    stretches = dial_picture.dials(day)
    if day.duration_s > dial_picture.DIAL_S * dial_picture.DIALS_MAX:
        ui.warn(f"drew the last {dial_picture.DIALS_MAX} dials of 24 hours; the figures are of all")
    with tempfile.TemporaryDirectory() as folder, ui.progress("drawing") as advance:
        dials = []
        for number, stretch in enumerate(stretches):
            dials.append(Path(folder) / f"dial-{number}.png")
            dial_picture.draw_dial(
                dials[-1], day, stretch, machine, title if number == 0 else "", site
            )
            advance(0.8 * (number + 1) / len(stretches))
        write_text(output, report_page(day, figures, dials, title, machine))
        dial_picture.stack(picture, dials)
        advance(1.0)


def _palette(named: str | None, day: FieldDay) -> Palette | None:
    """The palette that gives strikers their pitches; without it the asked pitches are drawn."""
    if named is not None:
        return load_palette(named)
    machine, same = palette_of(day)
    names = ", ".join(dict.fromkeys(run.palette for run in day.runs if run.palette))
    if machine is None and names:
        ui.warn(f"no palette '{names}' here (--palette names it): drew the asked pitches")
    if not same:
        ui.warn(f"palette '{names}' was changed since that day")
    return machine


def print_summary(figures: DayStatistics) -> None:
    """Tell a person the day in a few lines."""
    ui.say(
        f"{figures.start:%-d %B %Y, %H:%M}, {lasting(figures.duration_s)}:"
        f" {counted(figures.calls, 'call')}, {figures.answered:,} answered,"
        f" {counted(figures.strokes, 'stroke')}"
    )
    for counts, what in (
        (figures.refused, "command not played"),
        (figures.unanswered, "call not answered"),
        (figures.not_struck, "note left out"),
    ):
        noun, _, rest = what.partition(" ")
        for why, count in counts.items():
            ui.say(f"  {counted(count, noun)} {rest}: {why}")
    if figures.supply_v is not None:
        ui.say(f"  supply {figures.supply_v.lowest:.2f} to {figures.supply_v.highest:.2f} V")
    if figures.energy_wh is not None:
        ui.say(f"  energy {watt_hours(figures.energy_wh)}")
    if figures.overruns:
        ui.say(f"  {counted(figures.overruns, 'block')} of sound lost")
    for fault, count in figures.faults.items():
        ui.warn(f"fault: {fault}" + (f", {counted(count, 'time')}" if count > 1 else ""))
    if figures.lost_rows:
        ui.warn(f"the log is damaged: {counted(figures.lost_rows, 'row')} of it can't be read")
    if figures.unreadable_rows:
        ui.warn(f"not understood: {counted(figures.unreadable_rows, 'row')} of the log")

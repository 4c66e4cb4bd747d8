"""``callresp palette`` and ``callresp sheet``: check a palette, say what it can do, draw it."""

from __future__ import annotations

from pathlib import Path

import click

from callresp.commands import ui
from callresp.errors import UserError
from callresp.io.files import read_text, write_text
from callresp.io.resources import find, shipped
from callresp.io.wording import counted
from callresp.palette.files import faults_in, load_palette
from callresp.palette.model import Palette, Striker
from callresp.palette.similarity import pairs_of
from callresp.plan.advice.capability import Capability, capability_of
from callresp.plots.sheet import draw_sheet

# Palette keys in words, for what holds a coil back.
LIMITS = {
    "restrike_ms": "its action",
    "coil.duty_max": "its duty",
    "coil.insulation": "its heat",
    "damper.coil.on_max_ms": "its longest on-time",
    "damper.coil.duty_max": "its duty",
    "damper.coil.insulation": "its heat",
}


def run_palette(name: str | None, target: Path | None, as_json: bool) -> None:
    """Check a palette, print it, and say what its machine can do."""
    if name is None:
        if target is not None:
            raise UserError("which palette?", where="--copy", remedy="name the one to copy")
        _list(as_json)
        return
    faults = faults_in(name)
    if faults:
        for fault in faults:
            click.echo(f"callresp: {fault}", err=True)
        click.get_current_context().exit(2)
    if target is not None:
        _copy(name, target, as_json)
        return
    palette = load_palette(name)
    able = capability_of(palette)
    alike = [pair for pair in pairs_of(palette.striker) if pair.too_alike]
    if as_json:
        ui.emit({"palette": palette, "ability": able, "too_alike": alike})
        return
    _print_summary(palette, able)
    for pair in alike:
        ui.say(f"  {pair.one} and {pair.other} sound too alike to carry different pitches")
    ui.say(f"next: callresp sheet {ui.typed(name)}")
    ui.warn("coils burn, batteries start fires, moving parts pinch: see the cautions in the README")


def _copy(name: str, target: Path, as_json: bool) -> None:
    """The file as it is, its comments too."""
    ui.refuse_existing(target)
    write_text(target, read_text(find("palettes", name)))
    if as_json:
        ui.emit({"written": [str(target)]})
        return
    ui.say(f"wrote {target}")
    ui.say(f"next: change it, then callresp palette {ui.typed(target)}")


def _list(as_json: bool) -> None:
    rows = {name: load_palette(name).description for name in shipped("palettes")}
    if as_json:
        ui.emit(rows)
        return
    for name, description in rows.items():
        ui.say(f"{name:10}{description}")


def _print_summary(palette: Palette, able: Capability) -> None:
    board = palette.board
    ui.say(f"{palette.name}: {palette.description}" if palette.description else palette.name)
    ui.say(
        f"  board {board.name}: {board.coil_channels} coil and {board.motor_channels} motor"
        f" channels, {board.idle_current_a:g} A idle, lets go after {board.silence_ms:g} ms"
    )
    _print_supply(palette, able)
    for driver in palette.driver:
        channels = ", ".join(map(str, driver.channels))
        ui.say(f"  driver {driver.name}: channels {channels}, {driver.current_max_a:g} A at once")
    rates = {item.name: item for item in able.strikers}
    for striker in palette.striker:
        rate = rates[striker.name]
        ui.say(
            f"  {striker.name} ({striker.kind}, channel {striker.coil.channel}): {_voice(striker)}"
        )
        ui.say(
            f"    {rate.softest_db:g} to {rate.loudest_db:g} dB at 1 m,"
            f" rings {striker.t60_s:.3g} s; sounds {striker.latency_ms:g} ms after its pulse;"
            f" {rate.stroke_j:g} J and {rate.stroke_a:g} A a stroke"
        )
        ui.say(
            f"    up to {rate.fastest_per_s:.3g} strokes a second; hardest for ever"
            f" {rate.lasting_per_s:.3g}, held back by {LIMITS[rate.held_back_by]}"
        )
        _print_damper(striker, able)
    for turner, item in zip(palette.turner, able.turners, strict=True):
        stored = ""
        if item.stored_fast_s is not None:
            stored = f", {item.stored_fast_s:g} to {item.stored_slow_s:g} s in its spring"
        ui.say(
            f"  {turner.name} ({turner.kind}, motor {turner.channel}): {turner.slowest_rps:g} to"
            f" {turner.fastest_rps:g} turns a second, {item.longest_s:g} s on end{stored}"
        )


def _print_supply(palette: Palette, able: Capability) -> None:
    supply, hours = palette.supply, able.supply
    size = "" if supply.chemistry == "mains" else f" {supply.capacity_ah:g} Ah"
    ui.say(
        f"  supply: {supply.chemistry}, {supply.nominal_v:g} V{size},"
        f" {hours.at_once_a:g} A at once beside the board"
    )
    guessed = "" if palette.coldest_c is not None else " (give coldest_c if it is never so cold)"
    ui.say(f"    currents with copper at {palette.coldest_copper_c:g} °C{guessed}")
    if hours.idle_hours is not None and hours.busy_hours is not None:
        ui.say(
            f"    at {palette.ambient_c:g} °C it lasts {hours.idle_hours:.1f} h idle,"
            f" {hours.busy_hours:.1f} h with every striker struck once in ten seconds"
        )


def _voice(striker: Striker) -> str:
    if striker.pitch_hz is not None:
        return f"{striker.pitch_hz:.1f} Hz, {counted(len(striker.partials), 'partial')}"
    return f"no pitch, lowest mode {striker.reference_hz:.0f} Hz"


def _print_damper(striker: Striker, able: Capability) -> None:
    damper = striker.damper
    if damper is None:
        return
    item = next(item for item in able.dampers if item.striker == striker.name)
    does = "lifted" if damper.rest == "on" else "pressed"
    power = "damped" if damper.rest == "on" else "free to ring"
    ui.say(
        f"    damper (channel {damper.coil.channel}) rests {damper.rest}, so without power it is"
        f" {power};"
    )
    ui.say(
        f"    {does} within {damper.lift_ms:g} ms, for up to {item.longest_s:g} s, held back by"
        f" {LIMITS[item.held_back_by]}"
    )


def run_sheet(palette: str, output: Path | None, as_json: bool) -> None:
    """Draw the workshop sheet of a palette: one page to print and hang up."""
    machine = load_palette(palette)
    own = Path(palette)
    target = ui.target(output or own.with_name(f"{own.stem}.sheet.png"), palette, writes="picture")
    draw_sheet(target, machine)
    if as_json:
        instruments = len(machine.striker) + len(machine.turner)
        ui.emit({"path": str(target), "palette": machine.name, "instruments": instruments})
        return
    ui.say(f"wrote {target}")

"""``callresp firmware``: a palette in, a folder out that `make` turns into a board's program."""

from __future__ import annotations

from pathlib import Path

import click

from callresp.commands import options, ui
from callresp.commands.options import FOLDER, PATH
from callresp.errors import UserError
from callresp.firmware.folder import firmware_files, write_folder
from callresp.firmware.own_plan import PlanStart
from callresp.firmware.sketch import sketch_files
from callresp.io.wording import counted
from callresp.link.stream import CAUTIONS
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan, check
from callresp.plan.files import read_plan


@click.command(name="firmware")
@click.argument("palette")
@click.option("-o", "--output", type=FOLDER, help="Folder to write; else named after the palette.")
@click.option("--dry-run", is_flag=True, help="A board that lights lamps instead of striking.")
@click.option("--plan", type=PATH, help="A board that plays this plan by itself.")
@options.number(
    "--after",
    (0.0, 86400.0 * 4),
    "With --plan: seconds from power-up to its start.",
    default=60.0,
    fills="after_s",
)
@options.whole(
    "--at-light",
    (1, 100_000),
    "With --plan: from then on, start at the first light of so much lux.",
    fills="lux",
)
@click.option(
    "--sketch",
    is_flag=True,
    help="A library for the maker's toolchain (setup, loop), in place of a folder for make.",
)
@click.option("--force", is_flag=True, help="Write into a folder that is not empty.")
@options.json()
def command(
    palette: str,
    output: Path | None,
    dry_run: bool,
    plan: Path | None,
    after_s: float,
    lux: int | None,
    sketch: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Make the firmware of a machine: sources, limits, pins, makefile, and what to do with them.

    PALETTE is a shipped name or a TOML file with [board.pins]; see 'fettle'. The
    folder's README has the three commands from nothing to a flashed board. With
    --plan the board needs no host: it plays a plan that was made by 'callresp
    check', once, within all limits.

    \b
    Examples:
      callresp firmware fettle                     writes fettle-firmware
      callresp firmware mine.toml -o board --dry-run
      callresp firmware fettle --plan dawn.plan.jsonl --after 1800 --at-light 20
      callresp firmware mine.toml --sketch         for any chip with 32 kB of RAM
    """
    machine = load_palette(palette)
    folder = output or Path(f"{Path(palette).stem}-{'sketch' if sketch else 'firmware'}")
    checked, start = _plan(plan, machine, after_s, lux)
    make = sketch_files if sketch else firmware_files
    files = make(machine, dry_run, checked, start)
    write_folder(folder, files, force)
    if as_json:
        ui.emit(
            {
                "path": str(folder),
                "palette": machine.name,
                "chip": machine.board.chip,
                "dry_run": dry_run,
                "sketch": sketch,
                "plan": str(plan) if plan else None,
                "files": sorted(files),
            }
        )
        return
    what = "a library with a sketch" if sketch else f"for the {machine.board.chip}"
    ui.say(f"wrote {folder}: {counted(len(files), 'file')}, {what}")
    if checked is not None:
        ui.say(f"  it plays {counted(len(checked.plan.commands), 'command')} by itself")
    if dry_run:
        ui.say("  a dry run: lamps are lit, no coil and no motor is switched")
    if sketch and machine.board.pins is None:
        ui.look("the palette names no pins: put yours into src/sketch_pins.h")
    ui.say(
        f"next: see {folder / 'README.md'}" + ("" if sketch else f"; make -C {ui.typed(folder)}")
    )
    ui.warn(CAUTIONS[0])


def _plan(
    path: Path | None, machine: Palette, after_s: float, lux: int | None
) -> tuple[CheckedPlan | None, PlanStart | None]:
    if path is None:
        if lux is not None:
            raise UserError("only with --plan", where="--at-light", remedy="name the plan, too")
        return None, None
    return check(read_plan(path), machine), PlanStart(after_s, lux)

"""``callresp firmware``: a palette in, a folder out that `make` turns into a board's program."""

from __future__ import annotations

from pathlib import Path

from callresp.commands import ui
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


def run(
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
    """Make the firmware of a machine: sources, limits, pins, makefile, and what to do with them."""
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

"""A folder of firmware for a palette: sources, makefile, and a page that says what to do.

Everything is made as text first, the same for the same palette, and then written
whole or not at all. A list of what was made, `MADE`, lies in the folder, so that
making it anew replaces these files and no others.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import msgspec

from callresp.errors import UserError
from callresp.firmware.bench_day import bench_day
from callresp.firmware.limits import CORE_COILS, CORE_MOTORS, comment, header, limits_source
from callresp.firmware.own_plan import PLAYER, PlanStart, plan_source
from callresp.firmware.pins import pins_header, wired
from callresp.io.files import fresh_folder, umask, write_text
from callresp.io.wording import counted
from callresp.palette.model import Palette
from callresp.palette.pins import BoardPins, ChipName
from callresp.plan.checked_plan import CheckedPlan
from callresp.plan.electrical.wiring import other_pins

HERE = Path(__file__).resolve().parent
MADE = "callresp-firmware.json"


@dataclass(frozen=True, slots=True)
class Flashing:
    """How a chip gets its program: the package that does it, and what to do by hand."""

    package: str
    told: str


FLASHING: dict[ChipName, Flashing] = {
    "STM32F405": Flashing(
        "dfu-util",
        "`make flash` writes it over USB, through the bootloader that the chip has from its maker:"
        " connect BOOT0 to 3.3 V and press reset before, take it off and press reset after.",
    ),
    "RP2040": Flashing(
        "python3",
        "`make flash` copies `firmware.uf2` to the drive that the board becomes when it is plugged"
        " in with its BOOTSEL button held; you can drag it there by hand, too.",
    ),
}


class MadeFiles(msgspec.Struct, frozen=True, kw_only=True):
    """What a folder's list says: SHA-256 of each file that was made, by its name."""

    made_by: str = "callresp firmware"
    files: dict[str, str]


def firmware_files(
    palette: Palette,
    dry_run: bool = False,
    plan: CheckedPlan | None = None,
    start: PlanStart | None = None,
) -> dict[str, str]:
    """The files of a palette's firmware: their texts by name.

    Parameters
    ----------
    palette
        The machine, with ``[board.pins]``.
    dry_run
        Make a board that lights lamps instead of switching coils and motors.
    plan
        A checked plan that the board plays by itself.
    start
        When it does; a minute after power-up if not said.

    Returns
    -------
    dict of str to str
        Texts by path.

    Raises
    ------
    UserError
        When the palette says no pins, or has more than the core holds.
    """
    found = wired(palette)
    if found.pins.serial is None:
        raise UserError(
            "no line to a host",
            where=f"palette {palette.name}, board.pins",
            remedy="add a [board.pins.serial] table with tx and rx",
        )
    board = HERE / "boards" / found.chip.name.lower()
    if not board.is_dir():
        raise UserError(
            f"there is no board layer for the {found.chip.name}",
            where=f"palette {palette.name}, board.chip",
            remedy="install callresp anew",
        )
    files = core_files(palette, dry_run, plan, start)
    layer = [*_files_in(HERE / "boards" / "common"), *_files_in(board)]
    files |= {path.name: path.read_text(encoding="utf-8") for path in layer}
    files["cr_pins.h"] = pins_header(palette, plays_plan=plan is not None)
    told = "" if plan is None else plan_told(plan, start or PlanStart())
    files["Makefile"] = rendered("makefile.j2", chip=found.chip.name)
    flashing = FLASHING[found.chip.name]
    files["README.md"] = rendered(
        "readme.md.j2",
        name=comment(palette.name),
        chip=found.chip.name,
        tool=flashing.package,
        flashing=flashing.told,
        dry_run=dry_run,
        plan=told,
        rows=_rows(palette, found.pins),
        steps=bench_day(palette, found.pins, found.chip.name),
    )
    return listed(files)


def listed(files: dict[str, str]) -> dict[str, str]:
    """The files and the list of them."""
    digests = {name: hashlib.sha256(text.encode()).hexdigest() for name, text in files.items()}
    made = msgspec.json.encode(MadeFiles(files=dict(sorted(digests.items()))))
    return files | {MADE: msgspec.json.format(made).decode() + "\n"}


def core_files(
    palette: Palette,
    dry_run: bool = False,
    plan: CheckedPlan | None = None,
    start: PlanStart | None = None,
) -> dict[str, str]:
    """The core and what it is told of a palette, for any chip; as `firmware_files`."""
    _fits(palette)
    sources = _files_in(HERE / "core")
    files = {
        "cr_config.h": header(palette, dry_run),
        "cr_limits.c": limits_source(palette, dry_run),
    }
    if plan is not None:
        sources += PLAYER
        files["cr_plan.c"] = plan_source(plan, start or PlanStart())
    return files | {path.name: path.read_text(encoding="utf-8") for path in sources}


def _files_in(folder: Path) -> list[Path]:
    return [path for path in sorted(folder.iterdir()) if path.is_file() and path.name[0] != "_"]


def _fits(palette: Palette) -> None:
    """Refuse channels beyond those that the core holds."""
    for what, used, most in (
        ("coil", palette.coils(), CORE_COILS),
        ("motor", [turner.channel for turner in palette.turner], CORE_MOTORS),
    ):
        beyond = max(used, default=0)
        if beyond >= most:
            raise UserError(
                f"{what} {beyond} is beyond what one board holds",
                where=f"palette {palette.name}",
                remedy=f"use channels 0 to {most - 1}, and a second board for more",
            )


def rendered(template: str, **values: object) -> str:
    """A text from one of the templates."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    templates = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=False,  # no HTML; every text of a palette went through `comment`
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    return templates.get_template(template).render(values)


def plan_told(plan: CheckedPlan, start: PlanStart) -> str:
    """What a board does by itself, as a sentence."""
    after = f"{start.after_s:g} s after power-up"
    when = after if start.lux is None else f"at the first light of {start.lux} lux from {after}"
    count = len(plan.plan.commands)
    return f"Without a host it plays {counted(count, 'command')} of its own, once, {when}."


def _rows(palette: Palette, pins: BoardPins) -> list[tuple[str, str, str]]:
    """Channel, what hangs on it, and its pin."""
    rows = [(f"coil {n}", comment(name), pins.coils[n]) for n, name in coil_names(palette).items()]
    for turner in sorted(palette.turner, key=lambda one: one.channel):
        motor = pins.motors[turner.channel]
        ends = ", ".join(pin for pin in (motor.encoder_a, motor.encoder_b) if pin)
        told = f"{motor.pwm}, encoder {ends}"
        rows.append((f"motor {turner.channel}", comment(turner.name), told))
    rows += [(f"light {n}", "status" if n == 0 else "lamp", p) for n, p in enumerate(pins.lights)]
    return rows + [(what, how, pin) for what, pin, how in other_pins(pins)]


def coil_names(palette: Palette) -> dict[int, str]:
    """What hangs on each coil channel, in their order."""
    names = {}
    for striker in palette.striker:
        names[striker.coil.channel] = striker.name
        if striker.damper is not None:
            names[striker.damper.coil.channel] = f"damper of {striker.name}"
    return dict(sorted(names.items()))


def write_folder(folder: Path, files: Mapping[str, str], force: bool = False) -> None:
    """Write a folder of firmware, whole or not at all.

    Parameters
    ----------
    folder
        Made if it is not there.
    files
        Texts by name, or by path within the folder.
    force
        Write into a folder that is not empty: what was made there before is
        replaced or taken away, anything else is kept.

    Raises
    ------
    UserError
        When the folder is not empty and `force` is not given, when a file in the
        way was not made by this, or when it can't be written.
    """
    before = _made_before(folder, files, force)
    with fresh_folder(folder) as fresh:
        for name, text in files.items():
            (fresh / name).parent.mkdir(parents=True, exist_ok=True)
            write_text(fresh / name, text)
        if not folder.exists():
            fresh.chmod(0o777 & ~umask())
            fresh.replace(folder)
            return
        for name in files:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (fresh / name).replace(folder / name)
        for name in before - set(files):
            (folder / name).unlink(missing_ok=True)


def _made_before(folder: Path, files: Mapping[str, str], force: bool) -> set[str]:
    """Names of the files in a folder that were made by this."""
    if not folder.exists():
        return set()
    if not folder.is_dir():
        raise UserError("is no folder", where=str(folder), remedy="give another name")
    if any(folder.iterdir()) and not force:
        raise UserError(
            "is not empty", where=str(folder), remedy="give another folder", argument="force"
        )
    try:
        made = msgspec.json.decode((folder / MADE).read_bytes(), type=MadeFiles).files
    except (OSError, msgspec.DecodeError, RecursionError):
        made = {}
    # A list that was tampered with must not lead out of the folder.
    inside = {
        name for name in made if ".." not in Path(name).parts and not Path(name).is_absolute()
    }
    before = {name for name in inside if (folder / name).is_file()}
    in_the_way = sorted(n for n in files if n not in before and n != MADE and (folder / n).exists())
    if in_the_way:
        raise UserError(
            f"{in_the_way[0]} there was not made by this",
            where=str(folder),
            remedy="move it away, or give another folder",
        )
    return before

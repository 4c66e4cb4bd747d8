"""The same board as a library for the maker's toolchain: its standard API, any chip.

The core, what it is told, and one example sketch with `setup` and `loop`. Pins
stand in one header by their names: a number where the palette says ``GP3``, the
name itself where it says ``PA3``, as the toolchain's cores for such chips have it.
"""

from __future__ import annotations

from collections.abc import Sequence

from callresp import __version__
from callresp.errors import UserError
from callresp.firmware.folder import HERE, core_files, listed, plan_told, rendered
from callresp.firmware.limits import board_numbers, comment
from callresp.firmware.own_plan import PlanStart
from callresp.firmware.pins import ADC_STEPS, BAUD, COLDEST_C, STEP_C, counts_of
from callresp.palette.chips import LOGIC_V
from callresp.palette.model import Palette
from callresp.palette.pin_checks import NONE
from callresp.palette.pins import BoardPins
from callresp.plan.checked_plan import CheckedPlan

EXAMPLE = "examples/callresp_board/callresp_board.ino"
ANALOGUE_STEPS = 1024
NO_PIN = "-1"


def sketch_files(
    palette: Palette,
    dry_run: bool = False,
    plan: CheckedPlan | None = None,
    start: PlanStart | None = None,
) -> dict[str, str]:
    """The files of the library: their texts by path; see `folder.firmware_files`.

    A palette without pins gives a header that asks for them.

    Parameters
    ----------
    palette
        The machine.
    dry_run
        Let the board light lamps in place of coils.
    plan, start
        What the board plays by itself, and when it begins.

    Returns
    -------
    dict of str to str
        Texts by path.

    Raises
    ------
    UserError
        When the palette has more than the core holds, or the plan waits for
        light, which the standard API can't measure.
    """
    if start is not None and start.lux is not None:
        raise UserError(
            "a sketch can't wait for light",
            where=f"palette {palette.name}",
            remedy="start by time, or make the firmware for one of the two chips",
        )
    core = core_files(palette, dry_run, plan, start)
    files = {f"src/{name}": text for name, text in core.items()}
    files["src/sketch_pins.h"] = sketch_pins(palette)
    files["src/callresp_board.h"] = _face(plan is not None)
    files[EXAMPLE] = (HERE / "sketch" / "board.ino").read_text(encoding="utf-8")
    files["library.properties"] = _properties()
    files["README.md"] = rendered(
        "sketch_readme.md.j2",
        name=comment(palette.name),
        pins=palette.board.pins is not None,
        dry_run=dry_run,
        plan="" if plan is None else plan_told(plan, start or PlanStart()),
    )
    return listed(files)


def _face(plays_plan: bool) -> str:
    """The header that the sketch includes."""
    rows = ["/* All that the sketch needs. */", "#ifndef CALLRESP_BOARD_H"]
    rows += ["#define CALLRESP_BOARD_H", '#include "core.h"', '#include "sketch_pins.h"']
    if plays_plan:
        rows += ["#define CR_PLAYS_PLAN 1", '#include "plan_player.h"']
    return "\n".join([*rows, "#endif", ""])


def _properties() -> str:
    """What the toolchain asks of a library."""
    rows = {
        "name": "callresp_board",
        "version": ".".join(part for part in __version__.split(".")[:3] if part.isdigit()),
        "author": "callresp",
        "maintainer": "callresp",
        "sentence": "A board that strikes within the limits of its palette.",
        "paragraph": "Made by callresp firmware --sketch.",
        "category": "Device Control",
        "url": "",
        "architectures": "*",
        "includes": "callresp_board.h",
    }
    return "".join(f"{key}={value}\n" for key, value in rows.items())


def sketch_pins(palette: Palette) -> str:
    """``sketch_pins.h``: where everything is wired, by the toolchain's names of pins."""
    coils, motors, *_, lights, _ = board_numbers(palette)
    pins = palette.board.pins
    rows = [f"/* Made from the palette '{comment(palette.name)}'. -1: nothing is there. */"]
    rows += ["#ifndef CR_SKETCH_PINS_H", "#define CR_SKETCH_PINS_H"]
    if pins is None:
        rows.append('#error "put the pins of your board into sketch_pins.h, and take this out"')
    wheels = pins.motors if pins is not None else ()
    for name, places, given in (
        ("COIL", coils, pins.coils if pins is not None else ()),
        ("MOTOR", motors, [motor.pwm for motor in wheels]),
        ("ENCODER_A", motors, [motor.encoder_a for motor in wheels]),
        ("ENCODER_B", motors, [motor.encoder_b for motor in wheels]),
        ("LIGHT", lights, pins.lights if pins is not None else ()),
    ):
        rows.append(f"#define CR_SKETCH_{name}_PINS {_array(given, places)}")
    rows += [
        f"#define CR_SKETCH_STOP_PIN {_name(pins.stop_button if pins else None)}",
        f"#define CR_SKETCH_RAIN_PIN {_name(pins.rain if pins else None)}",
        f"#define CR_BAUD {BAUD}",
        "/* Of your chip's analogue inputs: steps, and the voltage of the last one. */",
        f"#define CR_SKETCH_ANALOGUE_STEPS {ANALOGUE_STEPS}",
        f"#define CR_SKETCH_ANALOGUE_MV {round(LOGIC_V * 1000)}u",
        *_analogue(pins),
        "#endif",
    ]
    return "\n".join(rows) + "\n"


def _analogue(pins: BoardPins | None) -> list[str]:
    battery = pins.battery if pins is not None else None
    thermistor = pins.thermistor if pins is not None else None
    rows = [f"#define CR_SKETCH_HAS_BATTERY {int(battery is not None)}"]
    if battery is not None:
        rows += [
            f"#define CR_SKETCH_BATTERY_PIN {_name(battery.pin)}",
            f"#define CR_SKETCH_UPPER_OHM {round(battery.upper_ohm)}u",
            f"#define CR_SKETCH_LOWER_OHM {round(battery.lower_ohm)}u",
        ]
    rows.append(f"#define CR_SKETCH_HAS_THERMISTOR {int(thermistor is not None)}")
    if thermistor is not None:
        counts = ", ".join(map(str, counts_of(thermistor)))
        rows += [
            f"#define CR_SKETCH_THERMISTOR_PIN {_name(thermistor.pin)}",
            f"#define CR_SKETCH_COLDEST_C ({COLDEST_C})",
            f"#define CR_SKETCH_STEP_C {STEP_C}",
            f"#define CR_SKETCH_THERMISTOR_COUNTS {{{counts}}} /* of {ADC_STEPS} */",
        ]
    return rows


def _name(pin: str | None) -> str:
    """A pin as the toolchain calls it; the palette's names are checked, so they are plain."""
    if pin is None or pin == NONE:
        return NO_PIN
    return pin.removeprefix("GP")


def _array(names: Sequence[str | None], places: int) -> str:
    padded = [*names, *[None] * max(places, 1)][: max(places, 1)]
    return "{" + ", ".join(_name(name) for name in padded) + "}"

"""The pins of a palette as ``cr_pins.h``, which a board layer includes.

All that a board layer must know of the wiring, as numbers: which pin, which
timer's channel, which alternate function. Texts of the palette appear in comments
only. What each macro means stands in this folder's README.

Pins are numbered as the chip does: 16 times the port plus the pin on an STM32
(PA0 is 0, PB0 is 16), the GPIO's number on an RP2040.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from callresp.errors import UserError
from callresp.firmware.limits import board_numbers, comment
from callresp.palette.chips import Chip, assign_pwm, chip_named, pair_of
from callresp.palette.model import Palette
from callresp.palette.pin_checks import NONE, busy_timers, encoder_timer, uses_of
from callresp.palette.pins import BoardPins, Thermistor

NO = 255
BAUD = 115_200
ADC_STEPS = 4096
# Temperatures that the thermistor's table is for.
COLDEST_C, HOTTEST_C, STEP_C = -40, 85, 5


@dataclass(frozen=True, slots=True)
class Wired:
    """A palette's chip and pins, both of them given."""

    chip: Chip
    pins: BoardPins


def wired(palette: Palette) -> Wired:
    """The chip and the pins of a palette.

    Raises
    ------
    UserError
        When it has none.
    """
    board = palette.board
    if board.chip is None or board.pins is None:
        raise UserError(
            "says no chip and no pins",
            where=f"palette {palette.name}, board",
            remedy="add chip and a [board.pins] table, as in the shipped palette 'fettle'",
        )
    return Wired(chip_named(board.chip), board.pins)


def pins_header(palette: Palette, plays_plan: bool = False) -> str:
    """``cr_pins.h`` of a palette, for a board that `plays_plan` of its own or waits for a host.

    Raises
    ------
    UserError
        When the palette says no chip or no pins.
    """
    found = wired(palette)
    chip, pins = found.chip, found.pins
    rows = [
        f"/* Made from the palette '{comment(palette.name)}'; do not edit. */",
        "#ifndef CR_PINS_H",
        "#define CR_PINS_H",
        "#include <stdint.h>",
        f"#define CR_CHIP_{chip.name} 1",
        *(["#define CR_PLAYS_PLAN 1"] if plays_plan else []),
        f"#define CR_NO_PIN {NO}",
        "/* timer is CR_NO_PIN where the pin is only switched on and off. */",
        "typedef struct {",
        "    uint8_t pin, timer, channel, function;",
        "} cr_pin_out;",
        "typedef struct {",
        "    uint8_t a, b, timer, function;",
        "} cr_pin_encoder;",
        *_outputs(palette, chip, pins),
        *_analogue(chip, pins),
        *_lines(chip, pins),
        *(
            f"#define CR_{name}_PIN {_number(chip, pin)}"
            for name, pin in (
                ("STOP", pins.stop_button),
                ("RAIN", pins.rain),
                ("POWER_DOWN", pins.power_down),
            )
        ),
        "#endif",
    ]
    return "\n".join(rows) + "\n"


def _number(chip: Chip, pin: str | None) -> int:
    return NO if pin is None or pin == NONE else chip.pins[pin].number


def _outputs(palette: Palette, chip: Chip, pins: BoardPins) -> list[str]:
    """Coils, motors and lights: those that need PWM first, lights as far as timers are left."""
    needed = [use.pin for use in uses_of(palette, pins) if use.pwm]
    dimmed = [pin for pin in pins.lights if chip.pins[pin].pwm]
    given = assign_pwm(chip, [*needed, *dimmed], busy_timers(chip, pins))

    def out(pin: str | None) -> str:
        to = given.get(pin or NONE)
        told = (to.timer, to.channel, to.function) if to is not None else (NO, 0, 0)
        return "{" + ", ".join(map(str, (_number(chip, pin), *told))) + "}"

    def all_of(names: list[str | None], places: int) -> str:
        padded = [*names, *[None] * places][: max(places, 1)]
        return "{" + ", ".join(out(name) for name in padded) + "}"

    encoders = []
    for motor in pins.motors:
        timer = encoder_timer(chip, motor.encoder_a, motor.encoder_b)
        lanes = chip.pins[motor.encoder_a].pwm
        function = next((to.function for to in lanes if to.timer == timer), 0)
        ends = (_number(chip, motor.encoder_a), _number(chip, motor.encoder_b))
        encoders.append((*ends, NO if timer is None else timer, function))
    coils, motors, *_, lights, _ = board_numbers(palette)
    motors = max(motors, 1)
    encoders = [*encoders, *[(NO, NO, NO, 0)] * motors][:motors]
    strip = pins.light_strip
    return [
        f"#define CR_COIL_PINS {all_of(list(pins.coils), coils)}",
        f"#define CR_MOTOR_PINS {all_of([m.pwm for m in pins.motors], motors)}",
        "#define CR_ENCODER_PINS {"
        + ", ".join("{" + ", ".join(map(str, row)) + "}" for row in encoders)
        + "}",
        f"#define CR_LIGHT_PINS {all_of(list(pins.lights), lights)}",
        f"#define CR_STRIP_PIN {_number(chip, strip.pin if strip else None)}",
        f"#define CR_STRIP_FIRST {len(pins.lights)}",
        f"#define CR_STRIP_COUNT {strip.count if strip else 0}",
    ]


def _analogue(chip: Chip, pins: BoardPins) -> list[str]:
    battery, thermistor = pins.battery, pins.thermistor
    rows = [f"#define CR_BATTERY_PIN {_number(chip, battery.pin if battery else None)}"]
    if battery is not None:
        rows += [
            f"#define CR_BATTERY_ADC {chip.pins[battery.pin].adc}",
            f"#define CR_BATTERY_UPPER_OHM {round(battery.upper_ohm)}u",
            f"#define CR_BATTERY_LOWER_OHM {round(battery.lower_ohm)}u",
        ]
    rows.append(
        f"#define CR_THERMISTOR_PIN {_number(chip, thermistor.pin if thermistor else None)}"
    )
    if thermistor is not None:
        rows += [
            f"#define CR_THERMISTOR_ADC {chip.pins[thermistor.pin].adc}",
            f"#define CR_THERMISTOR_COLDEST_C ({COLDEST_C})",
            f"#define CR_THERMISTOR_STEP_C {STEP_C}",
            "#define CR_THERMISTOR_COUNTS {" + ", ".join(map(str, counts_of(thermistor))) + "}",
        ]
    return rows


def counts_of(thermistor: Thermistor) -> list[int]:
    """The 12-bit converter's reading at each temperature of the table, falling.

    ``R = R25 exp(B (1/T - 1/T25))``, the B-parameter equation of NTC data sheets.

    Examples
    --------
    >>> table = counts_of(Thermistor(pin="PC1"))
    >>> table[(25 - COLDEST_C) // STEP_C]
    2048
    """
    found = []
    for celsius in range(COLDEST_C, HOTTEST_C + 1, STEP_C):
        inverse = 1 / (celsius + 273.15) - 1 / 298.15
        ohm = thermistor.ohm_at_25c * math.exp(thermistor.beta_k * inverse)
        share = ohm / (ohm + thermistor.series_ohm)
        found.append(min(round(share * ADC_STEPS), ADC_STEPS - 1))
    return found


def _lines(chip: Chip, pins: BoardPins) -> list[str]:
    """The line to the host, and the sensors' bus."""
    serial, sensors = pins.serial, pins.sensors
    on_stm32 = chip.name == "STM32F405"
    rows = [
        f"#define CR_BAUD {BAUD}",
        f"#define CR_TX_PIN {_number(chip, serial.tx if serial else None)}",
        f"#define CR_RX_PIN {_number(chip, serial.rx if serial else None)}",
    ]
    if serial is not None:
        unit = pair_of(chip, serial.tx, serial.rx, ("TX", "RX")) or ""
        function = (8 if unit == "USART6" else 7) if on_stm32 else 2
        rows += [f"#define CR_SERIAL_UNIT {unit[-1]}", f"#define CR_SERIAL_FUNCTION {function}"]
    rows += [
        f"#define CR_SDA_PIN {_number(chip, sensors.sda if sensors else None)}",
        f"#define CR_SCL_PIN {_number(chip, sensors.scl if sensors else None)}",
    ]
    if sensors is not None:
        unit = pair_of(chip, sensors.sda, sensors.scl, ("SDA", "SCL")) or ""
        rows += [
            f"#define CR_I2C_UNIT {unit[-1]}",
            f"#define CR_I2C_FUNCTION {4 if on_stm32 else 3}",
            *(f"#define CR_HAS_{part} 1" for part in sorted(set(sensors.parts))),
        ]
    return rows

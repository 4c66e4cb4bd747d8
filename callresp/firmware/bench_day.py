"""The first day of a board on the bench: what no emulator can show, so that nothing burns.

Each step says what to do, with which instrument, and what should be seen; figures are
the palette's own, and those of the chips' board layers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from callresp.firmware.limits import comment
from callresp.palette.model import Palette
from callresp.palette.pins import BoardPins, ChipName
from callresp.plan.electrical.loads import LoadModel
from callresp.plan.electrical.wiring import wiring_of

# What the board layers set: the chips' clocks over their dividers and 255 steps.
PWM_KHZ: dict[ChipName, float] = {"STM32F405": 168e3 / 32 / 255, "RP2040": 125e3 / 24 / 255}
WATCHDOG_S = 0.5
BUTTON_MS = 20.0
# A diode across the coil holds its drain this far above the supply. Common practice, no source.
ABOVE_SUPPLY_V = 1.0
# Below this no logic-level transistor conducts. Common practice, no source.
OFF_V = 0.4
# A hand stays on it; see `plan.electrical.heat.TOUCH_C`.
WARM_C = 60.0


@dataclass(frozen=True, slots=True)
class BenchStep:
    """What to do, by which instrument, and what should be seen."""

    what: str
    by: str
    expect: str


def bench_day(palette: Palette, pins: BoardPins, chip: ChipName) -> list[BenchStep]:
    """The steps in order: no power, board alone, dry run, pins, one coil, battery."""
    unpowered = [
        BenchStep(check.where, f"meter, {check.when}", check.expect)
        for check in wiring_of(palette).checks
        if check.when in ("battery out", "unplugged")
    ]
    alone = [*_board_alone(palette), *_pins_alone(palette, pins, chip)]
    return [*unpowered, *alone, *_one_coil(palette)]


def _board_alone(palette: Palette) -> list[BenchStep]:
    board = palette.board
    return [
        BenchStep("Board alone, coils and motors unplugged, no battery: its 3.3 V", "meter",
                  "3.2 to 3.4 V"),
        BenchStep("What it draws, lamps included", "meter", f"up to {board.idle_current_a:g} A"),
        BenchStep("Every gate while reset is held, while it starts, and for a second after",
                  "scope, single shot", f"never above {OFF_V:g} V"),
        BenchStep("callresp identify --port PORT --palette YOURS", "host",
                  f"{board.coil_channels} coil, {board.motor_channels} motor channels"),
        BenchStep("A dry run of this folder: callresp try", "scope on each gate",
                  "its lamp is lit, 0 V"),
    ]  # fmt: skip


def _pins_alone(palette: Palette, pins: BoardPins, chip: ChipName) -> Iterator[BenchStep]:
    """The real program, with every coil and motor still unplugged."""
    pwm = f"{PWM_KHZ[chip]:.1f} kHz"
    for striker in palette.striker[:1]:
        low, high = striker.force[0].pulse_ms, striker.force[-1].pulse_ms
        yield BenchStep(
            f"callresp try --only '{comment(striker.name)}'",
            f"scope on {pins.coils[striker.coil.channel]}",
            f"one pulse of 3.3 V, {low:g} to {high:g} ms, ended to 0.1 ms",
        )
    damped = [(one.name, one.damper) for one in palette.striker if one.damper is not None]
    for name, damper in damped[:1]:
        yield BenchStep(
            f"The same of the damper of {comment(name)}",
            f"scope on {pins.coils[damper.coil.channel]}",
            f"3.3 V for {damper.pull_ms:g} ms, then {damper.hold_duty:.0%} at {pwm}",
        )
    for turner in palette.turner[:1]:
        motor = pins.motors[turner.channel]
        yield BenchStep(
            f"callresp try --only '{comment(turner.name)}'; turn its shaft by hand",
            f"scope on {motor.pwm}, {motor.encoder_a}",
            f"PWM at {pwm} that grows while the shaft stands and falls when it turns fast;"
            f" {turner.counts_per_rev} counts a turn",
        )
    if pins.light_strip is not None:
        yield BenchStep(
            "Reset: the addressable lights are told their levels as it starts",
            f"scope on {pins.light_strip.pin}",
            f"{24 * pins.light_strip.count} pulses, 1.25 µs apart, 0.4 or 0.8 µs long",
        )
    held = "While something is held"
    silence_ms = palette.board.silence_ms
    yield BenchStep(f"{held}, pull the host's plug", "scope", f"0 V within {silence_ms:g} ms")
    if pins.stop_button is not None:
        yield BenchStep(
            f"{held}, press the stop button",
            f"{pins.stop_button}, gate",
            f"0 V within {BUTTON_MS + 5:g} ms, and nothing more until it starts anew",
        )
    yield BenchStep(f"{held}, hold reset", "scope", "0 V at once")
    yield BenchStep(
        "Halt the chip with a debugger while something is held",
        "scope",
        f"0 V within {WATCHDOG_S:g} s: the watchdog has started it anew",
    )
    yield BenchStep(
        "callresp stream a plan, and look at the board's clock",
        "host",
        "off by less than 1 %; with a crystal by less than 0.02 %",
    )
    yield BenchStep(
        "callresp sleep --port PORT --for 2min",
        "meter in its supply" if pins.power_down is None else f"the same; {pins.power_down}: high",
        "what the board draws falls to a few mA, lamps out; all as before after 2 min",
    )
    if pins.sensors is not None and pins.sensors.parts:
        yield BenchStep(
            f"A hand over, and breath on, what is on {pins.sensors.sda} and {pins.sensors.scl}",
            "callresp identify",
            "its sensors' readings follow",
        )


def _one_coil(palette: Palette) -> Iterator[BenchStep]:
    volts = palette.supply.nominal_v
    for striker in palette.striker[:1]:
        amps = LoadModel(palette).coil_load(striker.coil.channel, 0.0, 0.0, 1.0).amps
        yield BenchStep(
            f"{comment(striker.name)} alone, on a bench supply of {volts:g} V that limits at"
            f" {1.2 * amps:.1f} A: callresp try",
            "scope on its drain",
            f"{volts:g} V at rest, below 0.3 V while it is on, then never above"
            f" {volts + ABOVE_SUPPLY_V:g} V",
        )
        yield BenchStep(
            "The same a hundred times (callresp stream)",
            "thermometer on the transistor",
            f"below {WARM_C:g} °C",
        )
        yield BenchStep(
            "Every other coil and motor, one after another",
            "ear and eye",
            "what it should, and nothing else",
        )
    yield BenchStep(
        "The battery, its fuse last: what callresp live tells of the supply",
        "meter",
        "the meter's value within 3 %",
    )

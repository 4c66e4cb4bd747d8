"""The first day of a board on the bench: what no emulator can show, so that nothing burns.

Each step says what to do, with which instrument, and what should be seen; figures are
the palette's own, and those of the chips' board layers.
"""

from __future__ import annotations

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
    steps = [
        BenchStep(check.where, f"meter, {check.when}", check.expect)
        for check in wiring_of(palette).checks
        if check.when in ("battery out", "unplugged")
    ]
    steps += _board_alone(palette)
    steps += _pins_alone(palette, pins, chip)
    steps += _one_coil(palette)
    return steps


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


def _pins_alone(palette: Palette, pins: BoardPins, chip: ChipName) -> list[BenchStep]:
    """The real program, with every coil and motor still unplugged."""
    steps = []
    for striker in palette.striker[:1]:
        low, high = striker.force[0].pulse_ms, striker.force[-1].pulse_ms
        steps.append(
            BenchStep(
                f"callresp try --only '{comment(striker.name)}'",
                f"scope on {pins.coils[striker.coil.channel]}",
                f"one pulse of 3.3 V, {low:g} to {high:g} ms, ended to 0.1 ms",
            )
        )
    damped = next((one for one in palette.striker if one.damper is not None), None)
    if damped is not None and damped.damper is not None:
        damper = damped.damper
        steps.append(
            BenchStep(
                f"The same of the damper of {comment(damped.name)}",
                f"scope on {pins.coils[damper.coil.channel]}",
                f"3.3 V for {damper.pull_ms:g} ms, then {damper.hold_duty:.0%} at"
                f" {PWM_KHZ[chip]:.1f} kHz",
            )
        )
    for turner in palette.turner[:1]:
        motor = pins.motors[turner.channel]
        steps.append(
            BenchStep(
                f"callresp try --only '{comment(turner.name)}'; turn its shaft by hand",
                f"scope on {motor.pwm}, {motor.encoder_a}",
                f"PWM at {PWM_KHZ[chip]:.1f} kHz that grows while the shaft stands and falls when"
                f" it turns fast; {turner.counts_per_rev} counts a turn",
            )
        )
    if pins.light_strip is not None:
        steps.append(
            BenchStep(
                "Reset: the addressable lights are told their levels as it starts",
                f"scope on {pins.light_strip.pin}",
                f"{24 * pins.light_strip.count} pulses, 1.25 µs apart, 0.4 or 0.8 µs long",
            )
        )
    silence_ms = palette.board.silence_ms
    steps.append(
        BenchStep("While something is held, pull the host's plug", "scope",
                  f"0 V within {silence_ms:g} ms")
    )  # fmt: skip
    if pins.stop_button is not None:
        steps.append(
            BenchStep("While something is held, press the stop button", f"{pins.stop_button}, gate",
                      f"0 V within {BUTTON_MS + 5:g} ms, and nothing more until it starts anew")
        )  # fmt: skip
    steps += [
        BenchStep("While something is held, hold reset", "scope", "0 V at once"),
        BenchStep("Halt the chip with a debugger while something is held", "scope",
                  f"0 V within {WATCHDOG_S:g} s: the watchdog has started it anew"),
        BenchStep("callresp stream a plan, and look at the board's clock", "host",
                  "off by less than 1 %; with a crystal by less than 0.02 %"),
    ]  # fmt: skip
    asleep = "what the board draws falls to a few mA, lamps out; all as before after 2 min"
    at = "meter in its supply" if pins.power_down is None else f"the same; {pins.power_down}: high"
    steps.append(BenchStep("callresp sleep --port PORT --for 2min", at, asleep))
    if pins.sensors is not None and pins.sensors.parts:
        what = f"A hand over, and breath on, what is on {pins.sensors.sda} and {pins.sensors.scl}"
        steps.append(BenchStep(what, "callresp identify", "its sensors' readings follow"))
    return steps


def _one_coil(palette: Palette) -> list[BenchStep]:
    supply = palette.supply
    steps = []
    if palette.striker:
        striker = palette.striker[0]
        amps = LoadModel(palette).coil_load(striker.coil.channel, 0.0, 0.0, 1.0).amps
        steps += [
            BenchStep(
                f"{comment(striker.name)} alone, on a bench supply of {supply.nominal_v:g} V that"
                f" limits at {1.2 * amps:.1f} A: callresp try",
                "scope on its drain",
                f"{supply.nominal_v:g} V at rest, below 0.3 V while it is on, then never above"
                f" {supply.nominal_v + ABOVE_SUPPLY_V:g} V",
            ),
            BenchStep("The same a hundred times (callresp stream)", "thermometer on the transistor",
                      f"below {WARM_C:g} °C"),
            BenchStep("Every other coil and motor, one after another", "ear and eye",
                      "what it should, and nothing else"),
        ]  # fmt: skip
    steps.append(
        BenchStep("The battery, its fuse last: what callresp live tells of the supply", "meter",
                  "the meter's value within 3 %")
    )  # fmt: skip
    return steps

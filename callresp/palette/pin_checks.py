"""Whether the chip can do what a palette asks of its pins.

Every fault says which pin, what for, and what the chip's data sheet allows; the
tables are those of `chips`. Faults are told in the order of the file's tables.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from callresp.errors import UserError
from callresp.io.settings import Path_, SettingsFile
from callresp.palette import chips
from callresp.palette.chips import Chip, ChipPin
from callresp.palette.model import Palette
from callresp.palette.pins import BoardPins

NONE = "none"
PINS: Path_ = ("board", "pins")
# Below this a divider wastes most of what the converter can tell apart. Common practice, no source.
LEAST_FULL_V = 0.5


@dataclass(frozen=True, slots=True)
class PinUse:
    """What a pin is used for: where the palette says so, and what it must be able to do."""

    path: Path_
    pin: str
    what: str
    pwm: bool = False
    adc: bool = False
    drives: bool = False
    switches: bool = False
    input_v: float = 0.0


def faults(palette: Palette, source: SettingsFile) -> Iterator[UserError]:
    """Every fault of ``[board.pins]``; none where a palette has no pins."""
    board = palette.board
    if board.pins is None:
        return
    if board.chip is None:
        yield source.fault_at(
            ("board", "chip"), "pins without a chip", "give chip: 'STM32F405' or 'RP2040'"
        )
        return
    chip = chips.chip_named(board.chip)
    uses = list(uses_of(palette, board.pins))
    there = list(_there(chip, uses, source))
    yield from there
    yield from _doubles(uses, source)
    yield from _counts(palette, board.pins, source)
    if there:
        return
    for use in uses:
        yield from _able(chip, use, source)
    yield from _encoders(chip, board.pins, source)
    yield from _pwm(chip, palette, board.pins, source)
    yield from _lines(chip, board.pins, source)
    yield from _analogue(chip, palette, board.pins, source)


def uses_of(palette: Palette, pins: BoardPins) -> Iterator[PinUse]:
    """Every use of a pin, in the order of the tables."""
    dampers = {s.damper.coil.channel for s in palette.striker if s.damper is not None}
    for n, pin in enumerate(pins.coils):
        if pin != NONE:
            held = n in dampers
            yield PinUse(
                (*PINS, "coils", n), pin, f"coil {n}", pwm=held, drives=True, switches=True
            )
    for n, motor in enumerate(pins.motors):
        at: Path_ = (*PINS, "motors", n)
        volts = motor.encoder_v
        yield PinUse((*at, "pwm"), motor.pwm, f"motor {n}", pwm=True, drives=True, switches=True)
        yield PinUse((*at, "encoder_a"), motor.encoder_a, f"encoder A of motor {n}", input_v=volts)
        if motor.encoder_b is not None:
            what = f"encoder B of motor {n}"
            yield PinUse((*at, "encoder_b"), motor.encoder_b, what, input_v=volts)
    for n, pin in enumerate(pins.lights):
        yield PinUse((*PINS, "lights", n), pin, f"light {n}", drives=True)
    if pins.light_strip is not None:
        yield PinUse((*PINS, "light_strip", "pin"), pins.light_strip.pin, "the strip", drives=True)
    yield from _inputs(pins)


def _inputs(pins: BoardPins) -> Iterator[PinUse]:
    if pins.battery is not None:
        yield PinUse((*PINS, "battery", "pin"), pins.battery.pin, "the battery", adc=True)
    if pins.thermistor is not None:
        yield PinUse((*PINS, "thermistor", "pin"), pins.thermistor.pin, "the thermistor", adc=True)
    if pins.serial is not None:
        at, volts = (*PINS, "serial"), pins.serial.level_v
        yield PinUse((*at, "tx"), pins.serial.tx, "the line's TX", drives=True)
        yield PinUse((*at, "rx"), pins.serial.rx, "the line's RX", input_v=volts)
    if pins.sensors is not None:
        at, volts = (*PINS, "sensors"), pins.sensors.pull_up_v
        yield PinUse((*at, "sda"), pins.sensors.sda, "SDA", drives=True, input_v=volts)
        yield PinUse((*at, "scl"), pins.sensors.scl, "SCL", drives=True, input_v=volts)
    for key, pin, what in (
        ("stop_button", pins.stop_button, "the stop button"),
        ("rain", pins.rain, "the rain sensor"),
    ):
        if pin is not None:
            yield PinUse((*PINS, key), pin, what)
    if pins.power_down is not None:
        yield PinUse((*PINS, "power_down"), pins.power_down, "power-down", drives=True)


def _there(chip: Chip, uses: list[PinUse], source: SettingsFile) -> Iterator[UserError]:
    names = list(chip.pins)
    for use in uses:
        if use.pin in chip.kept:
            what = f"{use.pin} {chip.kept[use.pin]}"
            yield source.fault_at(use.path, what, f"choose another pin for {use.what}")
        elif use.pin not in chip.pins:
            what = f"the {chip.name} has no pin {use.pin}"
            yield source.fault_at(use.path, what, f"its pins: {names[0]} to {names[-1]}")


def _doubles(uses: list[PinUse], source: SettingsFile) -> Iterator[UserError]:
    taken: dict[str, str] = {}
    for use in uses:
        if use.pin in taken:
            what = f"{use.pin} is {taken[use.pin]}'s already"
            yield source.fault_at(use.path, what, f"choose another pin for {use.what}")
        taken.setdefault(use.pin, use.what)


def _counts(palette: Palette, pins: BoardPins, source: SettingsFile) -> Iterator[UserError]:
    board = palette.board
    lit = len(pins.lights) + (pins.light_strip.count if pins.light_strip is not None else 0)
    for key, have, most in (
        ("coils", len(pins.coils), board.coil_channels),
        ("motors", len(pins.motors), board.motor_channels),
        ("lights", lit, board.lights),
    ):
        if have > most:
            what = f"{have} of them, where the board has {most}"
            yield source.fault_at((*PINS, key), what, "take some out")
    for channel in sorted(palette.coils()):
        if channel >= len(pins.coils) or pins.coils[channel] == NONE:
            what = f"no pin for coil {channel}"
            yield source.fault_at((*PINS, "coils"), what, "name one, in the order of channels")
    for turner in palette.turner:
        if turner.channel >= len(pins.motors):
            what = f"no pins for motor {turner.channel}"
            yield source.fault_at((*PINS, "motors"), what, "add a [[board.pins.motors]] table")
    if lit < board.lights:
        what = f"{lit} of them, where the board has {board.lights}"
        yield source.fault_at((*PINS, "lights"), what, "name more, or lower board.lights")


def _able(chip: Chip, use: PinUse, source: SettingsFile) -> Iterator[UserError]:
    """What can be told of one pin alone."""
    pin = chip.pins[use.pin]
    if use.drives and not pin.drives:
        what = f"{use.pin} may drive nothing"
        yield source.fault_at(use.path, what, _others(chip, lambda p: p.drives))
    if use.switches and pin.boots_high:
        what = f"{use.pin} is pulled up while the chip starts, which would switch {use.what} on"
        yield source.fault_at(use.path, what, "choose another pin")
    if use.pwm and not pin.pwm:
        what = f"{use.pin} has no PWM, which {use.what} needs"
        yield source.fault_at(use.path, what, _others(chip, lambda p: bool(p.pwm) and p.drives))
    if use.adc and pin.adc is None:
        what = f"{use.pin} is no analogue input, which {use.what} needs"
        yield source.fault_at(use.path, what, _others(chip, lambda p: p.adc is not None))
    highest_v = chips.TOLERANT_V if pin.five_volt else chips.HIGHEST_PIN_V
    if use.input_v > highest_v:
        what = f"{use.input_v:g} V of {use.what} on {use.pin}, which takes {highest_v:g} V"
        remedy = "put a level shifter or a divider between, and give the voltage after it"
        yield source.fault_at(use.path, what, remedy)


def _others(chip: Chip, able: Callable[[ChipPin], bool]) -> str:
    found = [name for name, pin in chip.pins.items() if able(pin) and name not in chip.kept]
    return f"{chip.source} allows: {', '.join(found)}"


def encoder_timer(chip: Chip, first: str, second: str | None) -> int | None:
    """The timer that counts an encoder at these pins; `None` if none can.

    Parameters
    ----------
    chip
        The chip.
    first, second
        Pins by name; `second` is `None` for one that counts one way only.

    Returns
    -------
    int or None
        The timer's number.
    """
    if chip.encoder_timers is None:
        return None
    one = {to.timer for to in chip.pins[first].pwm if to.channel == 1}
    other = one
    if second is not None:
        other = {to.timer for to in chip.pins[second].pwm if to.channel == 2}
    return min(one & other & chip.encoder_timers, default=None)


def _encoders(chip: Chip, pins: BoardPins, source: SettingsFile) -> Iterator[UserError]:
    if chip.encoder_timers is None:
        return
    owner: dict[int, int] = {}
    for n, motor in enumerate(pins.motors):
        at: Path_ = (*PINS, "motors", n, "encoder_a")
        timer = encoder_timer(chip, motor.encoder_a, motor.encoder_b)
        if timer is None:
            others = ", ".join(str(number) for number in sorted(chip.encoder_timers))
            yield source.fault_at(
                at,
                f"no timer counts an encoder at {motor.encoder_a}"
                + (f" and {motor.encoder_b}" if motor.encoder_b else ""),
                f"A goes to channel 1 and B to channel 2 of one of timers {others}",
            )
        elif timer in owner:
            what = f"timer {timer} counts the encoder of motor {owner[timer]} already"
            yield source.fault_at(at, what, "use another timer's channels 1 and 2")
        else:
            owner[timer] = n


def busy_timers(chip: Chip, pins: BoardPins) -> frozenset[int]:
    """Timers that count encoders, and so give no PWM."""
    timers = (encoder_timer(chip, m.encoder_a, m.encoder_b) for m in pins.motors)
    return frozenset(timer for timer in timers if timer is not None)


def _pwm(
    chip: Chip, palette: Palette, pins: BoardPins, source: SettingsFile
) -> Iterator[UserError]:
    wanted = [use for use in uses_of(palette, pins) if use.pwm and chip.pins[use.pin].pwm]
    given = chips.assign_pwm(chip, [use.pin for use in wanted], busy_timers(chip, pins))
    for use in wanted:
        if use.pin not in given:
            lanes = ", ".join(
                f"timer {to.timer} channel {to.channel}" for to in chip.pins[use.pin].pwm
            )
            what = f"no PWM is left at {use.pin} for {use.what}: it can have {lanes}"
            yield source.fault_at(use.path, what, "choose a pin of another timer")


def _lines(chip: Chip, pins: BoardPins, source: SettingsFile) -> Iterator[UserError]:
    if pins.serial is not None:
        tx, rx = pins.serial.tx, pins.serial.rx
        if chips.pair_of(chip, tx, rx, ("TX", "RX")) is None:
            what = f"{tx} and {rx} are no TX and RX of one serial port"
            remedy = _pairs(chip, ("TX", "RX"))
            yield source.fault_at((*PINS, "serial", "tx"), what, remedy)
    if pins.sensors is not None:
        sda, scl = pins.sensors.sda, pins.sensors.scl
        if chips.pair_of(chip, sda, scl, ("SDA", "SCL")) is None:
            what = f"{sda} and {scl} are no SDA and SCL of one I2C bus"
            remedy = _pairs(chip, ("SDA", "SCL"))
            yield source.fault_at((*PINS, "sensors", "sda"), what, remedy)


def _pairs(chip: Chip, roles: tuple[str, str]) -> str:
    by_unit: dict[str, dict[str, list[str]]] = {}
    for name, pin in chip.pins.items():
        for unit, _, role in (text.partition("_") for text in sorted(pin.roles)):
            if role in roles:
                by_unit.setdefault(unit, {}).setdefault(role, []).append(name)
    return "; ".join(
        f"{unit}: " + ", ".join(f"{role} {' or '.join(found[role])}" for role in roles)
        for unit, found in sorted(by_unit.items())
    )


def _analogue(
    chip: Chip, palette: Palette, pins: BoardPins, source: SettingsFile
) -> Iterator[UserError]:
    if pins.thermistor is not None:
        # At 25 °C the two lie in parallel: the input sees half of each.
        ohm = max(pins.thermistor.series_ohm, pins.thermistor.ohm_at_25c)
        if ohm > chip.adc_source_ohm * 2:
            what = f"{ohm:g} Ω is more than the {chip.name}'s input may see"
            allowed = f"allowed: up to {chip.adc_source_ohm * 2:g}"
            yield source.fault_at((*PINS, "thermistor", "series_ohm"), what, allowed)
    if pins.battery is None:
        return
    at, highest_v = (*PINS, "battery"), palette.supply.highest_v
    pin_v = pins.battery.pin_v(highest_v)
    if pin_v > chips.LOGIC_V:
        most_ohm = pins.battery.upper_ohm * chips.LOGIC_V / (highest_v - chips.LOGIC_V)
        what = f"{highest_v:g} V would put {pin_v:.2f} V on {pins.battery.pin}"
        allowed = f"allowed: up to {most_ohm:.0f}, for {chips.LOGIC_V:g} V"
        yield source.fault_at((*at, "lower_ohm"), what, allowed)
    elif pin_v < LEAST_FULL_V:
        what = f"a full battery would put only {pin_v:.2f} V on {pins.battery.pin}"
        yield source.fault_at((*at, "lower_ohm"), what, "raise it, or lower upper_ohm")
    if pins.battery.source_ohm > chip.adc_source_ohm:
        what = (
            f"the {chip.name}'s input would see {pins.battery.source_ohm:.0f} Ω,"
            f" over {chip.adc_source_ohm:g}"
        )
        yield source.fault_at((*at, "upper_ohm"), what, "take both resistors smaller")

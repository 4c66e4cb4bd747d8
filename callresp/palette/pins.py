"""Which pin of the board's chip does what: the tables below ``[board.pins]``.

A palette without them plays as before; they are needed to make firmware and to
draw the wiring. Pins are named as in the chip's data sheet: ``PA0`` of an
STM32F405, ``GP0`` of an RP2040. What each pin can do stands in `chips`, and
`pin_checks` holds the two against each other.

Conventions
-----------
- Every coil and motor is switched at its low side by a logic-level MOSFET: the
  pin is high while it is on.
- Buttons and rain sensors close to ground, against a pull-up.
- A voltage in a key (`encoder_v`, `pull_up_v`, `level_v`) is the highest that
  the part puts on the pin.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

ChipName = Literal["STM32F405", "RP2040"]
Part = Literal["SHT31", "BH1750", "ADS1115"]

_PIN = r"(P[A-H](1[0-5]|[0-9])|GP([12][0-9]|[0-9]))"
Pin = Annotated[str, Meta(pattern=rf"\A{_PIN}\Z", title="a pin's name, like 'PA0' or 'GP0'")]
PinOrNone = Annotated[
    str, Meta(pattern=rf"\A({_PIN}|none)\Z", title="a pin's name, like 'PA0' or 'GP0', or 'none'")
]
Volts = Annotated[float, Meta(ge=1.0, le=24.0)]
Ohms = Annotated[float, Meta(ge=100.0, le=1e7)]


class PinTable(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of pins."""


class MotorPins(PinTable, frozen=True):
    """A motor: its driver, and its encoder, with one channel or two."""

    pwm: Pin
    encoder_a: Pin
    encoder_b: Pin | None = None
    encoder_v: Volts = 3.3


class Divider(PinTable, frozen=True):
    """Two resistors that bring the supply down to what an analogue input takes."""

    pin: Pin
    upper_ohm: Ohms
    lower_ohm: Ohms

    @property
    def source_ohm(self) -> float:
        """Resistance that the pin sees."""
        return self.upper_ohm * self.lower_ohm / (self.upper_ohm + self.lower_ohm)

    def pin_v(self, supply_v: float) -> float:
        """Voltage at the pin."""
        return supply_v * self.lower_ohm / (self.upper_ohm + self.lower_ohm)


class Thermistor(PinTable, frozen=True):
    """An NTC thermistor from the pin to ground, with `series_ohm` to 3.3 V.

    `beta_k` is B25/85 of its data sheet.
    """

    pin: Pin
    ohm_at_25c: Ohms = 10_000.0
    beta_k: Annotated[float, Meta(ge=1000.0, le=6000.0)] = 3950.0
    series_ohm: Ohms = 10_000.0


class SerialPins(PinTable, frozen=True):
    """The line to the host."""

    tx: Pin
    rx: Pin
    level_v: Volts = 3.3


class SensorBus(PinTable, frozen=True):
    """I2C, and what hangs on it.

    SHT31 tells humidity and temperature, BH1750 light, ADS1115 rain: by a grid from
    its AIN0 to ground, with 100 kΩ from there to 3.3 V.
    """

    sda: Pin
    scl: Pin
    pull_up_v: Volts = 3.3
    parts: tuple[Part, ...] = ()


class LightStrip(PinTable, frozen=True):
    """Addressable lights on one wire, the ones after those that have a pin each."""

    pin: Pin
    count: Annotated[int, Meta(ge=1, le=32)]


class BoardPins(PinTable, frozen=True):
    """Every pin in use. `coils` and `motors` are in the order of their channels."""

    coils: tuple[PinOrNone, ...]
    motors: tuple[MotorPins, ...] = ()
    lights: tuple[Pin, ...] = ()
    light_strip: LightStrip | None = None
    battery: Divider | None = None
    thermistor: Thermistor | None = None
    serial: SerialPins | None = None
    sensors: SensorBus | None = None
    stop_button: Pin | None = None
    rain: Pin | None = None
    power_down: Pin | None = None

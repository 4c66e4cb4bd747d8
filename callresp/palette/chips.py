"""What each pin of a chip can do, from the chips' data sheets.

Sources
-------
- STM32F405 in its 64-pin package: data sheet DS8626 (DocID022152): pin definitions
  (FT marks a five-volt tolerant pin, except in analogue mode), alternate function
  mapping, I/O static characteristics (FT up to 5.5 V, others VDD + 0.3 V), output
  voltage characteristics, note 1 (PC13 to PC15 may drive nothing), ADC
  characteristics (R_AIN up to 50 kΩ). Reference manual RM0090, 8.3.2: PA13, PA15
  and PB4 are pulled up from reset on.
- RP2040: data sheet, 1.4.3 (GPIO functions), 4.5.2 (PWM), 4.9 (ADC), 5.2.3 (ADC
  input impedance 100 kΩ); no pin takes much more than its supply (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from callresp.palette.pins import ChipName

LOGIC_V = 3.3
# Of a pin that is not five-volt tolerant: VDD + 0.3 V.
HIGHEST_PIN_V = 3.6
TOLERANT_V = 5.5


@dataclass(frozen=True, slots=True)
class PwmChannel:
    """A timer's channel that a pin can put out; `function` selects it at the pin."""

    timer: int
    channel: int
    function: int


@dataclass(frozen=True, slots=True)
class ChipPin:
    """What one pin can do.

    `roles` names functions of serial line and I2C, such as ``"USART1_TX"``;
    `adc` is its analogue channel; `boots_high` says that it is pulled up while
    the chip starts.
    """

    number: int
    pwm: tuple[PwmChannel, ...] = ()
    roles: frozenset[str] = frozenset()
    adc: int | None = None
    five_volt: bool = False
    drives: bool = True
    boots_high: bool = False


@dataclass(frozen=True, slots=True)
class Chip:
    """A chip: its pins by name, and what its board layer keeps for itself.

    `clock_timers` count the time and give no PWM. `encoder_timers` can count an
    encoder at their channels 1 and 2; where that is `None`, any pin can.
    `kept` tells why pins are not free. `adc_source_ohm` is the highest
    resistance that an analogue input may see.
    """

    name: ChipName
    source: str
    pins: Mapping[str, ChipPin]
    kept: Mapping[str, str]
    clock_timers: frozenset[int]
    encoder_timers: frozenset[int] | None
    adc_source_ohm: float


# Alternate function of each timer, and the pins of its channels 1 to 4.
_STM32_TIMERS: dict[int, tuple[int, tuple[str, ...]]] = {
    1: (1, ("PA8", "PA9", "PA10", "PA11")),
    2: (1, ("PA0 PA5 PA15", "PA1 PB3", "PA2 PB10", "PA3 PB11")),
    3: (2, ("PA6 PB4 PC6", "PA7 PB5 PC7", "PB0 PC8", "PB1 PC9")),
    4: (2, ("PB6", "PB7", "PB8", "PB9")),
    5: (2, ("PA0", "PA1", "PA2", "PA3")),
    8: (3, ("PC6", "PC7", "PC8", "PC9")),
    9: (3, ("PA2", "PA3")),
    10: (3, ("PB8",)),
    11: (3, ("PB9",)),
    12: (9, ("PB14", "PB15")),
    13: (9, ("PA6",)),
    14: (9, ("PA7",)),
}
_STM32_ROLES: dict[str, str] = {
    "USART1_TX": "PA9 PB6",
    "USART1_RX": "PA10 PB7",
    "USART2_TX": "PA2",
    "USART2_RX": "PA3",
    "USART3_TX": "PB10 PC10",
    "USART3_RX": "PB11 PC11",
    "USART6_TX": "PC6",
    "USART6_RX": "PC7",
    "I2C1_SCL": "PB6 PB8",
    "I2C1_SDA": "PB7 PB9",
    "I2C2_SCL": "PB10",
    "I2C2_SDA": "PB11",
    "I2C3_SCL": "PA8",
    "I2C3_SDA": "PC9",
}
_STM32_ADC = (*(f"PA{n}" for n in range(8)), "PB0", "PB1", *(f"PC{n}" for n in range(6)))


def _stm32f405() -> Chip:
    names = [f"P{port}{n}" for port in "ABC" for n in range(16)] + ["PD2"]
    pwm: dict[str, list[PwmChannel]] = {name: [] for name in names}
    for timer, (function, channels) in _STM32_TIMERS.items():
        for channel, places in enumerate(channels, start=1):
            for name in places.split():
                pwm[name].append(PwmChannel(timer, channel, function))
    pins = {
        name: ChipPin(
            number=16 * "ABCD".index(name[1]) + int(name[2:]),
            pwm=tuple(pwm[name]),
            roles=frozenset(role for role, on in _STM32_ROLES.items() if name in on.split()),
            adc=_STM32_ADC.index(name) if name in _STM32_ADC else None,
            five_volt=name not in ("PA4", "PA5"),
            drives=name not in ("PC13", "PC14", "PC15"),
            boots_high=name in ("PA15", "PB4"),
        )
        for name in names
    }
    return Chip(
        name="STM32F405",
        source="DS8626",
        pins=pins,
        kept={
            "PA11": "is the USB port's",
            "PA12": "is the USB port's",
            "PA13": "is the programmer's (SWDIO)",
            "PA14": "is the programmer's (SWCLK)",
            "PB2": "chooses how the chip starts (BOOT1)",
        },
        clock_timers=frozenset({5}),
        encoder_timers=frozenset({1, 2, 3, 4, 8}),
        adc_source_ohm=50_000.0,
    )


def _rp2040() -> Chip:
    pins = {}
    for n in range(30):
        roles = set()
        if n % 4 < 2:
            unit = 1 if n // 4 % 4 in (1, 2) else 0
            roles.add(f"UART{unit}_{'TX' if n % 2 == 0 else 'RX'}")
        roles.add(f"I2C{n // 2 % 2}_{'SDA' if n % 2 == 0 else 'SCL'}")
        pins[f"GP{n}"] = ChipPin(
            number=n,
            pwm=(PwmChannel(n // 2 % 8, n % 2, 4),),
            roles=frozenset(roles),
            adc=n - 26 if n >= 26 else None,
        )
    return Chip(
        name="RP2040",
        source="the RP2040 data sheet",
        pins=pins,
        kept={},
        clock_timers=frozenset(),
        encoder_timers=None,
        # The input draws as 100 kΩ would: this much before it reads 5 % low.
        adc_source_ohm=5_000.0,
    )


@cache
def chip_named(name: ChipName) -> Chip:
    """The chip of that name."""
    return _stm32f405() if name == "STM32F405" else _rp2040()


def pair_of(chip: Chip, first: str, second: str, roles: tuple[str, str]) -> str | None:
    """The unit whose two `roles` (such as ``("TX", "RX")``) lie on two pins, or `None`.

    Parameters
    ----------
    chip
        The chip.
    first, second
        Pins by name.
    roles
        What they are to be, in that order.

    Returns
    -------
    str or None
        The unit's name.

    Examples
    --------
    >>> pair_of(chip_named("STM32F405"), "PA9", "PA10", ("TX", "RX"))
    'USART1'
    >>> pair_of(chip_named("RP2040"), "GP4", "GP5", ("SDA", "SCL"))
    'I2C0'
    """
    found = [
        unit
        for unit, _, name in (role.partition("_") for role in chip.pins[first].roles)
        if name == roles[0] and f"{unit}_{roles[1]}" in chip.pins[second].roles
    ]
    return min(found, default=None)


def assign_pwm(
    chip: Chip, wanted: Sequence[str], busy_timers: frozenset[int]
) -> dict[str, PwmChannel]:
    """Give each pin a timer's channel of its own, as many as can have one.

    Parameters
    ----------
    chip
    wanted
        Names of pins, the most needed first; each is a pin of the chip.
    busy_timers
        Timers that do something else.

    Returns
    -------
    dict
        The channel by the pin's name; pins that get none are missing. A largest
        matching, found by augmenting paths (Kuhn 1955), so that no pin goes
        without because another took its channel needlessly.

    Examples
    --------
    >>> given = assign_pwm(chip_named("STM32F405"), ["PC6", "PA6"], frozenset({13}))
    >>> {name: (to.timer, to.channel) for name, to in given.items()}
    {'PC6': (8, 1), 'PA6': (3, 1)}
    """
    owner: dict[tuple[int, int], tuple[str, PwmChannel]] = {}
    busy = busy_timers | chip.clock_timers

    def place(name: str, tried: set[tuple[int, int]]) -> bool:
        for to in chip.pins[name].pwm:
            key = (to.timer, to.channel)
            if to.timer in busy or key in tried:
                continue
            tried.add(key)
            if key not in owner or place(owner[key][0], tried):
                owner[key] = (name, to)
                return True
        return False

    for name in wanted:
        place(name, set())
    given = dict(owner.values())
    return {name: given[name] for name in wanted if name in given}

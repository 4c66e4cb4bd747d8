"""Pins of the board: what the two chips can do, and every refusal."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import maximum_bipartite_matching

from callresp.errors import UserError
from callresp.io.resources import corpus
from callresp.palette.chips import assign_pwm, chip_named, pair_of
from callresp.palette.files import fingerprint, load_palette

STM32, RP2040 = chip_named("STM32F405"), chip_named("RP2040")

# Data sheet DS8626 of the STM32F405, table 9, rows as printed: timer and alternate function.
DS8626_TABLE_9 = {
    "PA0": "TIM2_CH1 AF1, TIM5_CH1 AF2",
    "PA2": "TIM2_CH3 AF1, TIM5_CH3 AF2, TIM9_CH1 AF3",
    "PA5": "TIM2_CH1 AF1",
    "PA6": "TIM3_CH1 AF2, TIM13_CH1 AF9",
    "PA7": "TIM3_CH2 AF2, TIM14_CH1 AF9",
    "PA8": "TIM1_CH1 AF1",
    "PA11": "TIM1_CH4 AF1",
    "PA15": "TIM2_CH1 AF1",
    "PB0": "TIM3_CH3 AF2",
    "PB3": "TIM2_CH2 AF1",
    "PB4": "TIM3_CH1 AF2",
    "PB7": "TIM4_CH2 AF2",
    "PB8": "TIM4_CH3 AF2, TIM10_CH1 AF3",
    "PB9": "TIM4_CH4 AF2, TIM11_CH1 AF3",
    "PB11": "TIM2_CH4 AF1",
    "PB12": "",
    "PB13": "",
    "PB14": "TIM12_CH1 AF9",
    "PB15": "TIM12_CH2 AF9",
    "PC0": "",
    "PC6": "TIM3_CH1 AF2, TIM8_CH1 AF3",
    "PC9": "TIM3_CH4 AF2, TIM8_CH4 AF3",
    "PC10": "",
    "PD2": "",
}
# RP2040 data sheet, table of GPIO functions: columns UART, I2C and PWM, from GPIO 0 on.
RP2040_FUNCTIONS = """
UART0 TX,I2C0 SDA,PWM0 A  UART0 RX,I2C0 SCL,PWM0 B  ,I2C1 SDA,PWM1 A  ,I2C1 SCL,PWM1 B
UART1 TX,I2C0 SDA,PWM2 A  UART1 RX,I2C0 SCL,PWM2 B  ,I2C1 SDA,PWM3 A  ,I2C1 SCL,PWM3 B
UART1 TX,I2C0 SDA,PWM4 A  UART1 RX,I2C0 SCL,PWM4 B  ,I2C1 SDA,PWM5 A  ,I2C1 SCL,PWM5 B
UART0 TX,I2C0 SDA,PWM6 A  UART0 RX,I2C0 SCL,PWM6 B  ,I2C1 SDA,PWM7 A  ,I2C1 SCL,PWM7 B
UART0 TX,I2C0 SDA,PWM0 A  UART0 RX,I2C0 SCL,PWM0 B  ,I2C1 SDA,PWM1 A  ,I2C1 SCL,PWM1 B
UART1 TX,I2C0 SDA,PWM2 A  UART1 RX,I2C0 SCL,PWM2 B  ,I2C1 SDA,PWM3 A  ,I2C1 SCL,PWM3 B
UART1 TX,I2C0 SDA,PWM4 A  UART1 RX,I2C0 SCL,PWM4 B  ,I2C1 SDA,PWM5 A  ,I2C1 SCL,PWM5 B
UART0 TX,I2C0 SDA,PWM6 A  UART0 RX,I2C0 SCL,PWM6 B
"""


@pytest.mark.parametrize(("name", "printed"), DS8626_TABLE_9.items())
def test_timers_of_the_stm32_are_those_of_its_data_sheet(name: str, printed: str) -> None:
    told = {f"TIM{to.timer}_CH{to.channel} AF{to.function}" for to in STM32.pins[name].pwm}
    assert told == {part for part in printed.split(", ") if part}


def test_analogue_inputs_of_the_stm32_are_those_of_its_data_sheet() -> None:
    """DS8626, table 7: ADC123_IN0 to 3, IN10 to 13 and ADC12_IN4 to 9, IN14, IN15."""
    told = {pin.adc: name for name, pin in STM32.pins.items() if pin.adc is not None}
    assert told[0] == "PA0"
    assert told[7] == "PA7"
    assert (told[8], told[9]) == ("PB0", "PB1")
    assert (told[10], told[15]) == ("PC0", "PC5")
    assert len(told) == 16


def test_functions_of_the_rp2040_are_those_of_its_data_sheet() -> None:
    rows = [cell for row in RP2040_FUNCTIONS.strip().splitlines() for cell in row.split("  ")]
    assert len(rows) == len(RP2040.pins) == 30
    for n, row in enumerate(rows):
        uart, i2c, pwm = row.split(",")
        pin = RP2040.pins[f"GP{n}"]
        assert pin.roles == {text.replace(" ", "_") for text in (uart, i2c) if text}, n
        assert f"PWM{pin.pwm[0].timer} {'AB'[pin.pwm[0].channel]}" == pwm
        assert pin.adc == (n - 26 if n >= 26 else None)  # ADC0 to ADC3 on GPIO 26 to 29


def test_pwm_is_given_to_as_many_pins_as_can_have_it() -> None:
    # PC6 and PA6 both have timer 3 channel 1; PB4 has nothing else. All three can be served.
    given = assign_pwm(STM32, ["PC6", "PA6", "PB4"], frozenset())
    assert {(to.timer, to.channel) for to in given.values()} == {(8, 1), (13, 1), (3, 1)}
    assert list(assign_pwm(STM32, ["PA0", "PA5"], frozenset())) == ["PA0"]
    assert assign_pwm(STM32, ["PA0"], frozenset({2})) == {}
    assert list(assign_pwm(RP2040, ["GP0", "GP16", "GP1"], frozenset())) == ["GP0", "GP1"]
    assert pair_of(STM32, "PA9", "PB7", ("TX", "RX")) == "USART1"
    assert pair_of(STM32, "PA9", "PA3", ("TX", "RX")) is None


def test_a_palette_without_pins_reads_and_its_plans_stay_valid(tmp_path: Path) -> None:
    text = (corpus() / "palettes" / "fettle.toml").read_text()
    before, _, after = text.partition('chip = "STM32F405"')
    old = tmp_path / "old.toml"
    old.write_text(before + "\n# The battery." + after.partition("# The battery.")[2])
    palette = load_palette(old)
    assert palette.board.pins is None
    assert fingerprint(palette) == fingerprint(load_palette("fettle"))
    # As it was before a palette could have pins.
    assert fingerprint(palette).startswith("907fe2b2a0c2")


REFUSED = [
    ("fettle", 'chip = "STM32F405"', '# chip', ["board.chip: pins without a chip"]),
    ("fettle", 'chip = "STM32F405"', 'chip = "STM32F4"', ["'RP2040'"]),
    ("fettle", '"PC10"', '"pc10"', ["coils[1]", "a pin's name, like 'PA0'"]),
    ("fettle", '"PC10"', '"PC10\\n"', ["coils[1]", "a pin's name"]),
    ("fettle", '"PC10"', '"PD5"', ["the STM32F405 has no pin PD5", "PA0 to PD2"]),
    ("fettle", '"PC10"', '"GP3"', ["no pin GP3"]),
    ("fettle", '"PC10"', '"PA13"', ["PA13 is the programmer's (SWDIO)"]),
    ("fettle", '"PC10"', '"PB2"', ["PB2 chooses how the chip starts"]),
    ("fettle", '"PC10"', '"PC11"', ["coils[2]: PC11 is coil 0's already"]),
    ("fettle", '"PC10"', '"PA10"', ["PA10 is coil 0's already", "the line's RX"]),
    ("fettle", '"PC10"', '"none"', ["no pin for coil 0"]),
    ("fettle", '"PC10"', '"PC14"', ["PC14 may drive nothing", "DS8626"]),
    ("fettle", '"PC10"', '"PA15"', ["PA15 is pulled up while the chip starts"]),
    ("fettle", '"PC6"', '"PC5"', ["PC5 has no PWM, which coil 5 needs", "PC7"]),
    ("fettle", '"PC6"', '"PA6"', ["PA6 is coil 5's already"]),
    ("fettle", 'pwm = "PB8"', 'pwm = "PC4"', ["PC4 has no PWM, which motor 0 needs"]),
    ("fettle", 'pwm = "PB8"', 'pwm = "PB1"', ["no PWM is left at PB1", "timer 3 channel 4"]),
    ("fettle", 'lights = ["PB9"]', 'lights = ["PC13"]', ["PC13 may drive nothing"]),
    ("fettle", 'lights = ["PB9"]', 'lights = ["PB9", "PC4"]', ["2 of them", "has 1"]),
    ("fettle", 'lights = ["PB9"]', "", ["board.pins.lights: 0 of them"]),
    ("fettle", '"PB15", ', '"PB15", "PC4",', ["14 of them, where the board has 13"]),
    ("fettle", 'pin = "PC0"', 'pin = "PB3"', ["PB3 is no analogue input", "PC0, PC1"]),
    ("fettle", 'pin = "PC1"', 'pin = "PB3"', ["analogue input, which the thermistor needs"]),
    ("fettle", "lower_ohm = 22_000", "lower_ohm = 47_000", ["4.09 V on PC0", "up to 34737"]),
    ("fettle", "lower_ohm = 22_000", "lower_ohm = 1000", ["only 0.13 V", "raise it"]),
    ("fettle", "lower_ohm = 22_000", "lower_ohm = 220_000\n# ", ["8.80 V on PC0"]),
    ("fettle", "upper_ohm = 100_000", "upper_ohm = 900_000", ["only 0.31 V"]),
    (
        "fettle",
        "upper_ohm = 100_000\nlower_ohm = 22_000",
        "upper_ohm = 1_000_000\nlower_ohm = 220_000",
        ["would see 180328 Ω, over 50000"],
    ),
    ("fettle", "beta_k = 3950", "series_ohm = 200_000", ["200000 Ω is more", "up to 100000"]),
    ("fettle", 'encoder_a = "PA6"', 'encoder_a = "PA1"', ["no timer counts an encoder at PA1"]),
    ("fettle", 'encoder_b = "PA7"', 'encoder_b = "PB1"', ["at PA6 and PB1", "1, 2, 3, 4, 8"]),
    (
        "fettle",
        'encoder_a = "PA6"\nencoder_b = "PA7"',
        'encoder_a = "PA5"\nencoder_b = "PA1"',
        ["5 V of encoder A of motor 0 on PA5, which takes 3.6 V", "level shifter"],
    ),
    ("fettle", 'rx = "PA10"', 'rx = "PB11"', ["no TX and RX of one serial port", "USART1: TX PA9"]),
    ("fettle", 'scl = "PB6"', 'scl = "PB10"', ["no SDA and SCL of one I2C bus", "I2C1: SDA PB7"]),
    ("fettle", '"BH1750"]', '"BH1751"]', ["'SHT31', 'BH1750'"]),
    ("fettle", "[[board.pins.motors]]", "[[board.pins.motor]]", ["did you mean 'motors'?"]),
    ("pocket", 'encoder_b = "GP11"', "encoder_v = 5.0", ["GP10, which takes 3.6 V"]),
    ("pocket", 'sda = "GP4"', 'pull_up_v = 5.0\nsda = "GP4"', ["5 V of SDA on GP4"]),
    ("pocket", 'pwm = "GP8"', 'pwm = "GP18"', []),
    ("pocket", "lower_ohm = 4_700", "lower_ohm = 47_000", ["6.93 V on GP26"]),
    (
        "pocket",
        "upper_ohm = 10_000\nlower_ohm = 4_700",
        "upper_ohm = 100_000\nlower_ohm = 47_000",
        ["would see 31973 Ω, over 5000"],
    ),
    (
        "pocket",
        "[[board.pins.motors]]",
        "[board.pins.light_strip]\ncount = 1\npin = 'GP9'\n[[board.pins.motors]]",
        ["2 of them, where the board has 1"],
    ),
]  # fmt: skip


@pytest.mark.parametrize(("name", "old", "new", "told"), REFUSED)
def test_every_fault_of_pins_is_told(
    tmp_path: Path, name: str, old: str, new: str, told: list[str]
) -> None:
    text = (corpus() / "palettes" / f"{name}.toml").read_text()
    assert text.count(old) >= 1
    path = tmp_path / "mine.toml"
    path.write_text(text.replace(old, new, 1))
    if not told:
        assert load_palette(path).board.pins is not None
        return
    with pytest.raises(UserError) as fault:
        load_palette(path)
    assert "\n" not in str(fault.value)
    for part in told:
        assert part in str(fault.value)
    assert re.search(r"mine\.toml, line \d+, board", str(fault.value))


def test_two_motors_need_two_timers_and_a_damper_is_not_starved(tmp_path: Path) -> None:
    text = (corpus() / "palettes" / "fettle.toml").read_text()
    text = text.replace("motor_channels = 1", "motor_channels = 2")
    second = '[[board.pins.motors]]\npwm = "PB0"\nencoder_a = "PB4"\n\n[board.pins.battery]'
    path = tmp_path / "mine.toml"
    path.write_text(text.replace("[board.pins.battery]", second))
    with pytest.raises(UserError, match="timer 3 counts the encoder of motor 0 already"):
        load_palette(path)


@given(
    st.lists(st.sampled_from(sorted(STM32.pins)), unique=True, max_size=30),
    st.frozensets(st.sampled_from([1, 2, 3, 4, 8]), max_size=3),
)
def test_no_more_pins_could_have_pwm(names: list[str], busy: frozenset[int]) -> None:
    """A largest matching, by SciPy's Hopcroft-Karp (1973)."""
    given_to = assign_pwm(STM32, names, busy)
    lanes = {(to.timer, to.channel) for to in given_to.values()}
    assert len(lanes) == len(given_to)
    assert not {timer for timer, _ in lanes} & {5, *busy}
    for name, to in given_to.items():
        assert to in STM32.pins[name].pwm
    all_lanes = [(timer, channel) for timer in range(1, 15) for channel in range(1, 5)]
    able = np.zeros((max(len(names), 1), len(all_lanes)))
    for row, name in enumerate(names):
        for to in STM32.pins[name].pwm:
            if to.timer not in {5, *busy}:
                able[row, all_lanes.index((to.timer, to.channel))] = 1
    matched = maximum_bipartite_matching(csr_matrix(able), perm_type="column")
    assert len(given_to) == int((matched >= 0).sum())

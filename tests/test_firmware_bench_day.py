"""The list for a board's first day: its figures are the palette's and the chip's own."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec
import pytest

from callresp.firmware import bench_day as bench
from callresp.firmware.folder import firmware_files
from callresp.firmware.pins import wired
from callresp.io.resources import shipped
from callresp.palette.files import load_palette
from callresp.palette.pins import LightStrip

BOARDS = Path(bench.__file__).resolve().parent / "boards"


def steps_of(name: str) -> list[bench.BenchStep]:
    palette = load_palette(name)
    found = wired(palette)
    return bench.bench_day(palette, found.pins, found.chip.name)


@pytest.mark.parametrize("name", shipped("palettes"))
def test_every_step_says_what_to_expect_and_power_comes_late(name: str) -> None:
    steps = steps_of(name)
    assert all(step.what and step.by and step.expect for step in steps)
    whats = [step.what for step in steps]
    order = ["plus to ground", "Board alone", "A dry run", "While something is held", "The battery"]
    places = [next(n for n, what in enumerate(whats) if what.startswith(text)) for text in order]
    assert places == sorted(places)
    assert places[-1] == len(steps) - 1


def test_figures_of_the_demo_machine() -> None:
    """By hand from its palette: 5 to 14 ms, 30 ms of pull, 30 % held, 200 ms of silence."""
    told = {step.what: step for step in steps_of("fettle")}
    strike = told["callresp try --only 'tube 1'"]
    assert (strike.by, strike.expect[:32]) == ("scope on PC10", "one pulse of 3.3 V, 5 to 14 ms, ")
    damper = told["The same of the damper of tube 1"]
    assert (damper.by, damper.expect) == ("scope on PC6", "3.3 V for 30 ms, then 30% at 20.6 kHz")
    assert told["While something is held, pull the host's plug"].expect == "0 V within 200 ms"
    # 12.8 V over 6 Ω at -5 °C are 2.37 A (IEC 60028); the supply stops at a fifth more.
    assert any("limits at 2.8 A" in what for what in told)


def test_without_dampers_motors_or_button_there_is_nothing_to_measure_of_them() -> None:
    whats = " ".join(step.what for step in steps_of("pocket"))
    assert "damper" not in whats
    assert "ratchet" in whats
    assert "shaft" not in " ".join(step.what for step in steps_of("ladder"))


def test_a_strip_of_lights_is_looked_at_where_there_is_one() -> None:
    """24 bits a light of 1.25 us (common practice for such lights)."""
    fettle = load_palette("fettle")
    pins = wired(fettle).pins
    strip = msgspec.structs.replace(pins, light_strip=LightStrip(pin="PB1", count=8))
    (step,) = set(bench.bench_day(fettle, strip, "STM32F405")) - set(steps_of("fettle"))
    assert (step.by, step.expect[:29]) == ("scope on PB1", "192 pulses, 1.25 µs apart, 0.")


def test_pwm_is_told_as_the_layers_set_it() -> None:
    """RM0090: a timer's clock over PSC + 1 and ARR + 1; RP2040 data sheet, 4.5.2, likewise."""
    stm32 = (BOARDS / "stm32f405" / "chip.c").read_text()
    (steps,) = map(int, re.findall(r"PWM_STEPS = (\d+)", stm32))
    ((fast, slow),) = re.findall(r"PSC = is_fast\(out->timer\) \? (\d+) : (\d+);", stm32)
    assert bench.PWM_KHZ["STM32F405"] == pytest.approx(168e3 / (int(fast) + 1) / steps)
    assert bench.PWM_KHZ["STM32F405"] == pytest.approx(84e3 / (int(slow) + 1) / steps)
    rp2040 = (BOARDS / "rp2040" / "chip.c").read_text()
    (divider,) = map(int, re.findall(r"PWM_DIVIDER = (\d+)", rp2040))
    assert bench.PWM_KHZ["RP2040"] == pytest.approx(125e3 / divider / 255)


def test_the_list_stands_in_the_folders_page() -> None:
    page = firmware_files(load_palette("fettle"))["README.md"]
    for number, step in enumerate(steps_of("fettle"), start=1):
        assert f"| {number} | {step.what} | {step.by} | {step.expect} |" in page

"""The STM32F405's own registers, by a model of the reference manual: what qemu's chip lacks."""

from __future__ import annotations

import struct
from pathlib import Path

import msgspec
import pytest
from emulated_cortex import rested_memory
from emulated_stm32 import (
    FLASH,
    IWDG_PR,
    IWDG_RLR,
    RCC_CFGR,
    RCC_CSR,
    RTC_BKP0R,
    USART1_BRR,
    Stm32f405,
    pin_number,
)
from firmware_helpers import beats, made, strip_levels
from i2c_parts import Ads1115, Bh1750, I2cBus, Sht31
from link_helpers import messages_in

from callresp.link.framing import frame
from callresp.link.messages import (
    FAULTS,
    VERSION,
    Done,
    Hello,
    HelloAck,
    HoldAt,
    LightAt,
    Message,
    Sensed,
    SensorReadings,
    SleepFor,
    Status,
    StrikeAt,
    TimeReply,
    TimeRequest,
)
from callresp.palette.files import load_palette
from callresp.palette.pins import LightStrip

FETTLE = load_palette("fettle")
TUBE_1, POWER_DOWN, STOP = pin_number("PC10"), pin_number("PB5"), pin_number("PC2")
BATTERY, THERMISTOR = 10, 11  # PC0 and PC1
# 12.0 V behind 100 and 22 kOhm, of 4096 steps of 3.3 V; half the steps at 25 degrees.
AT_REST = {BATTERY: round(12.0 * 22 / 122 / 3.3 * 4096), THERMISTOR: 2048}


@pytest.fixture(scope="module")
def flash(tmp_path_factory: pytest.TempPathFactory) -> Path:
    pins = FETTLE.board.pins
    assert pins is not None
    assert pins.sensors is not None
    bus = msgspec.structs.replace(pins.sensors, parts=("SHT31", "BH1750", "ADS1115"))
    pins = msgspec.structs.replace(pins, sensors=bus)
    board = msgspec.structs.replace(FETTLE.board, pins=pins)
    folder = tmp_path_factory.mktemp("fettle") / "board"
    return made(folder, msgspec.structs.replace(FETTLE, board=board)) / "firmware.bin"


def started(flash: Path, **more: object) -> Stm32f405:
    more = {"kept": rested_memory(flash.parent, FLASH), **more}
    chip = Stm32f405(flash=flash, adc=dict(AT_REST), **more)  # type: ignore[arg-type]
    chip.start()
    return chip


def told(chip: Stm32f405) -> list[Message]:
    """What it has sent since this was last asked."""
    messages = messages_in(bytes(chip.sent))
    chip.sent.clear()
    return [message for message in messages if message is not None]


def test_it_starts_by_its_crystal_strikes_and_holds(flash: Path) -> None:
    chip = started(flash)
    # RM0090, 7.3.3 and 30.3.4: 168 MHz, its buses a quarter and a half of it, 115,200 baud.
    assert chip.cpu_hz() == 168e6
    assert chip.register(RCC_CFGR) >> 10 & 0x3F == 5 | 4 << 3
    assert 84e6 / chip.register(USART1_BRR) == pytest.approx(115_200, rel=0.005)
    # 21.3: the watchdog's 32 kHz over 16, a thousand of them.
    assert (chip.register(IWDG_PR), chip.register(IWDG_RLR)) == (2, 999)
    begun = chip.us
    line = [
        *beats(550),
        (5_000.0, frame(Hello(VERSION, 7).pack())),
        (20_000.0, frame(StrikeAt(0, 0, 2000, 850).pack())),
        (20_100.0, frame(HoldAt(1, 5, 2000, 3000, 300, 76).pack())),
    ]
    chip.run(550_000, line)
    chip.step_us = 1000  # only its status is still to come
    chip.run(600_000, beats(600))
    messages = told(chip)
    (ack,) = [m for m in messages if isinstance(m, HelloAck)]
    assert (ack.coils, ack.motors, ack.restarts) == (13, 1, 1)
    assert [m.outcome for m in messages if isinstance(m, Done)] == [0, 0]
    status = [m for m in messages if isinstance(m, Status)][-1]
    assert status.millivolts == pytest.approx(12_000, abs=15)
    assert (status.temperature_c, status.faults) == (25, 0)
    edges = [((us - begun) / 1000, high) for us, pin, high in chip.levels if pin == TUBE_1]
    assert [high for _, high in edges] == [1, 0]
    assert [ms for ms, _ in edges] == pytest.approx([200, 208.5], abs=0.3)
    # The damper hangs on PC6, timer 8's channel 1: full, then 76 of 255, then off.
    held = [((us - begun) / 1000, to) for us, timer, n, to in chip.pwm if (timer, n) == (8, 1)]
    assert [to for _, to in held] == [255, 76, 0]
    assert [ms for ms, _ in held] == pytest.approx([200, 230, 500], abs=0.3)


def test_button_rain_and_a_failing_supply(flash: Path) -> None:
    chip = started(flash)
    hold = [
        (5_000.0, frame(Hello(VERSION, 7).pack())),
        (6_000.0, frame(HoldAt(0, 5, 200, 150_000, 300, 76).pack())),
    ]
    chip.run(100_000, [*hold, *beats(100)])
    assert chip.pwm[-1][1:] == (8, 1, 76)
    chip.low_pins = {STOP, pin_number("PC3")}
    pressed_us = chip.us
    chip.run(60_000, beats(60))
    # It is believed when it has not bounced for 20 ms.
    assert chip.pwm[-1][1:] == (8, 1, 0)
    assert (chip.pwm[-1][0] - pressed_us) / 1000 == pytest.approx(20, abs=1.5)
    chip.step_us = 1000
    chip.run(1_000_000, beats(1000))
    faults = [m.faults for m in told(chip) if isinstance(m, Status)][-1]
    assert faults == sum(1 << FAULTS.index(fault) for fault in ("rain", "stop pressed"))

    chip = started(flash)
    chip.run(100_000, [*hold, *beats(100)])
    failing_us, pins = chip.us, chip.pwm[-1][1:]
    assert pins == (8, 1, 76)
    with pytest.raises(AssertionError):
        chip.supply_fails()  # it waits there for the supply, and starts anew
    assert chip.pwm[-1] == (failing_us, 8, 1, 0)


def test_starts_are_counted_in_the_backup_register(flash: Path) -> None:
    backup: dict[int, int] = {}
    for start in (1, 2, 3):
        chip = started(flash, backup=backup)
        chip.run(20_000, [(1_000.0, frame(Hello(VERSION, 7).pack()))])
        assert [m.restarts for m in told(chip) if isinstance(m, HelloAck)] == [start]
        backup = {RTC_BKP0R: chip.register(RTC_BKP0R)}


def test_what_a_stroke_had_is_in_memory_that_no_start_clears(flash: Path) -> None:
    """A reset within a stroke of 40 ms of the tube's 1.2 s; by the watchdog it may have lasted one
    more (RM0090, 7.3.21: IWDGRSTF, which stays until it is removed). Without: all of it."""
    chip = started(flash)
    stroke = (6_000.0, frame(StrikeAt(0, 0, 1000, 4000).pack()))
    chip.run(120_000, [*beats(120), (5_000.0, frame(Hello(VERSION, 7).pack())), stroke])
    kept = chip.kept_now()
    for memory, hung, used in ((kept, False, 400), (kept, True, 10_400), (b"", False, 12_000)):
        again = started(flash, kept=memory, hung=hung)
        assert struct.unpack_from("<4I", again.kept_now(), 24)[1:3] == (used, 0)
        assert again.register(RCC_CSR) >> 24 & 1
        again.run(60_000, [(1_000.0, frame(Hello(VERSION, 7).pack()))])
        resting = [
            m.faults >> FAULTS.index("coils resting") for m in told(again) if isinstance(m, Status)
        ]
        assert resting == ([1] if memory == b"" else [])


def test_addressable_lights_are_told_bit_by_bit(tmp_path: Path) -> None:
    """1.25 us a bit, high for 0.4 us of a 0 and 0.8 us of a 1, each give or take 0.15; green, red,
    blue, high bit first; 50 us of low between (common practice for such lights)."""
    pins = FETTLE.board.pins
    assert pins is not None
    strip = LightStrip(pin="PB9", count=2)
    pins = msgspec.structs.replace(pins, light_strip=strip)
    board = msgspec.structs.replace(FETTLE.board, pins=pins, lights=3)
    folder = made(tmp_path / "b", msgspec.structs.replace(FETTLE, board=board))
    chip = started(folder / "firmware.bin", tick_instructions=4000)
    lights = [LightAt(n, 1 + n, 1000, level) for n, level in enumerate((0x35, 0xC2))]
    said = b"".join(frame(message.pack()) for message in (Hello(VERSION, 7), *lights))
    chip.run(160_000, [*beats(160), (5_000.0, said)])
    edges = [(cycles / 168, high) for cycles, pin, high in chip.edges if pin == pin_number("PB9")]
    assert len(edges) % (2 * 48) == 0
    assert strip_levels(edges, 2) == [[0x35] * 3, [0xC2] * 3]


def test_it_sleeps_by_its_wake_up_timer_and_a_call_ends_it(flash: Path) -> None:
    """DS8626: the 32 kHz oscillator may have 17 to 47. Told to sleep for two seconds it does, its
    watchdog in force, its clock right by the measure it took, and wakes with all clocks."""
    chip = started(flash, lsi_hz=25_000.0, tick_instructions=1500)
    chip.step_us = 1000
    begun, nap_s = chip.us, 512 * 16 / 25_000
    line = [
        (5_000.0, frame(Hello(VERSION, 7).pack())),
        (6_000.0, frame(StrikeAt(0, 0, 60_000, 1200).pack())),
        (7_000.0, frame(SleepFor(2, 0).pack())),
    ]
    chip.run(1_500_000, line)
    assert chip.naps > 0
    assert [row[1:] for row in chip.levels if row[1] == POWER_DOWN][-1] == (POWER_DOWN, 1)
    told(chip)
    chip.run(1_000_000)
    woke = [row for row in chip.levels if row[1] == POWER_DOWN][-1]
    assert woke[2] == 0
    assert 2.0 - 0.05 <= (woke[0] - begun) / 1e6 <= 2.0 + nap_s + 0.05
    assert chip.cpu_hz() == 168e6
    chip.run(50_000, [(1_000.0, frame(TimeRequest(1).pack()))])
    messages = told(chip)
    assert next(m.faults for m in messages if isinstance(m, Status)) == 0
    (reply,) = [m for m in messages if isinstance(m, TimeReply)]
    assert reply.session == 0
    assert reply.board_ticks / 1e4 == pytest.approx((chip.us - 49_000 - begun) / 1e6, abs=0.05)
    # Asleep again, for an hour; a byte wakes it, and the next greeting is heard.
    naps = chip.naps
    again = [
        (1_000.0, frame(Hello(VERSION, 8).pack())),
        (2_000.0, frame(SleepFor(3600, 0).pack())),
    ]
    chip.run(1_000_000, again)
    assert chip.naps > naps
    told(chip)
    naps = chip.naps
    chip.run(400_000, [(at, frame(Hello(VERSION, 9).pack())) for at in (10_000.0, 260_000.0)])
    assert [m.session for m in told(chip) if isinstance(m, HelloAck)] == [9]
    assert chip.naps - naps <= 1
    assert [row for row in chip.levels if row[1] == TUBE_1 and row[2]] == []


def test_its_sensors_bus_reads_three_parts_as_their_data_sheets_say(flash: Path) -> None:
    """SHT3x-DIS: BE EF has the CRC 92; 85.52 °C, 74 %. BH1750FVI: 8390 h is 28,067 lx.
    SBAS444: 125 uV a step; a wet grid has less than the 100 kOhm above it."""
    chip = Stm32f405(flash=flash, adc=dict(AT_REST), tick_instructions=800)
    light, rain = Bh1750(), Ads1115(volts=3.2)
    chip.bus = I2cBus({0x44: Sht31(), 0x23: light, 0x48: rain}, lambda: chip.us)
    chip.start()
    chip.step_us = 1000
    chip.run(6_200_000)
    dry = SensorReadings(lux=28_066, air_c=85.52, humidity_pct=74, rain=False)
    assert sensed(chip) == dry
    # A light meter that is gone reads as none; between the two thresholds rain stays as it was.
    rain.volts = 0.4
    del chip.bus.parts[0x23]
    chip.run(3_100_000)
    wet = msgspec.structs.replace(dry, lux=None, rain=True)
    assert sensed(chip) == wet
    rain.volts = 1.9
    chip.run(3_100_000)
    assert sensed(chip) == wet


def sensed(chip: Stm32f405) -> SensorReadings:
    """What the chip tells of its sensors when it is greeted."""
    chip.run(150_000, [(1_000.0, frame(Hello(VERSION, 7).pack()))])
    return [message.known for message in told(chip) if isinstance(message, Sensed)][-1]

"""The file that is copied onto an RP2040, from its ROM on: it boots, answers, strikes, ends."""

from __future__ import annotations

import re
import struct
import subprocess
from pathlib import Path

import msgspec
import pytest
from emulated_cortex import rested_memory
from emulated_rp2040 import SYST_CSR, SYST_RVR, VTOR, Rp2040
from firmware_helpers import beats, made, strip_levels
from i2c_parts import I2cBus, Sht31
from link_helpers import messages_in

from callresp.link.framing import frame
from callresp.link.messages import (
    VERSION,
    Done,
    Hello,
    HelloAck,
    LightAt,
    Sensed,
    SensorReadings,
    SleepFor,
    Status,
    StrikeAt,
    TimeReply,
    TimeRequest,
    TurnAt,
)
from callresp.palette.files import load_palette
from callresp.palette.pins import LightStrip

POCKET = load_palette("pocket")
PWM_FUNCTION, SIO_FUNCTION = 4, 5
BASE = 0x20000000 - 256  # its image begins behind the boot code


@pytest.fixture(scope="module")
def uf2(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made(tmp_path_factory.mktemp("pocket") / "board", POCKET) / "firmware.uf2"


def started(uf2: Path, **more: object) -> Rp2040:
    more = {"kept": rested_memory(uf2.parent, BASE), **more}
    chip = Rp2040(uf2=uf2, adc=3350, **more)  # type: ignore[arg-type]
    chip.start()
    return chip


def test_it_boots_from_the_flash_and_plays_within_its_limits(uf2: Path) -> None:
    chip = started(uf2)
    assert chip.private[VTOR] == 0x20000000  # it runs from RAM
    assert chip.private[SYST_RVR] == 12_499  # 0.1 ms of 125 MHz
    begun = chip.us
    line = [
        *beats(900),
        (5_000.0, frame(Hello(VERSION, 7).pack())),
        (20_000.0, frame(StrikeAt(0, 0, 2000, 1200).pack())),
        (20_100.0, frame(LightAt(1, 0, 3000, 0).pack())),
        (20_200.0, frame(TurnAt(2, 0, 4000, 3000, 40).pack())),
        (20_300.0, frame(StrikeAt(3, 1, 5000, 4000).pack())),
    ]
    chip.run(1_300_000, line)
    told = messages_in(bytes(chip.sent))
    (hello,) = [m for m in told if isinstance(m, HelloAck)]
    assert (hello.coils, hello.motors, hello.session, hello.restarts) == (2, 1, 7, 1)
    # Executed, but for the last: 40 ms are over its 25.
    outcomes = {m.sequence: m.outcome for m in told if isinstance(m, Done)}
    assert outcomes == {0: 0, 1: 0, 2: 0, 3: 2}
    # 3350 of 4096 steps of 3.3 V behind 10 and 4.7 kΩ: 2.699 V, 8.44 V.
    status = [m for m in told if isinstance(m, Status)][-1]
    assert status.millivolts == pytest.approx(3350 / 4096 * 3300 * 14.7 / 4.7, abs=15)
    strike, other, light = (
        [(us - begun) / 1000 for us, pin, _ in chip.levels if pin == number and us > begun]
        for number in (2, 3, 25)
    )
    assert strike == [pytest.approx(200, abs=0.3), pytest.approx(212, abs=0.3)]
    assert other == []
    assert light[-1] == pytest.approx(300, abs=0.3)
    assert [high for _, pin, high in chip.levels if pin == 2] == [1, 0]
    motor = [(us, function) for us, pin, function in chip.functions if pin == 8]
    assert motor[-1][1] == SIO_FUNCTION  # off
    powered_us = [us for us, function in motor if function == PWM_FUNCTION]
    assert (powered_us[0] - begun) / 1000 == pytest.approx(400, abs=21)
    assert (motor[-1][0] - begun) / 1000 == pytest.approx(700, abs=0.3)
    assert {where for _, where, _ in chip.pwm} == {4}  # GP8 is channel A of slice 4


def test_what_a_stroke_had_is_in_memory_that_no_start_clears(uf2: Path) -> None:
    """A reset within a stroke of 20 ms; by the watchdog it may have lasted a second more (data
    sheet, 4.7.6: REASON). Without, all of its duty. The ROM's last two banks are not touched."""
    chip = started(uf2)
    stroke = (6_000.0, frame(StrikeAt(0, 0, 1000, 2000).pack()))
    chip.run(110_000, [*beats(110), (5_000.0, frame(Hello(VERSION, 7).pack())), stroke])
    coil = POCKET.coils()[0]
    all_of_it = int(coil.duty_max * coil.cycle_s * 1e4)
    kept = chip.kept_now()
    for memory, hung, used in ((kept, False, 200), (kept, True, 10_200), (b"", False, all_of_it)):
        again = started(uf2, kept=memory, hung=hung)
        assert struct.unpack_from("<4I", again.kept_now(), 24)[1:3] == (used, 0)


def test_edges_of_the_encoder_hold_the_speed(uf2: Path) -> None:
    """A motor far too fast for what is asked gets no power; one that stands gets more and more."""
    duties, last = {}, {}
    for speed in ("stands", "races"):
        chip = started(uf2)
        hello = (5_000.0, frame(Hello(VERSION, 7).pack()))
        turn = (10_000.0, frame(TurnAt(0, 0, 500, 9000, 40).pack()))
        chip.run(60_000, [hello, turn, *beats(60)])
        for step in range(60):
            chip.run(2_000, [(0.0, frame(TimeRequest(0).pack()))] if step % 10 == 0 else [])
            if speed == "races":
                chip.edge(10, high=True)
                chip.edge(11, high=False)
        duties[speed] = [value & 0xFFFF for _, _, value in chip.pwm]
        last[speed] = [function for _, pin, function in chip.functions if pin == 8][-1]
    assert len(set(duties["stands"])) > 1
    assert duties["stands"] == sorted(duties["stands"])
    assert last == {"stands": PWM_FUNCTION, "races": SIO_FUNCTION}


def test_it_lets_go_when_the_host_is_silent(uf2: Path) -> None:
    chip = started(uf2)
    begun = chip.us
    turn = (10_000.0, frame(TurnAt(0, 0, 500, 20_000, 40).pack()))
    chip.run(400_000, [(5_000.0, frame(Hello(VERSION, 7).pack())), turn])
    motor = [(us, function) for us, pin, function in chip.functions if pin == 8]
    assert motor[-1][1] == SIO_FUNCTION
    # The last good frame came at 10 ms; the board waits for 200 ms.
    assert (motor[-1][0] - begun) / 1000 == pytest.approx(210, abs=2)


def test_addressable_lights_are_told_bit_by_bit(tmp_path: Path) -> None:
    """As for the STM32F405: 1.25 us a bit, high for 0.4 us of a 0 and 0.8 us of a 1, each give or
    take 0.15; green, red, blue, high bit first (common practice for such lights)."""
    pins = POCKET.board.pins
    assert pins is not None
    pins = msgspec.structs.replace(pins, light_strip=LightStrip(pin="GP22", count=2))
    board = msgspec.structs.replace(POCKET.board, pins=pins, lights=3)
    folder = made(tmp_path / "b", msgspec.structs.replace(POCKET, board=board))
    words = ["arm-none-eabi-nm", "-S", str(folder / "firmware.elf")]
    told = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    found = re.search(r"^(\w+) (\w+) T chip_strip_show$", told, re.MULTILINE)
    assert found is not None
    begin, size = (int(number, 16) for number in found.groups())
    assert begin >> 24 == 0x20, "its cycles are those of code in RAM"
    chip = started(folder / "firmware.uf2", tick_instructions=4000)
    chip.count_cycles(begin, begin + size - 1)
    lights = [LightAt(n, 1 + n, 1000, level) for n, level in enumerate((0x35, 0xC2))]
    said = b"".join(frame(message.pack()) for message in (Hello(VERSION, 7), *lights))
    chip.run(160_000, [*beats(160), (5_000.0, said)])
    edges = [(cycles / 125, high) for cycles, pin, high in chip.edges if pin == 22]
    assert strip_levels(edges, 2) == [[0x35] * 3, [0xC2] * 3]


def test_it_sleeps_by_its_timer_and_by_a_call(uf2: Path) -> None:
    """Told to, for three seconds; it naps, and its watchdog goes on. Then for an hour: a call."""
    chip = started(uf2)
    chip.step_us = 1000
    sleep = [
        (5_000.0, frame(Hello(VERSION, 7).pack())),
        (6_000.0, frame(StrikeAt(0, 0, 60_000, 1200).pack())),
        (7_000.0, frame(SleepFor(3, 0).pack())),
    ]
    chip.run(60_000, sleep)
    assert (chip.naps, chip.private[SYST_CSR] & 1) == (1, 0)
    asleep_us = chip.us
    chip.run(2_900_000)
    assert chip.naps == 12  # a quarter of a second each
    chip.sent.clear()
    chip.run(200_000)
    assert chip.private[SYST_CSR] & 1
    assert chip.register(0x4000803C) & 1  # by its fast clock again
    told = messages_in(bytes(chip.sent))
    assert [m.faults for m in told if isinstance(m, Status)] == [0]
    # Its clock went on: asked, it tells the true time since its start.
    begun_us = asleep_us - 60_000
    chip.sent.clear()
    chip.run(50_000, [(1_000.0, frame(TimeRequest(1).pack()))])
    (reply,) = [m for m in messages_in(bytes(chip.sent)) if isinstance(m, TimeReply)]
    assert reply.board_ticks == pytest.approx((chip.us - 49_000 - begun_us) / 100, abs=30)
    assert reply.session == 0
    chip.run(
        400_000,
        [
            (5_000.0, frame(Hello(VERSION, 8).pack())),
            (7_000.0, frame(SleepFor(3600, 0).pack())),
        ],
    )
    naps = chip.naps
    assert naps > 12
    chip.sent.clear()
    chip.run(600_000, [(at, frame(Hello(VERSION, 9).pack())) for at in (10_000.0, 260_000.0)])
    acks = [m for m in messages_in(bytes(chip.sent)) if isinstance(m, HelloAck)]
    assert [ack.session for ack in acks] == [9]  # the first woke it, and was lost
    assert chip.naps == naps
    # Nothing was struck that waited when it fell asleep.
    assert [row for row in chip.levels if row[1] == 2 and row[2]] == []


def test_its_sensors_bus_reads_a_part_as_its_data_sheet_says(uf2: Path) -> None:
    """SHT3x-DIS: BE EF has the CRC 92; -45 + 175 raw / 65535 is 85.52 °C, 100 raw / 65535 74 %."""
    chip = Rp2040(uf2=uf2, adc=3350, kept=rested_memory(uf2.parent, BASE))
    part = Sht31()
    chip.bus = I2cBus({0x44: part}, lambda: chip.us)
    chip.start()
    chip.step_us = 1000
    chip.run(1_100_000)
    assert ("write", 0x44, b"\x24\x00") in chip.bus.heard
    chip.run(1_100_000)
    assert sensed(chip) == SensorReadings(air_c=85.52, humidity_pct=74)
    # A damaged reading is none; nor is one of a part that is gone.
    part.reading = b"\xbe\xef\x92\xbe\xee\x92"
    chip.run(1_000_000)
    assert sensed(chip) == SensorReadings()
    part.reading = b"\xbe\xef\x92\xbe\xef\x92"
    chip.run(1_000_000)
    assert sensed(chip) != SensorReadings()
    chip.bus.parts.clear()
    chip.run(1_000_000)
    assert sensed(chip) == SensorReadings()


def sensed(chip: Rp2040) -> SensorReadings:
    """What the chip tells of its sensors when it is greeted."""
    chip.run(20_000, [(1_000.0, frame(Hello(VERSION, 7).pack()))])
    told = messages_in(bytes(chip.sent))
    return [message.known for message in told if isinstance(message, Sensed)][-1]

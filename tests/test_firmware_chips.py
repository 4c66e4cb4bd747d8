"""Firmware for chips: it builds as a maker builds it, fits, keeps its interrupt short, streams."""

from __future__ import annotations

import os
import re
import select
import subprocess
from pathlib import Path

import pytest
from board_talk import EVERYWHERE
from emulated_board import (
    MACHINES,
    STRICT,
    EmulatedBoard,
    image_of,
    need_emulator,
    shared_image,
    wide_files,
)
from firmware_helpers import CORE, FLAGS, compiler
from link_helpers import FETTLE, Line, plan_of

from callresp.firmware.folder import firmware_files
from callresp.io.resources import shipped
from callresp.link import board_clock
from callresp.link import stream as link_stream
from callresp.link.framing import frame
from callresp.link.messages import VERSION, Hello, HoldAt, TimeRequest, TurnAt
from callresp.link.session import Session
from callresp.palette.files import load_palette

# 20 us on the two chips, in instructions of one clock each, and what one takes on the average:
# one to three, by the cores' technical reference manuals; two is more than enough.
CLOCKS = {"stm32f405": 168 * 20, "cortex-m0plus": 125 * 20}
CLOCKS_EACH = {"stm32f405": 1.5, "cortex-m0plus": 1.5}


def sizes_of(image: Path) -> tuple[int, int]:
    """Flash and RAM in bytes."""
    words = ["arm-none-eabi-size", str(image)]
    told = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    text, data, bss = map(int, told.splitlines()[1].split()[:3])
    return text + data, data + bss


@pytest.mark.parametrize("name", shipped("palettes"))
def test_the_firmware_of_every_shipped_palette_builds_by_make_alone(
    tmp_path: Path, name: str
) -> None:
    need_emulator()
    for file, text in firmware_files(load_palette(name)).items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    words = ["make", "-s", f"CC={STRICT}"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    flash, ram = sizes_of(tmp_path / "firmware.elf")
    assert flash < 32_768
    assert ram < 16_384


@pytest.mark.parametrize("chip", MACHINES)
def test_the_largest_machine_fits_and_its_interrupt_takes_20_us_at_most(
    tmp_path: Path, chip: str
) -> None:
    """20 coils and 4 motors that end in one tick while more are to begin; and a silent host."""
    need_emulator()
    image = image_of(tmp_path, chip, FETTLE, files=wide_files())
    words = ["arm-none-eabi-nm", "-S", str(image)]
    symbols = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    core = int(re.findall(r"\w+ (\w+) \w board$", symbols, re.MULTILINE)[0], 16)
    assert core <= 16_384
    board = EmulatedBoard(image, FETTLE, chip=chip, ahead_s=1.0)
    try:
        board.quiet()
        board.measured()
        assert longest_tick(board) * CLOCKS_EACH[chip] < CLOCKS[chip]
    finally:
        board.close()


def longest_tick(board: EmulatedBoard, coils: int = 20, motors: int = 4) -> float:
    """Instructions of the longest tick while all begins, all ends at once, and all is let go."""
    at = round(board.clock_s(0.0) * 10_000) + 800
    board.receive(frame(Hello(VERSION, 7).pack()), 0.0)
    sequence = 0
    for first in (at, at + 2000):
        # Three begin in one tick: so those that begin later are shorter, and all end together.
        rows = [HoldAt(0, n, first, 390 - n // 3, 100, 128) for n in range(coils)]
        runs = [TurnAt(0, n, first - 10, 400, 200) for n in range(motors)]
        data = b""
        for message in [*runs, *rows]:
            packed = bytearray(message.pack())
            packed[1] = sequence
            sequence += 1
            data += frame(bytes(packed))
        board.receive(data, 0.0)
    now_s = 0.0
    while now_s < 0.29:
        now_s += 0.01
        board.receive(frame(TimeRequest(1).pack()), now_s)
    # The host falls silent while all of it is on again.
    board.advance(now_s + 0.3)
    return board.measured()[1]


def test_a_plan_streams_to_an_emulated_chip_over_a_pseudo_terminal(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the wall's clock: a busy computer may be late, so only what must hold is asked."""
    need_emulator()
    monkeypatch.setattr(link_stream, "ANSWER_S", 120.0)
    monkeypatch.setattr(link_stream, "GONE_S", 120.0)
    # An emulator that gets too little of the computer falls behind as a bad clock would.
    monkeypatch.setattr(board_clock, "TRIPS_BEYOND", 10**9)
    image = shared_image(tmp_path_factory)
    words = ["qemu-system-arm", "-M", "netduinoplus2", "-display", "none", "-monitor", "none"]
    words += ["-kernel", str(image), "-serial", "pty", "-serial", "pty"]
    board = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    try:
        assert board.stdout is not None
        found, world = (re.search(r"/dev/\S+", board.stdout.readline()) for _ in range(2))
        assert found is not None
        assert world is not None
        # Its coils are known to have rested. What it is told before its line is up, or while it
        # starts anew, is lost: so it is asked until it answers, before and after.
        test = os.open(world.group(), os.O_RDWR | os.O_NOCTTY)
        for told, asked, answer in ((b"", b"T\n", b"ticks"), (b"B\n", b"M\n", b"measured")):
            os.write(test, told)
            said = b""
            while answer not in said:
                os.write(test, asked)
                if select.select([test], [], [], 1.0)[0]:
                    said += os.read(test, 4096)
        checked, rested = plan_of(8, 0.2), set[bool]()
        session = link_stream.stream(
            checked, found.group(), watch=lambda session, now_s: rested.add(session.resting)
        )
        os.close(test)
        assert rested == {False}
        outcomes = session.report.outcomes
        assert sum(outcomes.values()) == len(checked.plan.commands)
        assert outcomes["executed"] > 0
        assert session.hello_ack is not None
        assert session.hello_ack.coils == 13
    finally:
        board.kill()
        board.communicate()


@pytest.mark.parametrize("chip", list(MACHINES) if EVERYWHERE in os.environ else ["stm32f405"])
def test_a_chip_that_is_reset_mid_phrase_is_taken_up_again(
    tmp_path_factory: pytest.TempPathFactory, chip: str
) -> None:
    """The emulator's chip has no backup register, so its count of starts tells nothing."""
    need_emulator()
    board = EmulatedBoard(shared_image(tmp_path_factory, chip), FETTLE, chip=chip)
    line = Line(Session(plan_of(24, 0.15)), board, step_s=0.01)  # type: ignore[arg-type]
    while line.session.report.outcomes["executed"] < 8:
        line.step()
    board.reset(line.now_s)
    line.run()
    board.close()
    report = line.session.report
    assert report.resets == 1
    assert sum(report.outcomes.values()) == report.commands
    assert report.outcomes["executed"] > 20
    assert not board.on_channels


def test_sensors_read_as_their_data_sheets_say(tmp_path: Path) -> None:
    """SHT3x-DIS, 4.12: CRC 0x92 over BE EF; 4.13: the ends of both scales. BH1750FVI: 8355 h is
    28,067 lux (its worked example: 1000 0011 1001 0000 b is 28,067 lx)."""
    boards = CORE.parent / "boards" / "common"
    (tmp_path / "cr_config.h").write_text(
        "#define CR_COILS 1\n#define CR_MOTORS 1\n#define CR_LIGHTS 1\n"
    )
    (tmp_path / "cr_pins.h").write_text(
        "#include <stdint.h>\n#define CR_NO_PIN 255\n#define CR_SDA_PIN 255\n"
        "typedef struct { uint8_t pin, timer, channel, function; } cr_pin_out;\n"
        "typedef struct { uint8_t a, b, timer, function; } cr_pin_encoder;\n"
    )
    (tmp_path / "use.c").write_text(
        '#include <stdio.h>\n#include "sensors.h"\nint main(void) {\n'
        "    const uint8_t beef[] = {0xBE, 0xEF};\n"
        '    printf("%d %ld %ld %ld %d %d\\n", sensors_crc8(beef, 2), '
        "(long)sensors_lux_of(0x8390), (long)sensors_millicelsius_of(0), \n"
        "(long)sensors_millicelsius_of(65535),\n"
        "           sensors_humidity_of(0), sensors_humidity_of(65535));\n    return 0;\n}\n"
    )
    # Only the arithmetic: what is chip.h's has no meaning on this computer.
    (tmp_path / "chip.h").write_text('#include <stdbool.h>\n#include "cr_pins.h"\n')
    words = [compiler(), *FLAGS[:7], "-iquote", str(tmp_path), f"-I{boards}", "use.c"]
    (tmp_path / "sensors.c").write_text((boards / "sensors.c").read_text())
    done = subprocess.run(
        [*words, "sensors.c", "-o", "use"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    told = subprocess.run([tmp_path / "use"], capture_output=True, text=True, check=True).stdout
    assert told.split() == ["146", "28066", "-45000", "130000", "0", "100"]

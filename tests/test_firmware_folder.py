"""A folder of firmware: made whole, and no text of a palette breaks out of it."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import msgspec
import pytest
from firmware_helpers import FLAGS, compiler
from hypothesis import example, given, settings
from hypothesis import strategies as st

from callresp.errors import UserError
from callresp.firmware.folder import MADE, coil_names, core_files, firmware_files, write_folder
from callresp.firmware.limits import header, limits_source
from callresp.firmware.pins import COLDEST_C, STEP_C, counts_of, pins_header, wired
from callresp.io.resources import corpus, shipped
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.palette.pins import Thermistor

FETTLE = load_palette("fettle")
COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
NASTY = "*/ int main(void){for(;;);} /*\\\n#error out\n$(shell id) \x00 ??/"


def named(name: str) -> Palette:
    """Fettle with every text of it changed."""
    strikers = [
        msgspec.structs.replace(item, name=f"{name}{n}") for n, item in enumerate(FETTLE.striker)
    ]
    turners = [msgspec.structs.replace(item, name=f"{name}t") for item in FETTLE.turner]
    drivers = [
        msgspec.structs.replace(item, name=f"{name}{n}") for n, item in enumerate(FETTLE.driver)
    ]
    return msgspec.structs.replace(
        FETTLE,
        name=name,
        description=name,
        board=msgspec.structs.replace(FETTLE.board, name=name),
        striker=tuple(strikers),
        turner=tuple(turners),
        driver=tuple(drivers),
    )


def code_of(palette: Palette) -> list[str]:
    """What a compiler sees of the made files: all but the comments."""
    made = header(palette), limits_source(palette), pins_header(palette)
    return [COMMENT.sub("", text) for text in made]


CODE = code_of(FETTLE)


@settings(max_examples=25)
@given(st.text(min_size=1, max_size=40))
@example(NASTY[:40])
@example("/*")
@example("*/#include </etc/passwd>/*")
@example("//\\")
@example("\u2028\u202e\r\v")
def test_no_text_of_a_palette_breaks_out_into_c(name: str) -> None:
    assert code_of(named(name)) == CODE


def test_nasty_names_compile_without_a_warning(tmp_path: Path) -> None:
    files = core_files(named(NASTY)) | {"cr_pins.h": pins_header(named(NASTY))}
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "use.c").write_text('#include "core.h"\n#include "cr_pins.h"\n')
    words = [compiler(), *FLAGS[:7], "-fsyntax-only", "use.c", "cr_limits.c"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("name", shipped("palettes"))
def test_the_pins_of_every_shipped_palette_fill_the_boards_arrays(
    tmp_path: Path, name: str
) -> None:
    palette = load_palette(name)
    files = core_files(palette) | {"cr_pins.h": pins_header(palette)}
    for file, text in files.items():
        (tmp_path / file).write_text(text)
    (tmp_path / "use.c").write_text(
        '#include "core.h"\n#include "cr_pins.h"\n#include <stdio.h>\n'
        "static const cr_pin_out coils[CR_COILS] = CR_COIL_PINS;\n"
        "static const cr_pin_out motors[CR_MOTORS] = CR_MOTOR_PINS;\n"
        "static const cr_pin_out lights[CR_LIGHTS] = CR_LIGHT_PINS;\n"
        "static const cr_pin_encoder encoders[CR_MOTORS] = CR_ENCODER_PINS;\n"
        "int main(void) {\n"
        '    for (int n = 0; n < CR_COILS; n++) printf("%d ", coils[n].pin);\n'
        '    printf("%d %d %d\\n", motors[0].pin, lights[0].pin, encoders[0].a);\n'
        "    return 0;\n}\n"
    )
    words = [compiler(), *FLAGS[:7], "use.c", "-o", "use"]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    told = subprocess.run([tmp_path / "use"], capture_output=True, text=True, check=True)
    numbers = [int(text) for text in told.stdout.split()]
    found = wired(palette)
    for n, pin in enumerate(found.pins.coils):
        assert numbers[n] == found.chip.pins[pin].number
    assert len(set(numbers) - {255}) == len([n for n in numbers if n != 255])


def test_pins_are_numbered_as_the_chip_does() -> None:
    """Port A of an STM32 is 0 to 15, port B from 16 on; table 9 of DS8626 has the functions."""
    told = pins_header(FETTLE)
    # PC10 is only switched; PC6 is channel 1 of timer 8 by AF3; PB14 channel 1 of timer 12, AF9.
    assert "CR_COIL_PINS {{42, 255, 0, 0}, {43," in told
    assert "{38, 8, 1, 3}" in told
    assert "{30, 12, 1, 9}" in told
    # The encoder at PA6 and PA7 is timer 3's (AF2); USART1 is AF7 and I2C1 AF4.
    assert "CR_ENCODER_PINS {{6, 7, 3, 2}}" in told
    assert "CR_SERIAL_UNIT 1\n#define CR_SERIAL_FUNCTION 7\n" in told
    assert "CR_I2C_UNIT 1\n#define CR_I2C_FUNCTION 4\n" in told
    assert "CR_BATTERY_ADC 10\n" in told
    assert "CR_PLAYS_PLAN" not in told
    assert "CR_PLAYS_PLAN 1" in pins_header(FETTLE, plays_plan=True)


def test_the_thermistors_table_is_that_of_a_data_sheet() -> None:
    """A common 10 kΩ NTC with B25/85 = 3977 K: 32,554 Ω at 0 °C, 3,605 Ω at 50 °C.

    R/T table of such a thermistor's data sheet (from memory), within 2 %.
    """
    table = counts_of(Thermistor(pin="PC1", beta_k=3977))
    for celsius, ohm in ((0, 32_554), (25, 10_000), (50, 3_605)):
        expected = 4096 * ohm / (ohm + 10_000)
        assert table[(celsius - COLDEST_C) // STEP_C] == pytest.approx(expected, rel=0.02)
    assert table == sorted(table, reverse=True)


def test_what_hangs_where_is_told_by_channel() -> None:
    names = coil_names(FETTLE)
    assert names[0] == "tube 1"
    assert names[5] == "damper of tube 1"
    assert list(names) == list(range(13))


def test_every_pin_of_a_palette_stands_once_on_the_folders_page() -> None:
    """A maker solders by this table: no pin may be missing, or stand twice."""
    for name in shipped("palettes"):
        text = (corpus() / "palettes" / f"{name}.toml").read_text()
        if "[board.pins]" not in text:
            continue
        palette = load_palette(name)
        page = firmware_files(palette)["README.md"]
        table = page[page.index("## What is where") : page.index("| file |")]
        for pin in re.findall(r'"((?:GP|P[A-E])\d+)"', text):
            assert len(re.findall(rf"\b{pin}\b", table)) == 1, f"{name}: {pin}"


def test_a_palette_without_pins_is_refused() -> None:
    bare = msgspec.structs.replace(
        FETTLE, board=msgspec.structs.replace(FETTLE.board, pins=None, chip=None)
    )
    with pytest.raises(UserError, match=r"palette Fettle, board: says no chip and no pins; add"):
        firmware_files(bare)


def test_a_machine_beyond_one_board_is_refused() -> None:
    coil = msgspec.structs.replace(FETTLE.striker[0].coil, channel=20)
    striker = msgspec.structs.replace(FETTLE.striker[0], coil=coil)
    wide = msgspec.structs.replace(FETTLE, striker=(striker, *FETTLE.striker[1:]))
    with pytest.raises(UserError, match="coil 20 is beyond what one board holds; use channels 0"):
        core_files(wide)
    turner = msgspec.structs.replace(FETTLE.turner[0], channel=4)
    with pytest.raises(UserError, match="motor 4 is beyond"):
        core_files(msgspec.structs.replace(FETTLE, turner=(turner,)))


MADE_ONCE = {"core.c": "one\n", "old.c": "gone\n", MADE: '{"files":{"core.c":"","old.c":""}}'}


def test_a_folder_is_written_once_and_again_only_by_force(tmp_path: Path) -> None:
    folder = tmp_path / "board"
    write_folder(folder, MADE_ONCE)
    (folder / "notes.txt").write_text("mine")
    with pytest.raises(UserError, match="is not empty") as fault:
        write_folder(folder, {"core.c": "two\n"})
    assert fault.value.argument == "force"
    assert (folder / "core.c").read_text() == "one\n"
    write_folder(folder, {"core.c": "two\n", MADE: '{"files":{"core.c":""}}'}, force=True)
    assert sorted(path.name for path in folder.iterdir()) == [MADE, "core.c", "notes.txt"]
    assert (folder / "core.c").read_text() == "two\n"
    assert [path.name for path in tmp_path.iterdir()] == ["board"]


def test_force_does_not_write_over_what_was_not_made(tmp_path: Path) -> None:
    folder = tmp_path / "board"
    folder.mkdir()
    (folder / "core.c").write_text("mine")
    with pytest.raises(UserError, match=r"core\.c there was not made by this"):
        write_folder(folder, MADE_ONCE, force=True)
    assert (folder / "core.c").read_text() == "mine"
    (folder / MADE).write_text('{"files":{"../../outside":"","core.c":""}}')
    (tmp_path / "outside").write_text("kept")
    write_folder(folder, MADE_ONCE, force=True)
    assert (tmp_path / "outside").exists()


def test_a_file_in_place_of_the_folder_and_a_closed_one_are_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(UserError, match="is no folder"):
        write_folder(tmp_path / "file", MADE_ONCE)
    with pytest.raises(UserError, match="can't write here"):
        write_folder(tmp_path / "file" / "board", MADE_ONCE)

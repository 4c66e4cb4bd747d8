"""``callresp firmware``: a folder that plain `make` turns into a program of the chip."""

from __future__ import annotations

import json
import re
import shutil
import struct
import subprocess
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner, Result
from conftest import missing
from hypothesis import example, given, settings
from hypothesis import strategies as st
from plan_helpers import reply_note

from callresp.cli import cli
from callresp.errors import UserError
from callresp.firmware.folder import firmware_files
from callresp.io.resources import corpus
from callresp.io.score import ReplyHeader, ReplyScore
from callresp.palette.files import load_palette
from callresp.plan.files import write_plan
from callresp.plan.planner import make_plan
from callresp.verbs import firmware

PLAIN = firmware_files(load_palette("fettle"))


def run(*words: str) -> Result:
    return CliRunner().invoke(firmware.command, list(words))


def plan_file(folder: Path) -> Path:
    notes = tuple(reply_note(n, 1.0 + 0.4 * n, None, "oak block") for n in range(20))
    score = ReplyScore(header=ReplyHeader(palette="fettle", duration_s=12.0), notes=notes)
    path = folder / "dawn.plan.jsonl"
    write_plan(path, make_plan(score, load_palette("fettle")).plan)
    return path


def make(folder: Path) -> str:
    """What plain `make` prints."""
    for tool in ("make", "arm-none-eabi-gcc"):
        if shutil.which(tool) is None:
            missing(f"no {tool} here: install make and gcc-arm-none-eabi to build the firmware")
    done = subprocess.run(["make"], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "warning" not in done.stderr
    return done.stdout


def sizes(told: str) -> tuple[int, int]:
    """Flash and RAM in bytes, from the table that `make` prints."""
    text, data, bss = map(int, re.findall(r"^ *(\d+)\s+(\d+)\s+(\d+)\s+\d+", told, re.M)[-1])
    return text + data, data + bss


def is_program(folder: Path, told: str, flash_kb: int, ram_kb: int) -> None:
    """What `make` has told and left: an ELF file of a 32-bit ARM that fits into the chip.

    Machine 40, System V ABI, ELF header; ARM IHI 0044.
    """
    flash, ram = sizes(told)
    assert 4_000 < flash < 1024 * flash_kb
    assert 2_000 < ram < 1024 * ram_kb
    elf = (folder / "firmware.elf").read_bytes()
    assert elf[:5] == b"\x7fELF\x01"
    assert struct.unpack_from("<H", elf, 18) == (40,)


def test_plain_make_leaves_a_program_and_prints_its_sizes(tmp_path: Path) -> None:
    """DS8626, table 2: 1024 kB of flash, 128 kB of RAM beside the core's own 64."""
    folder = tmp_path / "a folder"
    words = ["--dry-run", "--plan", str(plan_file(tmp_path)), "--at-light", "20"]
    done = run("fettle", "-o", str(folder), *words)
    assert done.exit_code == 0, (done.output, done.exception)
    is_program(folder, make(folder), 1024, 128)
    assert "#define CR_DRY_RUN 1\n" in (folder / "cr_config.h").read_text()
    assert (folder / "cr_plan.c").exists()
    assert "#define CR_DRY_RUN 0\n" in PLAIN["cr_config.h"]
    assert "cr_plan.c" not in PLAIN


def test_the_same_palette_gives_the_same_bytes(tmp_path: Path) -> None:
    """RP2040 data sheet, 1.1: 264 kB of RAM; the common boards have 2 MB of flash."""
    images = []
    for name in ("one", "two"):
        folder = tmp_path / name
        assert run("pocket", "-o", str(folder)).exit_code == 0
        is_program(folder, make(folder), 2048, 264)
        images.append([(folder / file).read_bytes() for file in ("firmware.elf", "firmware.uf2")])
    made = [path.name for path in (tmp_path / "one").iterdir() if path.suffix in (".c", ".h")]
    for name in [*made, "Makefile", "README.md", "callresp-firmware.json"]:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    assert images[0] == images[1]


@settings(max_examples=15)
@given(st.text(min_size=1, max_size=40))
@example("$(shell touch x) `id` | */ \\\n```")
@example("<!-- # | ](x)")
def test_a_name_of_a_palette_stays_a_name(name: str) -> None:
    """Neither make nor the page takes a text of a palette for anything else."""
    fettle = load_palette("fettle")
    striker = msgspec.structs.replace(fettle.striker[0], name=name)
    named = msgspec.structs.replace(fettle, name=name, striker=(striker, *fettle.striker[1:]))
    made = firmware_files(named)
    assert made.keys() == PLAIN.keys()
    told = {"README.md", "cr_config.h", "cr_limits.c", "cr_pins.h", "callresp-firmware.json"}
    assert {file for file in made if made[file] != PLAIN[file]} <= told
    page = made["README.md"]
    assert len(page.splitlines()) == len(PLAIN["README.md"].splitlines())
    for odd in "$`|*<>[]#\\\t\r\x0b\x85\u2028":
        assert page.count(odd) == PLAIN["README.md"].count(odd)


def test_the_page_has_three_commands(tmp_path: Path) -> None:
    folder = tmp_path / "board"
    run("fettle", "-o", str(folder), "--dry-run")
    page = (folder / "README.md").read_text()
    block = page.split("```sh\n")[1].split("```")[0].splitlines()
    assert len(block) == 3
    assert block[0].startswith("sudo apt-get install gcc-arm-none-eabi libnewlib-arm-none-eabi")
    assert block[1:] == ["make", "make flash"]
    assert "flash:" in (folder / "chip.mk").read_text()
    for text in ("dry run", "| coil 0 | tube 1 | PC10 |", "licensed", "unplug every coil"):
        assert text in page


def test_json_says_what_was_made(tmp_path: Path) -> None:
    folder = tmp_path / "board"
    done = run("pocket", "-o", str(folder), "--json", "--sketch")
    told = json.loads(done.stdout)
    assert (told["path"], told["chip"], told["sketch"]) == (str(folder), "RP2040", True)
    assert told["files"] == sorted(
        str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()
    )


def test_a_folder_is_written_over_only_by_force(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    folder = Path("board")
    plan = plan_file(tmp_path)
    words = ["firmware", "fettle", "-o", str(folder)]
    assert CliRunner().invoke(cli, [*words, "--plan", str(plan)]).exit_code == 0
    fault = CliRunner().invoke(cli, words).exception
    assert isinstance(fault, UserError)
    assert str(fault) == "board: is not empty; give another folder (--force)"
    assert (folder / "cr_plan.c").exists()
    assert run("fettle", "-o", str(folder), "--force").exit_code == 0
    # What is not made any more would be compiled with the rest.
    assert not (folder / "cr_plan.c").exists()


def test_mistakes_are_told_in_one_line(tmp_path: Path) -> None:
    other = tmp_path / "mine.toml"
    text = (corpus() / "palettes" / "fettle.toml").read_text()
    other.write_text(text.replace("restrike_ms = 110", "restrike_ms = 111"))
    before, _, after = text.partition('chip = "STM32F405"')
    bare = tmp_path / "bare.toml"
    bare.write_text(before + "\n# The battery." + after.partition("# The battery.")[2])
    mute = tmp_path / "mute.toml"
    mute.write_text(text.replace('[board.pins.serial]\ntx = "PA9"\nrx = "PA10"\n', ""))
    plan = str(plan_file(tmp_path))
    folder = str(tmp_path / "board")
    for words, told in (
        ([str(bare)], "says no chip and no pins; add chip and a [board.pins] table"),
        ([str(mute)], "no line to a host; add a [board.pins.serial] table"),
        ([str(other), "--plan", plan], "the plan was made for another palette"),
        (["fettle", "--at-light", "20"], "--at-light: only with --plan"),
        (["fettle", "--sketch", "--plan", plan, "--at-light", "20"], "can't wait for light"),
        (["ladder", "--plan", plan], "another palette"),
    ):
        fault = run(*words, "-o", folder).exception
        assert isinstance(fault, UserError), (words, fault)
        assert told in str(fault)
        assert not Path(folder).exists()
    assert run("fettle", "-o", folder, "--after", "nan").exit_code == 2
    done = run(str(bare), "-o", folder, "--sketch")
    assert "put yours into src/sketch_pins.h" in done.stderr

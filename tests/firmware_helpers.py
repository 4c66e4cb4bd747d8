"""The core built for tests, and boards that take commands in virtual time."""

from __future__ import annotations

import itertools
import shutil
import subprocess
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec
import pytest
from conftest import missing

import callresp
from callresp.firmware.folder import firmware_files, write_folder
from callresp.firmware.limits import board_numbers, coil_numbers, driver_numbers, motor_numbers
from callresp.link.board import SimulatedBoard
from callresp.link.framing import Deframer, frame
from callresp.link.messages import (
    OUTCOMES,
    TICKS_PER_S,
    VERSION,
    Done,
    Hello,
    HoldAt,
    LightAt,
    StrikeAt,
    Timed,
    TimeRequest,
    parse,
)
from callresp.link.session import encode
from callresp.palette.model import Palette
from callresp.plan.model import Plan

# The programs that run the core on a computer.
FIRMWARE = Path(__file__).resolve().parent.parent / "tools" / "firmware"
CORE = Path(callresp.__file__).parent / "firmware" / "core"
SOURCES = [str(source) for source in sorted(CORE.glob("*.c"))]
FLAGS = [
    "-std=c99",
    "-g1",  # lines for what a sanitizer finds
    "-O1",
    "-Wall",
    "-Wextra",
    "-Werror",
    "-pedantic",
    "-fsanitize=address,undefined",
    "-fno-sanitize-recover=all",
]


def lines(palette: Palette, dry_run: bool = False) -> str:
    """The limits as the board program on a computer reads them."""
    rows = ["board " + " ".join(map(str, board_numbers(palette, dry_run)))]
    rows += [f"driver {n} {limit}" for n, limit in enumerate(driver_numbers(palette))]
    for channel, coil in sorted(palette.coils().items()):
        rows.append(f"coil {channel} " + " ".join(map(str, coil_numbers(coil, palette))))
    for channel, numbers in sorted(motor_numbers(palette).items()):
        rows.append(f"motor {channel} " + " ".join(map(str, numbers)))
    return "\n".join([*rows, "go"]) + "\n"


def compiler() -> str:
    """The C compiler, or a skipped test."""
    found = shutil.which("cc") or shutil.which("gcc")
    if found is None:
        missing("no C compiler here: install gcc to test the firmware's core")
    assert found is not None
    return found


def core_objects() -> list[str]:
    """The core, compiled once for all programs of a run."""
    return [str(path) for path in Path(_core().name).glob("*.o")]


@cache
def _core() -> TemporaryDirectory[str]:
    # Kept as long as the process, and removed with it.
    folder = TemporaryDirectory(prefix="callresp-core-")
    words = [compiler(), *FLAGS, f"-I{FIRMWARE}", f"-I{CORE}", "-c", *SOURCES]
    done = subprocess.run(words, cwd=folder.name, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return folder


def built(folder: Path, main: str) -> Path:
    """One of the firmware's host programs, built with sanitizers."""
    program = folder / Path(main).stem
    words = [compiler(), *FLAGS, "-I.", f"-I{CORE}", main, *core_objects(), "-o", str(program)]
    done = subprocess.run(words, cwd=FIRMWARE, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return program


def made(folder: Path, palette: Palette) -> Path:
    """A board's folder, with what plain `make` leaves in it."""
    for tool in ("make", "arm-none-eabi-gcc"):
        if shutil.which(tool) is None:
            missing(f"no {tool} here: install make and gcc-arm-none-eabi to build the firmware")
    write_folder(folder, firmware_files(palette))
    done = subprocess.run(["make", "-s"], cwd=folder, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    return folder


def beats(until_ms: int) -> list[tuple[float, bytes]]:
    """A host's heartbeat, as (time in µs, frame)."""
    return [(1000.0 * at, frame(TimeRequest(at).pack())) for at in range(10, until_ms, 60)]


def messages_of(plan: Plan, drift: float, lead_s: float = 1.0) -> list[Timed]:
    """A plan as a host sends it to a board whose clock runs `drift` fast."""
    first_s = min((command.at_s for command in plan.commands), default=0.0)
    return [
        encode(c, n % 256, round((lead_s + (c.at_s - first_s) * (1 + drift)) * TICKS_PER_S))
        for n, c in enumerate(plan.commands)
    ]


Case = tuple[Palette, Sequence[Timed]]


def outcomes_in_c(program: Path, cases: Sequence[Case]) -> list[list[str]]:
    """What becomes of messages on the core, in virtual time: a new board for each case."""
    text = "".join(lines(palette) + _rows(messages) for palette, messages in cases)
    done = subprocess.run([str(program)], input=text, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    *told, rest = done.stdout.split("hottest")
    assert (len(told), rest.count("\n")) == (len(cases), 1)
    return [_outcomes(rows, len(messages)) for rows, (_, messages) in zip(told, cases, strict=True)]


def _rows(messages: Sequence[Timed]) -> str:
    """Messages as the program takes them, a line each."""
    rows = []
    for m in messages:
        if isinstance(m, StrikeAt):
            rest = f"{m.pulse} 0 0 0"
        elif isinstance(m, HoldAt):
            rest = f"{m.length} {m.pull} {m.duty} 0"
        elif isinstance(m, LightAt):
            rest = f"0 0 {m.level} 0"
        else:
            rest = f"{m.length} 0 0 {m.speed}"
        rows.append(f"{m.kind} {m.channel} {m.at} {rest}\n")
    return "".join(rows)


def _outcomes(told: str, count: int) -> list[str]:
    """As the program told them, after the rises of the board before."""
    rows = [row.split() for row in told.splitlines() if row[:1].isdigit()]
    outcomes = {int(number): OUTCOMES[int(outcome)] for number, outcome, _ in rows}
    return [outcomes.get(number, "unknown") for number in range(count)]


def outcomes_in_python(palette: Palette, messages: Sequence[Timed]) -> list[str]:
    """What becomes of messages on the simulated board, in virtual time."""
    roomy = msgspec.structs.replace(palette.board, buffer=1024)
    board = SimulatedBoard(msgspec.structs.replace(palette, board=roomy))
    deframer, number, outcomes = Deframer(), 0, dict[int, str]()
    board.receive(frame(Hello(VERSION, 7).pack()), 0.0)
    end_s = max((m.at for m in messages), default=0) / TICKS_PER_S + 1.0
    base = {}
    now_s = 0.0
    while now_s < end_s:
        # Half the time after which it would let go.
        now_s += palette.board.silence_ms / 2000
        data = frame(TimeRequest(0).pack())
        while number < len(messages) and messages[number].at / TICKS_PER_S < now_s + 0.5:
            base[messages[number].sequence] = number
            data += frame(messages[number].pack())
            number += 1
        for payload in deframer.feed(board.receive(data, now_s)):
            told = parse(payload)
            if isinstance(told, Done):
                outcomes[base[told.sequence]] = OUTCOMES[told.outcome]
    return [outcomes.get(n, "unknown") for n in range(len(messages))]


def strip_levels(edges: Sequence[tuple[float, object]], count: int) -> list[list[int]]:
    """Green, red and blue that so many addressable lights were told last.

    `edges` of their data line, in µs: 1.25 a bit, high for 0.4 of a 0 and 0.8 of a 1, each give or
    take 0.15; high bit first (common practice for such lights).
    """
    shown = edges[-2 * 24 * count :]
    rises, falls = ([us for us, high in shown if high == to] for to in (1, 0))
    high_us = [fall - rise for rise, fall in zip(rises, falls, strict=True)]
    bits = [us > 0.6 for us in high_us]
    assert high_us == pytest.approx([0.8 if bit else 0.4 for bit in bits], abs=0.15)
    levels = []
    for first in range(0, 24 * count, 24):
        every_us = [b - a for a, b in itertools.pairwise(rises[first : first + 24])]
        assert every_us == pytest.approx([1.25] * 23, abs=0.15)
        colours = [bits[n : n + 8] for n in range(first, first + 24, 8)]
        levels.append([sum(bit << 7 - n for n, bit in enumerate(c)) for c in colours])
    return levels

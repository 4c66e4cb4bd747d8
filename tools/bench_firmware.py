"""What the firmware asks of a chip, measured on emulated ones (qemu counts their instructions).

    python tools/bench_firmware.py                    a few minutes
    python tools/bench_firmware.py --minutes 60 --fuzz 10000000

Sizes: flash and RAM of the whole image, and of the core alone. Interrupt: instructions of the
longest and of a mean tick, with all outputs of the machine ending in one tick, more to begin, and
a host that falls silent; in us at the chip's clock, at 1.5 clocks an instruction (as measured by
nobody here: a board with a scope tells). Lateness: a plan of its own, played by an emulated chip
whose instructions take their time (4 ns on the STM32F405, 16 ns on the small core), how far from
its time each coil went on. The peer in the same run is the 20 us, 16 kB and 1 ms that are asked.
Conformance: every test that the simulated
board passes, on every emulated chip, a minute of garbage, a killed host, resets and days of
power among them. Fuzz: frames and noise under sanitizers.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import msgspec

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from board_talk import EVERYWHERE
from emulated_board import FINE, MACHINES, EmulatedBoard, Emulator, image_of, wide_files
from firmware_helpers import built
from link_helpers import FETTLE, plan_of
from test_firmware_chips import CLOCKS, longest_tick, sizes_of

from callresp.firmware.folder import firmware_files
from callresp.firmware.own_plan import PlanStart
from callresp.link.framing import frame
from callresp.link.messages import (
    TICKS_PER_S,
    Acknowledge,
    Done,
    StrikeAt,
    TimeReply,
    TimeRequest,
)
from callresp.palette.files import load_palette
from callresp.plan.model import Hold, Strike

ROOT = Path(__file__).resolve().parent.parent
Row = dict[str, object]
CLOCKS_EACH = 1.5
AFTER_S = 1.0


def sizes(folder: Path) -> Iterator[Row]:
    """Flash and RAM, as a maker's `make` prints them."""
    made = {
        "stm32f405, Fettle": firmware_files(FETTLE),
        "rp2040, Pocket": firmware_files(load_palette("pocket")),
        "stm32f405, 20 coils, 4 motors": wide_files(),
    }
    for name, files in made.items():
        home = folder / re.sub(r"\W+", "-", name)
        home.mkdir()
        for file, text in files.items():
            (home / file).write_text(text, encoding="utf-8")
        subprocess.run(["make", "-s", "firmware.elf"], cwd=home, check=True, capture_output=True)
        flash, ram = sizes_of(home / "firmware.elf")
        words = ["arm-none-eabi-nm", "-S", str(home / "firmware.elf")]
        told = subprocess.run(words, capture_output=True, text=True, check=True).stdout
        core = int(re.findall(r"\w+ (\w+) \w board$", told, re.MULTILINE)[0], 16)
        yield {"size of": name, "flash": flash, "ram": ram, "of it core": core, "asked": 16_384}


def interrupts(folder: Path) -> Iterator[Row]:
    """Instructions of the longest and the mean tick."""
    for chip in MACHINES:
        for name, files, coils, motors in (
            ("13 coils, 1 motor", firmware_files(FETTLE), 13, 1),
            ("20 coils, 4 motors", wide_files(), 20, 4),
        ):
            image = image_of(folder / f"{chip}-{coils}", chip, FETTLE, files=files)
            board = EmulatedBoard(image, FETTLE, chip=chip, ahead_s=1.0)
            board.quiet()
            board.measured()
            most = longest_tick(board, coils, motors)
            board.advance(3.0)
            _, _, mean = board.measured()
            board.close()
            mhz = CLOCKS[chip] / 20
            yield {
                "interrupt on": chip,
                "machine": name,
                "longest": round(most),
                "mean": round(mean),
                "longest us": round(most * CLOCKS_EACH / mhz, 1),
                "asked us": 20,
            }


def line_rates() -> Iterator[Row]:
    """Bytes a strike, and strikes a second, out and back."""
    out = len(frame(StrikeAt(5, 3, 12_350_000, 850).pack()))
    back = len(frame(Done(5, 12_350_000, 0).pack()))
    receipts = 200 * len(frame(Acknowledge(4, 0, 60).pack()))
    beat = len(frame(TimeRequest(1).pack())) / 0.06
    replies = len(frame(TimeReply(1, 2, 3).pack())) / 0.06
    for baud in (115_200, 1_000_000):
        yield {
            "line at": baud,
            "bytes out": out,
            "bytes back": back,
            "strikes/s out": int((baud / 10 - beat) / out),
            "outcomes/s back": int((baud / 10 - receipts - replies) / back),
        }


def lateness(folder: Path, minutes: float) -> Iterator[Row]:
    """How far from its time each coil went on, on chips whose instructions take time."""
    checked = plan_of(int(minutes * 60 / 0.5), 0.5, seed=1)
    commands = [c for c in checked.plan.commands if isinstance(c, Strike | Hold)]
    files = firmware_files(FETTLE, plan=checked, start=PlanStart(after_s=AFTER_S))
    for chip in MACHINES:
        image = image_of(folder / f"plan-{chip}", chip, FETTLE, files=files)
        began_s = time.monotonic()
        emulator = Emulator(image, chip)
        emulator.ask("B")
        rows: list[tuple[int, int]] = []
        while len(rows) < len(commands) and time.monotonic() - began_s < 36_000:
            for row in emulator.ask("T"):
                output, *rest = row.split()
                if output == "coil" and rest[1] != "0":
                    rows.append((int(rest[0]), int(rest[2])))
            emulator.received()
            time.sleep(0.2)
        measured = emulator.ask("M")[-1].split()
        emulator.close()
        by_channel: dict[int, list[int]] = {}
        for channel, tick in rows:
            by_channel.setdefault(channel, []).append(tick)
        late = [by_channel[c.channel].pop(0) - c.at_s * TICKS_PER_S for c in commands[: len(rows)]]
        # When the player began, to its own tick: the earliest of all.
        zero = sorted(late)[len(late) // 2]
        off = sorted(abs(tick - zero) / 10 for tick in late)
        yield {
            "lateness on": chip,
            "simulated min": round(minutes, 1),
            "strokes": f"{len(rows)} of {len(commands)}",
            "p50 ms": round(off[len(off) // 2], 2),
            "p99 ms": round(off[int(0.99 * (len(off) - 1))], 2),
            "most ms": round(off[-1], 2),
            "asked p99 ms": 1,
            "longest tick": round(int(measured[2]) / FINE[chip]),
        }


def conformance() -> Iterator[Row]:
    """Every conformance and fault test on every emulated chip: each a row, as it ends."""
    ends = Counter[str]()
    for part in ("core", "kept", "chips"):
        words = [sys.executable, "-u", "-m", "pytest", "-vv", "-n", "0", "-p", "no:cacheprovider"]
        words += ["-k", "stm32f405 or cortex", f"tests/test_firmware_{part}.py"]
        env = os.environ | {EVERYWHERE: "1"}
        with subprocess.Popen(words, cwd=ROOT, env=env, stdout=subprocess.PIPE, text=True) as run:
            assert run.stdout is not None
            began_s = time.monotonic()
            for line in run.stdout:
                found = re.match(r"tests/\S+?::(.+?) (PASSED|FAILED|ERROR|SKIPPED)\b", line)
                if found:
                    took_s, began_s = time.monotonic() - began_s, time.monotonic()
                    ends[found[2].lower()] += 1
                    yield {"on a chip": found[1], "is": found[2].lower(), "s": round(took_s, 1)}
    yield {"on chips in all": ", ".join(f"{count} {how}" for how, count in ends.items())}


def fuzz(folder: Path, rounds: int) -> Iterator[Row]:
    """Frames and noise, half and half, under sanitizers, the limits asserted after each."""
    program = built(folder, "fuzz_core.c")
    done = subprocess.run([program, str(rounds)], capture_output=True, text=True, check=False)
    yield {"fuzz": done.stdout.strip(), "status": done.returncode, "found": done.stderr[:200]}


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--minutes", default=5.0, show_default=True, help="Simulated, of the lateness.")
@click.option("--fuzz", "rounds", default=100_000, show_default=True, help="Rounds of fuzzing.")
@click.option("--only", help="Parts, such as 'sizes,interrupts'; all if not said.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a row.")
def main(minutes: float, rounds: int, only: str | None, as_json: bool) -> None:
    """Print what the firmware asks of a chip."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        parts: dict[str, Callable[[], Iterator[Row]]] = {
            "sizes": lambda: sizes(folder),
            "interrupts": lambda: interrupts(folder),
            "line": line_rates,
            "conformance": conformance,
            "lateness": lambda: lateness(folder, minutes),
            "fuzz": lambda: fuzz(folder, rounds),
        }
        for part in only.split(",") if only else parts:
            for row in parts[part]():
                if as_json:
                    click.echo(msgspec.json.encode(row))
                else:
                    click.echo("  ".join(f"{key} {value}" for key, value in row.items()))


if __name__ == "__main__":
    main()

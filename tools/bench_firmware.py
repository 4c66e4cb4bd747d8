"""What the firmware asks of a chip, measured on emulated ones (qemu counts their instructions).

    python tools/bench_firmware.py                    a few minutes
    python tools/bench_firmware.py --minutes 60 --fuzz 10000000
    python tools/bench_firmware.py --only faults --before TREE    half a minute

Sizes: flash and RAM of the whole image, and of the core alone. Interrupt: instructions of the
longest and of a mean tick, with all outputs of the machine ending in one tick, more to begin, and
a host that falls silent; in us at the chip's clock, at 1.5 clocks an instruction (as measured by
nobody here: a board with a scope tells). Lateness: a plan of its own, played by an emulated chip
whose instructions take their time (4 ns on the STM32F405, 16 ns on the small core), how far from
its time each coil went on. The peer in the same run is the 20 us, 16 kB and 1 ms that are asked.
Idle: 60 h powered without a host, then a phrase. Conformance: every test that the simulated
board passes, on every emulated chip, a minute of garbage, a killed host, resets and days of
power among them. Fuzz: frames and noise under sanitizers. Faults: seven that version 0.1.0 had,
now, and in its own tree where `--before` says where that is.
"""

from __future__ import annotations

import json
import os
import re
import shutil
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

from board_talk import EVERYWHERE, Talk
from core_board import CoreBoard, core_program
from emulated_board import FINE, MACHINES, EmulatedBoard, Emulator, image_of, wide_files
from firmware_helpers import FIRMWARE, built
from link_helpers import FETTLE, plan_of
from test_firmware_chips import CLOCKS, longest_tick, sizes_of

from callresp.firmware.folder import firmware_files
from callresp.firmware.own_plan import PlanStart
from callresp.link.framing import Deframer, frame
from callresp.link.messages import (
    FAULTS,
    TICKS_PER_S,
    VERSION,
    Acknowledge,
    Done,
    Hello,
    Status,
    StrikeAt,
    TimeReply,
    TimeRequest,
    TurnAt,
    parse,
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


def idle(folder: Path) -> Iterator[Row]:
    """60 h powered without a host, then a phrase."""
    for chip in MACHINES:
        image = image_of(folder / f"{chip}-13", chip, FETTLE)
        board = EmulatedBoard(image, FETTLE, chip=chip)
        board.idle(60 * 3600.0)
        # It sleeps: a greeting wakes it, and is lost, as a host says it again.
        board.receive(frame(Hello(VERSION, 7).pack()), 60 * 3600.0)
        told, deframer, now_s = list[object](), Deframer(), 60 * 3600.0 + 0.25
        at = round(now_s * TICKS_PER_S) + 1000
        data = frame(Hello(VERSION, 7).pack())
        for n in range(8):
            data += frame(StrikeAt(n, n % 5, at + 1500 * n, 800).pack())
        for _ in range(30):
            told += [parse(p) for p in deframer.feed(board.receive(data, now_s))]
            now_s, data = now_s + 0.05, frame(TimeRequest(1).pack())
        board.close()
        played = sum(isinstance(m, Done) and m.outcome == 0 for m in told)
        yield {"idle on": chip, "hours": 60, "strokes played after": f"{played} of 8"}


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


def _first(folder: Path, tree: Path) -> dict[str, str]:
    """What the core of version 0.1.0 does, on an emulated Cortex-M3, its code that of an M0."""
    folder.mkdir()
    old = tree / "tools" / "firmware"
    for path in (*old.glob("*.[ch]"), *(FIRMWARE / "first").iterdir()):
        if path.name not in ("replay.c", "fuzz_core.c", "host_board.c", "board_layer.c"):
            shutil.copy(path, folder)
    words = [sys.executable, str(old / "limits.py"), "fettle", "header"]
    env = os.environ | {"PYTHONPATH": str(tree)}
    made = subprocess.run(words, cwd=tree, env=env, capture_output=True, text=True, check=True)
    (folder / "pins.h").write_text(made.stdout, encoding="utf-8")
    tick = round(100 * CLOCKS["cortex-m0plus"] / 20 / CLOCKS_EACH)
    words = ["arm-none-eabi-gcc", "-std=c99", "-Os", "-mthumb", "-mcpu=cortex-m0", "-w"]
    words += ["-DCR_SPANS=548", f"-DLONGEST={tick}", "--specs=rdimon.specs", "-T", "first_core.ld"]
    words += ["first_core.c", "core.c", "outputs.c", "framing.c", "-o", "first.elf"]
    subprocess.run(words, cwd=folder, capture_output=True, check=True)
    words = ["qemu-system-arm", "-M", "mps2-an385", "-display", "none", "-monitor", "none"]
    words += ["-serial", "none", "-icount", "shift=4,sleep=off"]
    words += [
        "-semihosting-config",
        "enable=on,target=native",
        "-kernel",
        str(folder / "first.elf"),
    ]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    rows = (line.split("|") for line in done.stdout.splitlines())
    return {f"{number} {tried}": found for number, tried, found in rows}


def _now(folder: Path) -> dict[str, str]:
    """The same of the core as it is."""
    program, found = core_program(folder), dict[str, str]()
    made: list[CoreBoard] = []

    def talk_to() -> Talk:
        made.append(CoreBoard(program, FETTLE))
        return Talk(made[-1])

    talk = talk_to()
    talk.idle(60 * 3600.0)
    talk.greet()
    at = talk.now() + 1000
    talk.say(*(StrikeAt(n, n % 5, at + 1500 * n, 800) for n in range(8)))
    talk.pass_s(3.0)
    played, receipts = talk.outcomes.count("executed"), len(talk.all(Acknowledge))
    tried = "1 8 strokes after 60 h of power"
    found[tried] = f"{played} played, {receipts} receipts"

    talk = talk_to()
    talk.greet()
    talk.pass_s(0.5)
    talk.board.volts = 10.0
    talk.pass_s(1.0)
    talk.board.volts = 12.0
    talk.pass_s(60.0)
    talk.say(StrikeAt(0, 0, talk.now() + 1000, 800))
    talk.pass_s(1.0)
    tried = "2 a second of 10 V, then a minute of 12 V, then a stroke"
    found[tried] = "played" if talk.outcomes == ["executed"] else "refused"

    image = image_of(folder / "cortex-m0plus", "cortex-m0plus", FETTLE)
    board = EmulatedBoard(image, FETTLE, chip="cortex-m0plus", ahead_s=1.0)
    board.quiet()
    board.measured()
    most = longest_tick(board, 13, 1)
    board.close()
    found["3 instructions of the longest interrupt, Fettle"] = f"{most:.0f}"
    words = ["arm-none-eabi-nm", "-S", str(image)]
    told = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    core = int(re.findall(r"\w+ (\w+) \w board$", told, re.MULTILINE)[0], 16)
    found["4 bytes of the core's RAM, Fettle"] = str(core)

    talk = talk_to()
    talk.board.stuck = {0}
    talk.greet()
    talk.say(TurnAt(0, 0, talk.now() + 500, 1_200_000, 200))
    talk.pass_s(130.0)
    on, off = (row.board_s for row in talk.board.log if row.output == "motor")
    faults = [status.faults for status in talk.all(Status)]
    told = (
        "told" if any(bits >> FAULTS.index("motor jammed") & 1 for bits in faults) else "not told"
    )
    found["6 a motor asked for 120 s whose encoder stands still"] = (
        f"on for {off - on:.1f} s, {told}"
    )
    for each in made:
        each.close()
    return found


def _in_tree(tree: Path) -> dict[str, str]:
    """Currents of cold copper and poor clocks, by that tree's own planner, session and board."""
    words = [sys.executable, str(ROOT / "tools" / "firmware_faults.py")]
    env = os.environ | {"PYTHONPATH": os.pathsep.join((str(tree), str(tree / "tests")))}
    done = subprocess.run(words, cwd=tree, env=env, capture_output=True, text=True, check=True)
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    return {f"{row['fault']}: {row['case']}": row["found"] for row in rows}


def faults(folder: Path, before: Path | None) -> Iterator[Row]:
    """Seven faults of version 0.1.0, now and (with its tree) then."""
    now, then = _now(folder) | _in_tree(ROOT), dict[str, str]()
    if before is not None:
        then = _first(folder / "first", before) | _in_tree(before)
    for tried in sorted(now, key=lambda text: text[0]):
        row: Row = {"fault": tried}
        if before is not None:
            row["0.1.0"] = then[tried]
        yield row | {"now": now[tried]}


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--minutes", default=5.0, show_default=True, help="Simulated, of the lateness.")
@click.option("--fuzz", "rounds", default=100_000, show_default=True, help="Rounds of fuzzing.")
@click.option(
    "--before",
    type=click.Path(path_type=Path, exists=True, file_okay=False, resolve_path=True),
    help="A tree of version 0.1.0, to show its faults beside.",
)
@click.option("--only", help="Parts, such as 'sizes,interrupts'; all if not said.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a row.")
def main(minutes: float, rounds: int, before: Path | None, only: str | None, as_json: bool) -> None:
    """Print what the firmware asks of a chip."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        parts: dict[str, Callable[[], Iterator[Row]]] = {
            "sizes": lambda: sizes(folder),
            "interrupts": lambda: interrupts(folder),
            "line": line_rates,
            "idle": lambda: idle(folder),
            "faults": lambda: faults(folder, before),
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

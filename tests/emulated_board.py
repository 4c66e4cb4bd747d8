"""The firmware on an emulated chip: built as for a maker, run by qemu, its time driven by a test.

The chip runs the very image with its interrupts, its line and its registers; only its clock
stands still until the test lets so many ticks pass, so that nothing depends on how busy the
computer is. What the emulator's chips lack is in ``tools/firmware/emulated``.
"""

from __future__ import annotations

import os
import selectors
import shutil
import socket
import subprocess
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import msgspec
import pytest
from conftest import missing
from core_board import WRAP, CoreBoard
from firmware_helpers import FIRMWARE
from link_helpers import FETTLE

from callresp.firmware.folder import firmware_files
from callresp.firmware.limits import header
from callresp.link.messages import TICKS_PER_S
from callresp.palette.model import Palette

EMULATED = FIRMWARE / "emulated"
# A chip of the emulator's: its machine, and how long an instruction takes, as a power of 2 in ns.
MACHINES = {"stm32f405": ("netduinoplus2", 2), "cortex-m0plus": ("mps2-an385", 4)}
# Steps of the fine counter in an instruction: 1 ns and 40 ns to the 4 and 16 ns that one takes.
FINE = {"stm32f405": 4.0, "cortex-m0plus": 0.4}
STRICT = "arm-none-eabi-gcc -Wconversion"
START_S = 60.0


def need_emulator() -> None:
    """Skip where the cross compiler or the emulator is missing."""
    for program, package in (
        ("arm-none-eabi-gcc", "gcc-arm-none-eabi and libnewlib-arm-none-eabi"),
        ("qemu-system-arm", "qemu-system-arm"),
        ("make", "make"),
    ):
        if shutil.which(program) is None:
            missing(f"no {program} here: install {package} to run the firmware on emulated chips")


def emulated_folder(folder: Path, chip: str, files: dict[str, str]) -> None:
    """The files of `callresp firmware`, with the emulator's world in place of the bench."""
    folder.mkdir(parents=True, exist_ok=True)
    own = files
    extra = [EMULATED / "emulated.c", EMULATED / "emulated.h"]
    if chip == "cortex-m0plus":
        gone = {"chip.c", "chip.mk", "chip_registers.h", "stm32f405.ld"}
        own = {name: text for name, text in files.items() if name not in gone}
        extra += sorted((EMULATED / "mps2").iterdir())
    else:
        extra.append(EMULATED / "stm32f405_port.c")
    for name, text in own.items():
        (folder / name).write_text(text, encoding="utf-8")
    for path in extra:
        shutil.copy(path, folder)


def wide_files() -> dict[str, str]:
    """Of a machine with all that the core holds: 20 coils that may all be on at once, 4 motors."""
    files = firmware_files(FETTLE)
    palette = msgspec.structs.replace(
        FETTLE, board=msgspec.structs.replace(FETTLE.board, coil_channels=20, motor_channels=4)
    )
    files["cr_config.h"] = header(palette)
    coil = "{true, 400, 100000, 336000, 2400000, 118000, 12000, 100000, 0}"
    motor = "{true, 80, 400, 1200000, 100000, 100000, 3000, 6000, 360}"
    files["cr_limits.c"] = (
        '#include "core.h"\nconst cr_config cr_limits = {20, 4, 64, 200, 9000000, 10000, 12000, 1, '
        f"0, {{9000000}}, {{{', '.join([coil] * 20)}}}, {{{', '.join([motor] * 4)}}}}};\n"
    )
    pins = files["cr_pins.h"].splitlines()
    for name, first, places in (("COIL", 64, 20), ("MOTOR", 96, 4), ("ENCODER", 255, 4)):
        rows = [
            f"{{{min(first + n, 255)}, 255, {255 if first == 255 else 0}, 0}}"
            for n in range(places)
        ]
        at = next(n for n, row in enumerate(pins) if row.startswith(f"#define CR_{name}_PINS"))
        pins[at] = f"#define CR_{name}_PINS {{{', '.join(rows)}}}"
    files["cr_pins.h"] = "\n".join(pins) + "\n"
    return files


def image_of(
    folder: Path,
    chip: str,
    palette: Palette,
    dry_run: bool = False,
    files: dict[str, str] | None = None,
) -> Path:
    """Build it, warnings as errors; returns the image."""
    image = folder / "firmware.elf"
    if not image.exists():
        emulated_folder(folder, chip, files or firmware_files(palette, dry_run))
        words = ["make", "-s", f"CC={STRICT} -DCR_EMULATED", "firmware.elf"]
        done = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
    return image


def shared_image(
    factory: pytest.TempPathFactory, chip: str = "stm32f405", dry_run: bool = False
) -> Path:
    """The image of the demo machine, built once for all tests of this process."""
    return image_of(factory.getbasetemp() / f"{chip}{dry_run}", chip, FETTLE, dry_run)


class Emulator:
    """A running image, and its two lines: the host's, and the test's."""

    def __init__(self, image: Path, chip: str) -> None:
        machine, shift = MACHINES[chip]
        self._folder = tempfile.mkdtemp(prefix="callresp-")
        ends = [os.path.join(self._folder, name) for name in ("line", "test")]  # noqa: PTH118
        words = ["qemu-system-arm", "-M", machine, "-display", "none", "-monitor", "none"]
        words += ["-icount", f"shift={shift},sleep=off", "-kernel", str(image)]
        for end in ends:
            words += ["-chardev", f"socket,id={end[-4:]},path={end},server=on,wait=on"]
            words += ["-serial", f"chardev:{end[-4:]}"]
        self._run = subprocess.Popen(words, stderr=subprocess.DEVNULL)
        self.line, self.test = (self._connected(end) for end in ends)
        self._pending = b""
        self._received = bytearray()
        self._selector = selectors.DefaultSelector()
        for port in (self.line, self.test):
            port.setblocking(False)
            self._selector.register(port, selectors.EVENT_READ)
        self._answer()

    def _connected(self, path: str) -> socket.socket:
        until = time.monotonic() + START_S
        while True:
            try:
                end = socket.socket(socket.AF_UNIX)
                end.connect(path)
                return end
            except OSError:
                end.close()
                assert self._run.poll() is None, "the emulator did not start"
                assert time.monotonic() < until, "the emulator did not start"
                time.sleep(0.01)

    def ask(self, step: str, data: bytes = b"") -> list[str]:
        """Say a line to the test's end, then bytes on the line; the rows that it answers with."""
        for end, said in ((self.test, step.encode() + b"\n"), (self.line, data)):
            end.setblocking(True)
            end.sendall(said)
            end.setblocking(False)
        return self._answer()

    def _answer(self) -> list[str]:
        rows: list[str] = []
        while True:
            while b"\n" in self._pending:
                row, _, self._pending = self._pending.partition(b"\n")
                if row == b".":
                    return rows
                rows.append(row.decode())
            for key, _ in self._selector.select(START_S):
                data = key.fileobj.recv(65536)  # type: ignore[union-attr]
                assert data, "the emulator has ended"
                if key.fileobj is self.test:
                    self._pending += data
                else:
                    self._received += data
            assert self._run.poll() is None, "the emulator has ended"

    def received(self) -> bytes:
        """All that the board has sent: what it answered before its last row is there."""
        while True:
            try:
                data = self.line.recv(65536)
            except BlockingIOError:
                break
            if not data:
                break
            self._received += data
        data, self._received = bytes(self._received), bytearray()
        return data

    def close(self) -> None:
        self._run.kill()
        self._run.wait()
        self._selector.close()
        self.line.close()
        self.test.close()
        shutil.rmtree(self._folder)


@dataclass
class EmulatedBoard(CoreBoard):
    """The board in an `Emulator`, with the methods of the simulated board."""

    chip: str = "stm32f405"

    def __post_init__(self) -> None:
        self._rate, self._ahead_s = 1 + self.drift_ppm * 1e-6, self.ahead_s
        self._levels = {("light", 0): 255, ("lamp", 0): 255}
        self._volts, self._stuck, self._sent = 12.0, set(), 0
        self._ticks = round(self.ahead_s * TICKS_PER_S)
        self._emulator = Emulator(self.program, self.chip)
        self._start()

    def _start(self) -> None:
        self._emulator.ask("B")
        self._emulator.ask("L")
        self.reset(0.0)
        self.log.clear()

    def reset(self, now_s: float, power_lost: bool = False, hung_s: float = 0.0) -> None:
        """The chip starts anew: its outputs low, its clock where ours is."""
        assert hung_s == 0.0, "the emulator's chips have no watchdog"
        self.advance(now_s)
        if power_lost:
            self._emulator.ask("N")
        self._emulator.ask(f"X {self._ticks % WRAP}")
        self._emulator.received()
        self._sent = 0
        for output, channel in self.on_channels.copy():
            self._switched(output, channel, 0, self._ticks % WRAP)

    def _say(self, step: str) -> bytes:
        word, _, value = step.partition(" ")
        if word == "bytes":
            return self._feed(bytes.fromhex(value))
        short = {"pass": "P", "idle": "I", "volts": "V", "stop": "S"}
        short |= {"rain": "R", "dry": "D", "jam": "J", "free": "F"}
        rows = self._emulator.ask(f"{short[word]} {value}".strip())
        if word == "stop":
            # A button is believed when it has not bounced for 20 ms.
            self._ticks += 250
            rows += self._emulator.ask("P 250")
        self._take(rows)
        return self._emulator.received()

    def _feed(self, data: bytes) -> bytes:
        """Bytes of the line: no more at once than the board's buffer holds, as none has a baud."""
        for at in range(0, len(data), 256):
            part = data[at : at + 256]
            self._sent += len(part)
            self._take(self._emulator.ask(f"W {self._sent % WRAP}", part))
        return self._emulator.received()

    def _take(self, rows: list[str]) -> None:
        for row in rows:
            output, channel, level, ticks = row.split()
            self._switched(output, int(channel), int(level), int(ticks))

    def quiet(self) -> None:
        """Tell no more of what is switched: what a real board does not do is not measured."""
        self._emulator.ask("Q")

    def measured(self) -> tuple[int, float, float]:
        """Ticks since the last time, the longest and the mean of their work in instructions."""
        _, count, most, mean = self._emulator.ask("M")[0].split()
        return int(count), int(most) / FINE[self.chip], int(mean) / FINE[self.chip]

    def close(self) -> None:
        self._emulator.close()

"""A chip's emulated CPU, by Unicorn: it runs an image by ticks, and registers are Python's.

What the CPU's own part of the chip does is here, from the ARMv6-M and ARMv7-M Architecture
Reference Manuals: exceptions by the vector table, the tick, and deep sleep, from which a
pending interrupt wakes it though interrupts are locked out. A chip's model gives its registers.
"""

from __future__ import annotations

import re
import struct
import subprocess
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import unicorn
from unicorn import arm_const as arm

from callresp.link.board import FIRMWARE

PPB = 0xE0000000
SYST_CSR, SYST_RVR = 0xE010, 0xE014
NVIC_ISER, NVIC_ICER, NVIC_ICPR = 0xE100, 0xE180, 0xE280
DWT_CYCCNT = 0xE0001004
VTOR, SCR, SLEEPDEEP = 0xED08, 0xED10, 4
SYSTICK = 15
RETURN_AT = 0x0FFF_0100
WAIT_FOR_INTERRUPT = b"\x30\xbf"
KEPT = (
    *range(arm.UC_ARM_REG_R0, arm.UC_ARM_REG_R0 + 13),
    arm.UC_ARM_REG_SP, arm.UC_ARM_REG_LR, arm.UC_ARM_REG_PC, arm.UC_ARM_REG_CPSR,
)  # fmt: skip


def rested_memory(folder: Path, base: int) -> bytes:
    """What a board keeps over a restart, of coils and motors that have rested.

    Rows of four values, a mark and a checksum: CRC-32 (the catalogue's CRC-32/ISO-HDLC, as zlib
    has it), of the limits begun with the firmware's number for the mark.

    Parameters
    ----------
    folder
        With ``firmware.elf`` and ``firmware.bin``.
    base
        The address of the image's first byte.
    """
    words = ["arm-none-eabi-nm", "-S", str(folder / "firmware.elf")]
    told = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    found = re.search(r"^(\w+) (\w+) \w cr_limits_(\d+)_(\d+)_", told, re.MULTILINE)
    assert found is not None
    at, size = (int(number, 16) for number in found.groups()[:2])
    limits = (folder / "firmware.bin").read_bytes()[at - base : at - base + size]
    mark, rows = zlib.crc32(limits, FIRMWARE), 1 + sum(map(int, found.groups()[2:]))
    data = b""
    for place in range(rows):
        row = struct.pack("<5I", 0, 0, 0, 0, (mark + place) % 2**32)
        data += row + struct.pack("<I", zlib.crc32(row))
    return data


@dataclass
class Cortex:
    """The CPU; `us` is the true time.

    `kept` is in the memory that no start clears. `sent` are bytes of the line, `levels`
    changes of pins (µs, pin, level).
    `naps` counts deep sleeps; `enabled` are the interrupts that are on. A tick comes every
    `step_us`, and so many instructions after it.
    """

    us: float = 0.0
    kept: bytes = b""
    sent: bytearray = field(default_factory=bytearray)
    levels: list[tuple[float, int, int]] = field(default_factory=list)
    private: dict[int, int] = field(default_factory=dict)
    enabled: set[int] = field(default_factory=set)
    naps: int = 0
    cycles: int = 0
    tick_instructions: int = 1500
    step_us: int = 100
    line_irq: int = 0
    cpu_model: int | None = None

    def _make(self, windows: Sequence[tuple[int, int]]) -> unicorn.Uc:
        self._received = bytearray()
        self._asleep = False
        self._at = self._within_us = 0
        self._cpu = cpu = unicorn.Uc(
            unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS
        )
        if self.cpu_model is not None:
            cpu.ctl_set_cpu_model(self.cpu_model)
        cpu.mem_map(RETURN_AT & ~0xFFF, 0x1000)  # where handlers return to
        for base, size in (*windows, (PPB, 0x10000)):
            cpu.mmio_map(base, size, self._reader(base), None, self._writer(base), None)
        return cpu

    def kept_now(self) -> bytes:
        """The memory that no start clears."""
        return bytes(self._cpu.mem_read(self.kept_at, 1024))

    def _reader(self, base: int) -> Callable[..., int]:
        return lambda _cpu, offset, _size, _data: self._look(base + offset) & 0xFFFFFFFF

    def _writer(self, base: int) -> Callable[..., None]:
        return lambda _cpu, offset, _size, value, _data: self._put(base + offset, value)

    def _look(self, at: int) -> int:
        if at == DWT_CYCCNT:
            # Reading it and comparing take some cycles (ARMv7-M, C1.8.8: it counts them).
            self.cycles = (self.cycles + 6) & 0xFFFFFFFF
            return self.cycles
        return self.private.get(at - PPB, 0) if at >= PPB else self._read(at)

    def _put(self, at: int, value: int) -> None:
        if at < PPB:
            self._write(at, value)
            return
        offset = at - PPB
        for base, change in ((NVIC_ISER, self.enabled.add), (NVIC_ICER, self.enabled.discard)):
            for number in range(32) if base <= offset < base + 32 else ():
                if value >> number & 1:
                    change(8 * (offset - base) + number)
        self.private[offset] = value

    def _now_us(self) -> int:
        """What a counter of microseconds reads: within a tick, each reading of it takes one."""
        self._within_us = min(self._within_us + 1, self.step_us - 1)
        return int(self.us) + self._within_us

    def _read(self, at: int) -> int:
        raise NotImplementedError

    def _write(self, at: int, value: int) -> None:
        raise NotImplementedError

    def _time_passes(self, us: float) -> None:
        """What the chip's clocks and watchdog do in `us`."""

    def _wakes(self) -> bool:
        """Whether an interrupt is pending that is on."""
        raise NotImplementedError

    def _falls_asleep(self) -> None:
        """What deep sleep stops."""

    def _line_moves(self) -> None:
        """A byte comes from the line while the chip sleeps: what it sees of it."""

    def _run(self, instructions: int) -> None:
        if self._asleep:
            if not self._wakes():
                return
            self._asleep = False
        self._cpu.emu_start(self._at, 0xFFFFFFFE, count=instructions)
        at = self._cpu.reg_read(arm.UC_ARM_REG_PC)
        # It stops at the instruction, or behind it.
        if bytes(self._cpu.mem_read(at, 2)) == WAIT_FOR_INTERRUPT:
            at += 2
        waits = bytes(self._cpu.mem_read(at - 2, 2)) == WAIT_FOR_INTERRUPT
        if waits and self.private.get(SCR, 0) & SLEEPDEEP:
            self._asleep = True
            self.naps += 1
            self._falls_asleep()
        self._at = at | 1

    def _interrupt(self, number: int) -> None:
        """Call a handler of the vector table, unless interrupts are locked out."""
        if self._cpu.reg_read(arm.UC_ARM_REG_PRIMASK) or self._asleep:
            return
        at = self.private.get(VTOR, self.vectors_at) + 4 * number
        (handler,) = struct.unpack("<I", self._cpu.mem_read(at, 4))
        kept = [self._cpu.reg_read(register) for register in KEPT]
        self._cpu.reg_write(arm.UC_ARM_REG_LR, RETURN_AT | 1)
        self._cpu.reg_write(arm.UC_ARM_REG_SP, (kept[13] - 64) & ~7)
        self._cpu.emu_start(handler | 1, RETURN_AT, count=1_000_000)
        assert self._cpu.reg_read(arm.UC_ARM_REG_PC) == RETURN_AT
        for register, value in zip(KEPT, kept, strict=True):
            self._cpu.reg_write(register, value)

    vectors_at: int = 0
    kept_at: int = 0

    def start(self) -> None:
        """Run from the ROM's end until the tick is set up."""
        for _ in range(2000):
            if self.private.get(SYST_CSR, 0) & 2:
                return
            self._run(3000)
            self.us += 50
            self._time_passes(50)
        raise AssertionError("the program never set up its tick")

    def run(self, until_us: float, line: Sequence[tuple[float, bytes]] = ()) -> None:
        """Let time pass; `line` has bytes that come at times from now."""
        begun, coming = self.us, sorted(line)
        while self.us - begun < until_us:
            self.us += self.step_us
            self._within_us = 0
            self._time_passes(self.step_us)
            while coming and coming[0][0] <= self.us - begun:
                data = coming.pop(0)[1]
                if self._asleep:
                    self._line_moves()
                else:
                    self._received += data
            if self._received or self.us % 1000 < self.step_us:
                self._interrupt(self.line_irq)
            if self.private.get(SYST_CSR, 0) & 1:
                self._interrupt(SYSTICK)
            self._run(self.tick_instructions)

"""An RP2040 as far as its board layer can tell: ROM, registers, interrupts, on an emulated CPU.

The CPU is Unicorn's Cortex-M0+; the registers are modelled here from the chip's data
sheet, not from the layer. The ROM's part is done as the sheet tells (2.8.1): take the
UF2 blocks, copy 256 bytes to 0x20041F00, check their sum, start them.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import unicorn
from unicorn import arm_const as arm

FLASH, RAM, BOOT = 0x10000000, 0x20000000, 0x20041F00
APB, SIO, SSI, PPB = 0x40000000, 0xD0000000, 0x18000000, 0xE0000000
RESETS, RESET_DONE = 0x4000C000, 0x4000C008
CLK_REF_CTRL, CLK_REF_SELECTED = 0x40008030, 0x40008038
CLK_SYS_CTRL, CLK_SYS_SELECTED = 0x4000803C, 0x40008044
XOSC_STATUS, PLL_SYS_CS = 0x40024004, 0x40028000
ADC_CS, ADC_RESULT, TIMERAWL = 0x4004C000, 0x4004C004, 0x40054028
UART0_DR, UART0_FR, RX_EMPTY = 0x40034000, 0x40034018, 0x10
IO_CTRL, IO_INTR, IO_INTS = 0x40014004, 0x400140F0, 0x40014120
PWM_CC, PWM_EVERY = 0x4005000C, 0x14
GPIO_IN = 0xD0000004
SYST_CSR, SYST_RVR, VTOR = 0xE010, 0xE014, 0xED08
SYSTICK, IRQ_IO, IRQ_UART0 = 15, 16 + 13, 16 + 20
RETURN_AT = 0x100
RESET_ALL = 0x01FFFFFF
WAIT_FOR_INTERRUPT = b"\x30\xbf"
KEPT = (
    *range(arm.UC_ARM_REG_R0, arm.UC_ARM_REG_R0 + 13),
    arm.UC_ARM_REG_SP, arm.UC_ARM_REG_LR, arm.UC_ARM_REG_PC, arm.UC_ARM_REG_CPSR,
)  # fmt: skip


def flash_of(uf2: Path) -> bytes:
    """What the ROM writes into the flash: the data of each 512-byte block, at its address."""
    data = uf2.read_bytes()
    flash = bytearray(b"\xff" * 0x200000)
    for start in range(0, len(data), 512):
        at, size = struct.unpack_from("<2I", data, start + 12)
        flash[at - FLASH : at - FLASH + size] = data[start + 32 : start + 32 + size]
    return bytes(flash)


def checksum(data: bytes) -> int:
    """CRC-32 of the boot code, bit by bit (data sheet, 2.8.1.3.1)."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = ((crc << 1) ^ (0x04C11DB7 if crc >> 31 else 0)) & 0xFFFFFFFF
    return crc


@dataclass
class Rp2040:
    """The chip, started from a UF2 file; `us` is its clock.

    `levels` are changes of pins (µs, pin, level), `pwm` those of PWM registers (µs,
    slice, value), `functions` those of pins' functions (µs, pin, function).
    """

    uf2: Path
    us: float = 0.0
    adc: int = 0
    sent: bytearray = field(default_factory=bytearray)
    levels: list[tuple[float, int, int]] = field(default_factory=list)
    pwm: list[tuple[float, int, int]] = field(default_factory=list)
    functions: list[tuple[float, int, int]] = field(default_factory=list)
    private: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        flash = flash_of(self.uf2)
        boot = flash[:256]
        assert struct.unpack("<I", boot[252:])[0] == checksum(boot[:252])
        self._registers: dict[int, int] = {}
        self._received = bytearray()
        self._pins, self._edges = 0, dict[int, int]()
        self._flash_ready = False
        self._cpu = cpu = unicorn.Uc(
            unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS
        )
        cpu.mem_map(RAM, 0x42000)
        cpu.mem_write(BOOT, boot)
        cpu.mem_map(FLASH, len(flash))
        cpu.mem_write(FLASH, flash)
        cpu.mem_map(0, 0x1000)  # where handlers return to
        for base, size in ((APB, 0x80000), (SIO, 0x1000), (SSI, 0x1000), (PPB, 0x10000)):
            cpu.mmio_map(base, size, self._reader(base), None, self._writer(base), None)
        cpu.reg_write(arm.UC_ARM_REG_SP, BOOT - 256)
        self._at = BOOT | 1

    def _reader(self, base: int) -> Callable[..., int]:
        return lambda _cpu, offset, _size, _data: self._read(base + offset)

    def _writer(self, base: int) -> Callable[..., None]:
        return lambda _cpu, offset, _size, value, _data: self._write(base, offset, value)

    def _read(self, at: int) -> int:
        own = self._registers.get
        if at >= PPB:
            return self.private.get(at - PPB, 0)
        if at == UART0_DR:
            return self._received.pop(0) if self._received else 0
        if IO_INTS <= at < IO_INTS + 16:
            return self._edges.get(at - IO_INTS, 0)
        told = {
            TIMERAWL: int(self.us) & 0xFFFFFFFF,
            RESET_DONE: ~own(RESETS, RESET_ALL) & RESET_ALL,
            XOSC_STATUS: 1 << 31,
            CLK_SYS_SELECTED: 1 << (own(CLK_SYS_CTRL, 0) & 1),
            CLK_REF_SELECTED: 1 << (own(CLK_REF_CTRL, 0) & 3),
            PLL_SYS_CS: own(PLL_SYS_CS, 0) | 1 << 31,
            ADC_CS: own(ADC_CS, 0) | 1 << 8,
            ADC_RESULT: self.adc,
            GPIO_IN: 0x3FFFFFFF,  # all pulled up
            UART0_FR: 0 if self._received else RX_EMPTY,
        }
        return told.get(at, own(at, 0))

    def _write(self, base: int, offset: int, value: int) -> None:
        if base == PPB:
            self.private[offset] = value
        elif base == SIO:
            self._drive(offset, value)
        else:
            alias = offset >> 12 & 3 if base == APB else 0
            at = base + (offset & ~0x3000 if base == APB else offset)
            before = self._registers.get(at, RESET_ALL if at == RESETS else 0)
            after = (value, before ^ value, before | value, before & ~value)[alias]
            self._registers[at] = after
            self._watch(at, before, after, value)

    def _watch(self, at: int, before: int, after: int, value: int) -> None:
        if at == UART0_DR:
            self.sent.append(value & 0xFF)
        elif IO_INTR <= at < IO_INTR + 16:
            self._edges[at - IO_INTR] = self._edges.get(at - IO_INTR, 0) & ~value
        elif IO_CTRL <= at < IO_INTR and (at - IO_CTRL) % 8 == 0 and before != after:
            self.functions.append((self.us, (at - IO_CTRL) // 8, after))
        elif PWM_CC <= at < PWM_CC + 8 * PWM_EVERY and (at - PWM_CC) % PWM_EVERY == 0:
            self.pwm.append((self.us, (at - PWM_CC) // PWM_EVERY, after))

    def _drive(self, offset: int, value: int) -> None:
        after = {0x14: self._pins | value, 0x18: self._pins & ~value}.get(offset, self._pins)
        for pin in range(30):
            if (after ^ self._pins) >> pin & 1:
                self.levels.append((self.us, pin, after >> pin & 1))
        self._pins = after

    def register(self, at: int) -> int:
        """What was written to a register last."""
        return self._registers.get(at, 0)

    def _run(self, instructions: int) -> None:
        self._cpu.emu_start(self._at, 0xFFFFFFFE, count=instructions)
        at = self._cpu.reg_read(arm.UC_ARM_REG_PC)
        if bytes(self._cpu.mem_read(at, 2)) == WAIT_FOR_INTERRUPT:
            at += 2
        self._at = at | 1

    def _interrupt(self, number: int) -> None:
        """Call a handler of the vector table, unless interrupts are locked out."""
        if self._cpu.reg_read(arm.UC_ARM_REG_PRIMASK):
            return
        at = self.private[VTOR] + 4 * number
        (handler,) = struct.unpack("<I", self._cpu.mem_read(at, 4))
        kept = [self._cpu.reg_read(register) for register in KEPT]
        self._cpu.reg_write(arm.UC_ARM_REG_LR, RETURN_AT | 1)
        self._cpu.reg_write(arm.UC_ARM_REG_SP, (kept[13] - 64) & ~7)
        self._cpu.emu_start(handler | 1, RETURN_AT, count=1_000_000)
        assert self._cpu.reg_read(arm.UC_ARM_REG_PC) == RETURN_AT
        for register, value in zip(KEPT, kept, strict=True):
            self._cpu.reg_write(register, value)

    def start(self) -> None:
        """Run from the ROM's end until the tick is set up."""
        for _ in range(2000):
            if self.private.get(SYST_CSR, 0) & 2:
                return
            self._run(3000)
            self.us += 50
        raise AssertionError("the program never set up its tick")

    def run(self, until_us: float, line: Sequence[tuple[float, bytes]] = ()) -> None:
        """Let time pass by ticks of 100 µs; `line` has bytes that come at times from now."""
        begun, coming = self.us, sorted(line)
        while self.us - begun < until_us:
            self.us += 100
            while coming and coming[0][0] <= self.us - begun:
                self._received += coming.pop(0)[1]
            if self._received or int(self.us) % 1000 == 0:
                self._interrupt(IRQ_UART0)
            self._interrupt(SYSTICK)
            self._run(1500)

    def edge(self, pin: int, high: bool) -> None:
        """An edge at a pin, of those whose interrupt is on."""
        register, bit = 4 * (pin // 8), (8 if high else 4) << pin % 8 * 4
        if self.register(0x40014100 + register) & bit:
            self._edges[register] = self._edges.get(register, 0) | bit
            self._interrupt(IRQ_IO)

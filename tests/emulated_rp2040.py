"""An RP2040 as far as its board layer can tell: ROM, registers, interrupts, on an emulated CPU.

The CPU is Unicorn's Cortex-M0+; the registers are modelled here from the chip's data
sheet, not from the layer. The ROM's part is done as the sheet tells (2.8.1): take the
UF2 blocks, copy 256 bytes to 0x20041F00, check their sum, start them.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from pathlib import Path

import unicorn
from emulated_cortex import SCR, SYST_CSR, SYST_RVR, VTOR, Cortex
from i2c_parts import I2cBus
from unicorn import arm_const as arm

__all__ = ["SCR", "SYST_CSR", "SYST_RVR", "VTOR", "Rp2040"]

FLASH, RAM, BOOT = 0x10000000, 0x20000000, 0x20041F00
APB, SIO, SSI = 0x40000000, 0xD0000000, 0x18000000
RESETS, RESET_DONE = 0x4000C000, 0x4000C008
CLK_REF_CTRL, CLK_REF_SELECTED = 0x40008030, 0x40008038
CLK_SYS_CTRL, CLK_SYS_SELECTED = 0x4000803C, 0x40008044
SLEEP_EN0, SLEEP_EN1 = 0x400080A8, 0x400080AC
# Clocks that must go on in its sleep: of pins, timer, watchdog (data sheet, 2.15.7).
SLEEP0_IO, SLEEP1_TIMER, SLEEP1_WATCHDOG = 1 << 8, 1 << 5, 1 << 12
XOSC_STATUS, PLL_SYS_CS, PLL_SYS_PWR = 0x40024004, 0x40028000, 0x40028004
ADC_CS, ADC_RESULT = 0x4004C000, 0x4004C004
ALARM0, ARMED, TIMERAWL, TIMER_INTR, TIMER_INTE = (
    0x40054010, 0x40054020, 0x40054028, 0x40054034, 0x40054038,
)  # fmt: skip
WATCHDOG_CTRL, WATCHDOG_LOAD, WATCHDOG_REASON = 0x40058000, 0x40058004, 0x40058008
UART0_DR, UART0_FR, RX_EMPTY = 0x40034000, 0x40034018, 0x10
IO_CTRL, IO_INTR, IO_INTE, IO_INTS = 0x40014004, 0x400140F0, 0x40014100, 0x40014120
PWM_CC, PWM_EVERY = 0x4005000C, 0x14
GPIO_IN, OUT_SET, OUT_CLR, OE_SET, OE_CLR = (
    0xD0000004, 0xD0000014, 0xD0000018, 0xD0000024, 0xD0000028,
)  # fmt: skip
IRQ_ALARM, IRQ_IO, IRQ_UART0 = 0, 13, 20
EXCEPTIONS = 16
EDGE_LOW, EDGE_HIGH = 4, 8
RESET_ALL = 0x01FFFFFF
PINS_HIGH = 0x3FFFFFFF


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
class Rp2040(Cortex):
    """The chip, started from a UF2 file.

    `pwm` are changes of PWM registers (µs, slice, value), `functions` those of pins'
    functions (µs, pin, function), `edges` those of pins' levels (cycles, pin, level). `bus`
    hangs on the pins `bus_pins`, SDA and SCL.
    """

    uf2: Path = Path()
    adc: int = 0
    pwm: list[tuple[float, int, int]] = field(default_factory=list)
    functions: list[tuple[float, int, int]] = field(default_factory=list)
    bus: I2cBus | None = None
    bus_pins: tuple[int, int] = (4, 5)
    low_pins: int = 0  # held low from outside: buttons
    edges: list[tuple[int, int, int]] = field(default_factory=list)
    line_irq: int = EXCEPTIONS + IRQ_UART0
    kept_at: int = RAM + 0x3FC00
    hung: bool = False  # whether its watchdog made this start

    def __post_init__(self) -> None:
        flash = flash_of(self.uf2)
        boot = flash[:256]
        assert struct.unpack("<I", boot[252:])[0] == checksum(boot[:252])
        self._registers: dict[int, int] = {}
        self._pins, self._outputs, self._edges = 0, 0, dict[int, int]()
        self._watched_us: float | None = None
        cpu = self._make(((APB, 0x80000), (SIO, 0x1000), (SSI, 0x1000)))
        cpu.mem_map(RAM, 0x42000)
        cpu.mem_write(self.kept_at, self.kept)
        cpu.mem_write(BOOT, boot)
        cpu.mem_map(FLASH, len(flash))
        cpu.mem_write(FLASH, flash)
        cpu.reg_write(arm.UC_ARM_REG_SP, BOOT - 256)
        self._at = BOOT | 1

    def _read(self, at: int) -> int:
        own = self._registers.get
        if at == UART0_DR:
            return self._received.pop(0) if self._received else 0
        if IO_INTS <= at < IO_INTS + 16:
            return self._edges.get(at - IO_INTS, 0)
        if at == TIMERAWL:
            return self._now_us() & 0xFFFFFFFF
        told = {
            RESET_DONE: ~own(RESETS, RESET_ALL) & RESET_ALL,
            XOSC_STATUS: 1 << 31,
            CLK_SYS_SELECTED: 1 << (own(CLK_SYS_CTRL, 0) & 1),
            CLK_REF_SELECTED: 1 << (own(CLK_REF_CTRL, 0) & 3),
            PLL_SYS_CS: own(PLL_SYS_CS, 0) | 1 << 31,
            ADC_CS: own(ADC_CS, 0) | 1 << 8,
            ADC_RESULT: self.adc,
            GPIO_IN: self._levels_in(),
            WATCHDOG_REASON: int(self.hung),
            UART0_FR: 0 if self._received else RX_EMPTY,
        }
        return told.get(at, own(at, 0))

    def _levels_in(self) -> int:
        levels = PINS_HIGH & ~self.low_pins & ~(self._outputs & ~self._pins)
        if self.bus is not None and not self.bus.sda:
            levels &= ~(1 << self.bus_pins[0])
        return levels

    def _write(self, at: int, value: int) -> None:
        if at >= SIO:
            self._drive(at, value)
            return
        alias = at >> 12 & 3 if at >= APB else 0
        at = at & ~0x3000 if at >= APB else at
        before = self._registers.get(at, RESET_ALL if at == RESETS else 0)
        after = (value, before ^ value, before | value, before & ~value)[alias]
        self._registers[at] = after
        self._watch(at, before, after, value)

    def _watch(self, at: int, before: int, after: int, value: int) -> None:
        if at == UART0_DR:
            self.sent.append(value & 0xFF)
        elif at == ALARM0:
            self._registers[ARMED] = 1
        elif at == TIMER_INTR:
            self._registers[TIMER_INTR] = before & ~value
        elif at == WATCHDOG_LOAD:
            self._watched_us = self.us
        elif IO_INTR <= at < IO_INTR + 16:
            self._edges[at - IO_INTR] = self._edges.get(at - IO_INTR, 0) & ~value
        elif IO_CTRL <= at < IO_INTR and (at - IO_CTRL) % 8 == 0 and before != after:
            self.functions.append((self.us, (at - IO_CTRL) // 8, after))
        elif PWM_CC <= at < PWM_CC + 8 * PWM_EVERY and (at - PWM_CC) % PWM_EVERY == 0:
            self.pwm.append((self.us, (at - PWM_CC) // PWM_EVERY, after))

    def _drive(self, at: int, value: int) -> None:
        self.cycles -= 1  # a single-cycle port
        after = {OUT_SET: self._pins | value, OUT_CLR: self._pins & ~value}.get(at, self._pins)
        for pin in range(30):
            if (after ^ self._pins) >> pin & 1:
                self.levels.append((self.us, pin, after >> pin & 1))
                self.edges.append((self.cycles, pin, after >> pin & 1))
        self._pins = after
        outputs = {OE_SET: self._outputs | value, OE_CLR: self._outputs & ~value}
        self._outputs = outputs.get(at, self._outputs)
        if self.bus is not None:
            low = self._outputs & ~self._pins
            for pin in self.bus_pins:
                assert not (self._outputs & self._pins) >> pin & 1, "driven high"
            self.bus.drive(*(not low >> pin & 1 for pin in self.bus_pins))

    def count_cycles(self, begin: int, end: int) -> None:
        """Count the clock cycles of the code between two addresses, from its RAM.

        Cortex-M0+ Technical Reference Manual (DDI 0484), table 3-1: one an instruction, two for a
        load or store (one to the SIO, which is a single-cycle port) and for a branch that is
        taken, three for a call.
        """
        branch_ends = 0

        def step(cpu: unicorn.Uc, at: int, size: int, _: object) -> None:
            nonlocal branch_ends
            self.cycles += int(branch_ends not in (0, at))
            (code,) = struct.unpack("<H", cpu.mem_read(at, 2))
            moves = code >> 12 in (5, 6, 7, 8, 9) or code >> 11 == 0b01001
            branches = code >> 12 == 0b1101 or code >> 11 == 0b11100
            self.cycles += 3 if size == 4 else 2 if moves else 1
            branch_ends = at + size if branches else 0

        self._cpu.hook_add(unicorn.UC_HOOK_CODE, step, begin=begin, end=end)

    def register(self, at: int) -> int:
        """What was written to a register last."""
        return self._registers.get(at, 0)

    def _time_passes(self, us: float) -> None:
        if not self._asleep or self.register(SLEEP_EN1) & SLEEP1_TIMER:
            gone = (int(self.us) - self.register(ALARM0)) & 0xFFFFFFFF
            if self.register(ARMED) and gone < 0x80000000:
                self._registers[ARMED] = 0
                self._registers[TIMER_INTR] = self.register(TIMER_INTR) | 1
        if self.register(WATCHDOG_CTRL) >> 30 & 1 and self._watched_us is not None:
            # It counts down twice a microsecond (RP2040-E1).
            left_us = self.register(WATCHDOG_LOAD) / 2 - (self.us - self._watched_us)
            assert left_us > 0, "the watchdog was not fed"

    def _wakes(self) -> bool:
        alarm = self.register(TIMER_INTR) & self.register(TIMER_INTE) & 1
        edges = any(self._edges.values())
        return bool((alarm and IRQ_ALARM in self.enabled) or (edges and IRQ_IO in self.enabled))

    def _falls_asleep(self) -> None:
        """The loop must be off before, and its watchdog and timer must go on."""
        assert self.register(CLK_SYS_CTRL) & 1 == 0
        assert self.register(PLL_SYS_PWR) & 1
        assert self.register(SLEEP_EN1) & SLEEP1_WATCHDOG

    def _line_moves(self) -> None:
        if self.register(SLEEP_EN0) & SLEEP0_IO:
            self.edge(1, high=False)

    def edge(self, pin: int, high: bool) -> None:
        """An edge at a pin, of those whose interrupt is on."""
        register, bit = 4 * (pin // 8), (EDGE_HIGH if high else EDGE_LOW) << pin % 8 * 4
        if self.register(IO_INTE + register) & bit:
            self._edges[register] = self._edges.get(register, 0) | bit
            self._interrupt(EXCEPTIONS + IRQ_IO)

"""An STM32F405 as far as its board layer can tell: registers and interrupts, on an emulated CPU.

The CPU is Unicorn's Cortex-M4. The registers are modelled from RM0090, not from the layer: clock
ready bits, GPIO, timers that count and put out, USART1, ADC1, EXTI with its masks and edges, the
wake-up timer behind its write protection, backup registers behind theirs, the watchdog, and STOP
mode, which takes all clocks but the 32 kHz one (5.3.4, 7.2, 12.2, 21.3, 26.3.3, 26.3.15).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from emulated_cortex import Cortex
from i2c_parts import I2cBus
from unicorn import arm_const as arm

FLASH, RAM, PERIPHERALS = 0x08000000, 0x20000000, 0x40000000
VECTORS = 16
RCC_CR, RCC_PLLCFGR, RCC_CFGR, RCC_APB1ENR, RCC_BDCR, RCC_CSR = (
    0x40023800, 0x40023804, 0x40023808, 0x40023840, 0x40023870, 0x40023874,
)  # fmt: skip
PWR_CR, PWR_CSR = 0x40007000, 0x40007004
RTC_CR, RTC_ISR, RTC_WUTR, RTC_WPR, RTC_BKP0R = (
    0x40002808, 0x4000280C, 0x40002814, 0x40002824, 0x40002850,
)  # fmt: skip
IWDG_KR, IWDG_PR, IWDG_RLR = 0x40003000, 0x40003004, 0x40003008
EXTI_IMR, EXTI_RTSR, EXTI_FTSR, EXTI_PR = 0x40013C00, 0x40013C08, 0x40013C0C, 0x40013C14
SYSCFG_EXTICR3 = 0x40013810
TIM5_CNT, TIM5_PSC = 0x40000C24, 0x40000C28
USART1_SR, USART1_DR, USART1_BRR = 0x40011000, 0x40011004, 0x40011008
ADC1_SR, ADC1_CR2, ADC1_SQR3, ADC1_DR = 0x40012000, 0x40012008, 0x40012034, 0x4001204C
TIMERS = {
    1: 0x40010000, 2: 0x40000000, 3: 0x40000400, 4: 0x40000800, 8: 0x40010400, 9: 0x40014000,
    10: 0x40014400, 11: 0x40014800, 12: 0x40001800, 13: 0x40001C00, 14: 0x40002000,
}  # fmt: skip
GPIO, GPIO_EVERY, PORTS = 0x40020000, 0x400, 4
MODER, PUPDR, IDR, ODR, BSRR = 0x00, 0x0C, 0x10, 0x14, 0x18
LSIRDY, WUTF, WUTE, WUTIE, WUTWF = 1 << 1, 1 << 10, 1 << 10, 1 << 14, 1 << 2
PVD_LINE, WAKE_LINE = 16, 22
PVD_IRQ, WAKE_IRQ, EXTI15_10_IRQ, USART1_IRQ = 1, 3, 40, 37
RX_PIN = 10  # PA10


def pin_number(name: str) -> int:
    """16 times the port, and the pin."""
    return 16 * "ABCD".index(name[1]) + int(name[2:])


@dataclass
class Stm32f405(Cortex):
    """The chip, started from the flash's content.

    `pwm` are changes of compare registers (µs, timer, channel, value), `edges` those of pins
    by the cycle counter. `lsi_hz` is what its
    32 kHz oscillator really does; `failing` a supply below the detector's threshold. Backup
    registers given are those of the run before.
    """

    flash: Path = Path()
    adc: dict[int, int] = field(default_factory=dict)
    pwm: list[tuple[float, int, int, int]] = field(default_factory=list)
    edges: list[tuple[int, int, int]] = field(default_factory=list)
    bus: I2cBus | None = None
    bus_pins: tuple[int, int] = (pin_number("PB7"), pin_number("PB6"))
    low_pins: set[int] = field(default_factory=set)  # held low from outside
    lsi_hz: float = 32_000.0
    failing: bool = False
    backup: dict[int, int] = field(default_factory=dict)
    encoder_counts: int = 0
    hung: bool = False  # whether its watchdog made this start
    line_irq: int = VECTORS + USART1_IRQ
    vectors_at: int = FLASH
    kept_at: int = RAM + 0x1FC00
    cpu_model: int | None = arm.UC_CPU_ARM_CORTEX_M4
    tick_instructions: int = 2500

    def __post_init__(self) -> None:
        self._registers: dict[int, int] = dict(self.backup)
        self._rtc_unlocked = 0
        self._wake_us = self._fed_us = 0.0
        self._counted_us = 0.0  # of timer 5
        self._watching = False
        image = self.flash.read_bytes()
        cpu = self._make(((PERIPHERALS, 0x80000),))
        cpu.mem_map(FLASH, 0x100000)
        cpu.mem_write(FLASH, image)
        cpu.mem_map(RAM, 0x20000)
        cpu.mem_write(self.kept_at, self.kept)
        cpu.reg_write(arm.UC_ARM_REG_SP, int.from_bytes(image[:4], "little"))
        self._at = int.from_bytes(image[4:8], "little")

    # Reading

    def _read(self, at: int) -> int:
        own = self._registers.get(at, 0)
        if at == TIM5_CNT:
            self._within_us = min(self._within_us + 1, self.step_us - 1)
            return int(self._counted_us) + self._within_us
        if at == USART1_DR:
            return self._received.pop(0) if self._received else 0
        if GPIO <= at < GPIO + PORTS * GPIO_EVERY and (at - GPIO) % GPIO_EVERY == IDR:
            return self._levels_in((at - GPIO) // GPIO_EVERY)
        ready = {
            RCC_CR: own | (own & 1 << 16) << 1 | (own & 1 << 24) << 1 | 3,
            RCC_CFGR: own | (own & 3) << 2,
            RCC_CSR: own | (own & 1) << 1 | (0 if own >> 24 & 1 else self.hung << 29),
            PWR_CSR: own | (4 if self.failing else 0),
            RTC_ISR: own | (0 if self._registers.get(RTC_CR, 0) & WUTE else WUTWF),
            USART1_SR: 0xC0 | (0x20 if self._received else 0),
            ADC1_SR: own | 2,
            ADC1_DR: self.adc.get(self._registers.get(ADC1_SQR3, 0), 0),
            TIMERS[3] + 0x24: self.encoder_counts,
        }
        return ready.get(at, own)

    def _levels_in(self, port: int) -> int:
        level = 0xFFFF  # pulled up, inside or outside
        moder, odr = (self._registers.get(GPIO + port * GPIO_EVERY + r, 0) for r in (MODER, ODR))
        for n in range(16):
            pin = 16 * port + n
            drives_low = moder >> 2 * n & 3 == 1 and not odr >> n & 1
            bus_low = self.bus is not None and pin == self.bus_pins[0] and not self.bus.sda
            if drives_low or bus_low or pin in self.low_pins:
                level &= ~(1 << n)
        return level

    # Writing

    def _write(self, at: int, value: int) -> None:
        before = self._registers.get(at, 0)
        if at == USART1_DR:
            self.sent.append(value & 0xFF)
        elif at in (RTC_CR, RTC_WUTR, RTC_WPR, RTC_ISR):
            self._write_rtc(at, before, value)
        elif at in (RTC_BKP0R, RCC_BDCR):
            if self._registers.get(PWR_CR, 0) >> 8 & 1:
                self._registers[at] = value
                if at == RCC_BDCR and value >> 16 & 1:
                    self._registers[RTC_BKP0R] = 0
        elif at == EXTI_PR:
            self._registers[at] = before & ~value
        elif at == IWDG_KR:
            self._watching = self._watching or value == 0xCCCC
            self._fed_us = self.us if value in (0xAAAA, 0xCCCC) else self._fed_us
        elif GPIO <= at < GPIO + PORTS * GPIO_EVERY:
            self._gpio((at - GPIO) // GPIO_EVERY, (at - GPIO) % GPIO_EVERY, value)
        else:
            self._registers[at] = value
            self._note_pwm(at, before, value)

    def _write_rtc(self, at: int, before: int, value: int) -> None:
        if at == RTC_WPR:
            keys = (0xCA, 0x53)
            right = self._rtc_unlocked < 2 and value == keys[self._rtc_unlocked]
            self._rtc_unlocked = self._rtc_unlocked + 1 if right else 0
            return
        if at == RTC_ISR:
            assert not value & 1 << 7, "the calendar would stop"
            self._registers[at] = before & value  # flags are cleared by zeros
            return
        assert self._rtc_unlocked == 2, "the RTC is write-protected"
        assert self._registers.get(PWR_CR, 0) >> 8 & 1, "so is the backup domain"
        self._registers[at] = value
        if at == RTC_WUTR:
            assert not self._registers.get(RTC_CR, 0) & WUTE
        elif value & WUTE and not before & WUTE:
            self._wake_us = self.us + self._wake_period_us()

    def _gpio(self, port: int, register: int, value: int) -> None:
        base = GPIO + port * GPIO_EVERY
        if register == BSRR:
            before = self._registers.get(base + ODR, 0)
            after = (before & ~(value >> 16)) | value & 0xFFFF
            self._registers[base + ODR] = after
            for n in range(16):
                if (after ^ before) >> n & 1:
                    self.levels.append((self.us, 16 * port + n, after >> n & 1))
                    self.edges.append((self.cycles, 16 * port + n, after >> n & 1))
        else:
            self._registers[base + register] = value
        if self.bus is not None and port == self.bus_pins[0] // 16:
            self._drive_bus(base)

    def _drive_bus(self, base: int) -> None:
        assert self.bus is not None
        free = []
        for pin in self.bus_pins:
            output = self._registers.get(base + MODER, 0) >> 2 * (pin % 16) & 3 == 1
            assert not (output and self._registers.get(base + ODR, 0) >> pin % 16 & 1), "driven"
            free.append(not output)
        self.bus.drive(*free)

    def _note_pwm(self, at: int, before: int, value: int) -> None:
        for timer, base in TIMERS.items():
            if base + 0x34 <= at <= base + 0x40 and before != value:
                self.pwm.append((self.us, timer, (at - base - 0x34) // 4 + 1, value))

    def register(self, at: int) -> int:
        """What a register holds."""
        return self._registers.get(at, 0)

    # Time

    def _wake_period_us(self) -> float:
        divider = (16, 8, 4, 2)[self.register(RTC_CR) & 3]
        assert self.register(RCC_BDCR) >> 8 & 3 == 2, "not by the 32 kHz oscillator"
        assert self.register(RCC_BDCR) >> 15 & 1, "the RTC has no clock"
        return (self.register(RTC_WUTR) + 1) * divider / self.lsi_hz * 1e6

    def _time_passes(self, us: float) -> None:
        if not self._asleep:
            self._counted_us += us
        if self.register(RTC_CR) & WUTE and self.us >= self._wake_us:
            self._wake_us += self._wake_period_us()
            rises = not self.register(RTC_ISR) & WUTF
            self._registers[RTC_ISR] = self.register(RTC_ISR) | WUTF
            if self.register(RTC_CR) & WUTIE and rises:
                self._edge(WAKE_LINE, EXTI_RTSR)
        if self._watching:
            stands_us = 4 * 2 ** self.register(IWDG_PR) * (self.register(IWDG_RLR) + 1)
            stands_us = stands_us / self.lsi_hz * 1e6
            assert self.us - self._fed_us < stands_us, "the watchdog was not fed"

    def _edge(self, line: int, register: int) -> None:
        if self.register(register) >> line & 1:
            self._registers[EXTI_PR] = self.register(EXTI_PR) | 1 << line

    def _wakes(self) -> bool:
        pending = self.register(EXTI_PR) & self.register(EXTI_IMR)
        lines = ((PVD_LINE, PVD_IRQ), (WAKE_LINE, WAKE_IRQ), (RX_PIN, EXTI15_10_IRQ))
        return any(pending >> line & 1 and irq in self.enabled for line, irq in lines)

    def _falls_asleep(self) -> None:
        """STOP: the crystal and the loop are off after it, and its own oscillator is on."""
        assert self.register(PWR_CR) & 3 == 1, "STOP with the regulator low, not STANDBY"
        self._registers[RCC_CR] = self.register(RCC_CR) & ~(1 << 16 | 1 << 24)
        self._registers[RCC_CFGR] = self.register(RCC_CFGR) & ~3

    def _line_moves(self) -> None:
        source = self.register(SYSCFG_EXTICR3) >> 8 & 15
        if source == 0:  # port A, line 10
            self._edge(RX_PIN, EXTI_FTSR)

    def supply_fails(self) -> None:
        """The detector trips: its line rises."""
        self.failing = True
        self._edge(PVD_LINE, EXTI_RTSR)
        pending = self.register(EXTI_PR) & self.register(EXTI_IMR)
        if pending >> PVD_LINE & 1 and PVD_IRQ in self.enabled:
            self._interrupt(VECTORS + PVD_IRQ)

    def cpu_hz(self) -> float:
        """By the loop's dividers (7.3.2), from a crystal of 8 MHz."""
        told = self.register(RCC_PLLCFGR)
        m, n, p = told & 63, told >> 6 & 511, (told >> 16 & 3) * 2 + 2
        assert self.register(RCC_CFGR) & 3 == 2
        return 8e6 / m * n / p

"""An I2C bus with parts on it, as their data sheets have them: UM10204 bit by bit.

Sources: UM10204 (start, stop, acknowledge); SHT3x-DIS (4.4, 4.12: no answer to a read before
the measurement is there); BH1750FVI (measurement of 180 ms at most); SBAS444 (pointer, config
and conversion registers, C383 of bits OS, MUX 100, PGA 001, MODE, DR 100, COMP_QUE 11).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol


class Part(Protocol):
    """One part: what it does with what is written to it, and what it answers."""

    def written(self, data: bytes, us: float) -> None:
        """A whole write has come."""

    def answer(self, us: float) -> bytes | None:
        """What a read gives; `None` where it doesn't acknowledge it."""


@dataclass
class Sht31:
    """Its readings as on the wire, their checksums included."""

    reading: bytes = b"\xbe\xef\x92\xbe\xef\x92"
    ready_us: float | None = None

    def written(self, data: bytes, us: float) -> None:
        if data == b"\x24\x00":
            self.ready_us = us + 15_500

    def answer(self, us: float) -> bytes | None:
        if self.ready_us is None or us < self.ready_us:
            return None
        self.ready_us = None
        return self.reading


@dataclass
class Bh1750:
    """A light meter that is asked for one measurement at a time."""

    raw: int = 0x8390
    ready_us: float = 0.0
    value: int = 0

    def written(self, data: bytes, us: float) -> None:
        if data == b"\x20":
            self.ready_us = us + 180_000

    def answer(self, us: float) -> bytes | None:
        if us >= self.ready_us:
            self.value = self.raw
        return self.value.to_bytes(2, "big")


@dataclass
class Ads1115:
    """One conversion at a time of the voltage at AIN0."""

    volts: float = 3.2
    pointer: int = 0
    ready_us: float = 0.0
    value: int = 0

    def written(self, data: bytes, us: float) -> None:
        self.pointer = data[0]
        if len(data) == 3 and self.pointer == 1:
            config = int.from_bytes(data[1:], "big")
            # Start, AIN0 against ground, +-4.096 V, single shot, comparator off.
            assert config & 0xFF03 == 0xC303, hex(config)
            self.ready_us = us + 8_000

    def answer(self, us: float) -> bytes | None:
        if us >= self.ready_us:
            self.value = round(self.volts / 4.096 * 32768)
        return self.value.to_bytes(2, "big", signed=True) if self.pointer == 0 else b"\x80\x00"


@dataclass
class I2cBus:
    """Follows both lines; the master's levels are set by `drive`, the data line read by `sda`."""

    parts: dict[int, Part]
    now_us: Callable[[], float]
    heard: list[tuple[str, int, bytes]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._master = self._level = self._scl = True
        self._part_high = True
        self._idle()

    def _idle(self) -> None:
        self._state, self._bits, self._data = "idle", 0, bytearray()
        self._count = 0
        self._address: int | None = None
        self._answer = b""

    @property
    def sda(self) -> bool:
        return self._master and self._part_high

    def drive(self, sda: bool, scl: bool) -> None:
        """The master lets each line go (true) or holds it low."""
        if scl != self._scl and sda != self._master:
            raise AssertionError("both lines change at once")
        if scl != self._scl:
            self._scl = scl
            (self._rises if scl else self._falls)()
        elif sda != self._master:
            before = self.sda
            self._master = sda
            if self._scl and before != self.sda:
                (self._stops if sda else self._starts)()

    def _starts(self) -> None:
        self._end_write()
        self._idle()
        self._state = "address"

    def _stops(self) -> None:
        self._end_write()
        self._idle()

    def _end_write(self) -> None:
        if self._state == "write" and self._address is not None:
            self.heard.append(("write", self._address, bytes(self._data)))
            if self._data:
                self.parts[self._address].written(bytes(self._data), self.now_us())

    def _rises(self) -> None:
        if self._state in ("address", "write") and self._count < 8:
            self._bits = self._bits << 1 & 0xFF | self.sda
            self._count += 1
        elif self._state == "read" and self._count == 8:
            # The master's acknowledge: low asks for more.
            if self.sda:
                self._state = "idle"
            self._answer = self._answer[1:]
            self._count = 9
        elif self._state == "read":
            self._count += 1
        else:
            self._count += 1

    def _falls(self) -> None:
        if self._state == "idle":
            self._part_high = True
        elif self._state == "read":
            if self._count == 9:
                self._count = 0
            bit = 7 - self._count
            sending = self._count < 8 and bool(self._answer)
            self._part_high = not sending or bool(self._answer[0] >> bit & 1)
        elif self._count == 8:
            self._part_high = not self._takes_byte()
            self._count = 9 if self._state != "idle" else 0
        elif self._count >= 9:
            self._part_high = True
            self._count = 0
            if self._state == "reading":
                self._state = "read"
                self._part_high = bool(self._answer[0] >> 7 & 1)

    def _takes_byte(self) -> bool:
        """The acknowledge of a byte that has come."""
        if self._state == "write":
            self._data.append(self._bits)
            return True
        address, reads = self._bits >> 1, self._bits & 1
        part = self.parts.get(address)
        self._address = address
        if part is None:
            self._state = "idle"
            return False
        if not reads:
            self._state = "write"
            return True
        answer = part.answer(self.now_us())
        self.heard.append(("read", address, answer or b""))
        self._answer = answer or b""
        self._state = "reading" if answer else "idle"
        return bool(answer)

"""The core in C as a board in simulated time, with the methods of the simulated board.

So that one test runs against both, with the same true time and the same bytes.
"""

from __future__ import annotations

import subprocess
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from firmware_helpers import built, lines

from callresp.link.board import SwitchRow
from callresp.link.messages import NO_AIR, NO_BYTE, NO_LUX, TICKS_PER_S, SensorReadings
from callresp.palette.model import Palette

WRAP = 1 << 32


@dataclass
class CoreBoard:
    """Runs ``step_board.c``; times are those of `callresp.link.board.SimulatedBoard`."""

    program: Path
    palette: Palette
    drift_ppm: float = 0.0
    ahead_s: float = 0.0
    dry_run: bool = False
    log: list[SwitchRow] = field(default_factory=list)
    on_channels: set[tuple[str, int]] = field(default_factory=set)

    def __post_init__(self) -> None:
        self._run = subprocess.Popen(
            [str(self.program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self._rate, self._ahead_s = 1 + self.drift_ppm * 1e-6, self.ahead_s
        self._levels: dict[tuple[str, int], int] = {}
        self._volts = 12.0
        self._stuck = set[int]()
        self._ticks = round(self.ahead_s * TICKS_PER_S)
        self._pipe(self._run.stdin).write(lines(self.palette, self.dry_run))
        self._say(f"start {self._ticks % WRAP}")
        self.log.clear()

    @staticmethod
    def _pipe(pipe: IO[str] | None) -> IO[str]:
        assert pipe is not None
        return pipe

    def reset(self, now_s: float, power_lost: bool = False, hung_s: float = 0.0) -> None:
        """Start anew; with its power lost, also what it keeps over a reset."""
        self.advance(now_s)
        if power_lost:
            self._say("lose 165")
        self._say(f"restart {self._ticks % WRAP} {round(hung_s * TICKS_PER_S)}")

    def step(self, step: str) -> bytes:
        """A step of ``step_board.c``: damage to what it keeps, or ticks, also missed ones."""
        word, _, ticks = step.partition(" ")
        if word in ("pass", "hang", "leap"):
            self._ticks += int(ticks)
        return self._say(step)

    def _say(self, step: str) -> bytes:
        to, back = self._pipe(self._run.stdin), self._pipe(self._run.stdout)
        to.write(f"{step}\n")
        to.flush()
        sent: list[str] = []
        while (row := back.readline().split()) != ["."]:
            assert row, "the core has ended: see its sanitizer's words above"
            if row[0] == "sent":
                sent.append(row[1])
            else:
                self._switched(row[0], int(row[1]), int(row[2]), int(row[3]))
        return bytes.fromhex("".join(sent))

    def _switched(self, output: str, channel: int, level: int, ticks: int) -> None:
        was = self._levels.get((output, channel), 0)
        self._levels[output, channel] = level
        if (level > 0) == (was > 0):
            return
        # The tick is known to the wrap: the true one is the last that it can have been.
        true = self._ticks - (self._ticks - ticks) % WRAP
        did = "on" if level else "off"
        row = SwitchRow(board_s=true / TICKS_PER_S, channel=channel, output=output, did=did)
        self.log.append(row)
        if output in ("coil", "motor"):
            (self.on_channels.add if level else self.on_channels.discard)((output, channel))

    def clock_s(self, now_s: float) -> float:
        return self.ahead_s + now_s * self._rate

    def advance(self, now_s: float) -> bytes:
        ticks = int(self.clock_s(now_s) * TICKS_PER_S + 1e-6)
        gone, self._ticks = ticks - self._ticks, max(ticks, self._ticks)
        return self._say(f"pass {gone}") if gone > 0 else b""

    def receive(self, data: bytes, now_s: float) -> bytes:
        out = self.advance(now_s)
        return out + self._say(f"bytes {data.hex()}") if data else out

    def idle(self, now_s: float) -> bytes:
        """As `advance`, for hours in which nothing is on."""
        ticks = int(self.clock_s(now_s) * TICKS_PER_S + 1e-6)
        gone, self._ticks = ticks - self._ticks, ticks
        return self._say(f"idle {gone}")

    def press_stop(self, now_s: float) -> bytes:
        return self.advance(now_s) + self._say("stop")

    def sense_rain(self, rains: bool) -> None:
        self._say("rain" if rains else "dry")

    @property
    def volts(self) -> float:
        return self._volts

    @volts.setter
    def volts(self, volts: float) -> None:
        self._volts = volts
        self._say(f"volts {round(volts * 1000)}")

    @property
    def stuck(self) -> set[int]:
        return set(self._stuck)

    @stuck.setter
    def stuck(self, motors: set[int]) -> None:
        for motor in self._stuck ^ motors:
            self._say(f"{'jam' if motor in motors else 'free'} {motor}")
        self._stuck = set(motors)

    @property
    def sensed(self) -> SensorReadings | None:
        raise AttributeError("only set")

    @sensed.setter
    def sensed(self, read: SensorReadings) -> None:
        lux = NO_LUX if read.lux is None else read.lux
        air = NO_AIR if read.air_c is None else round(read.air_c * 100)
        humidity = NO_BYTE if read.humidity_pct is None else read.humidity_pct
        rain = NO_BYTE if read.rain is None else int(read.rain)
        self._say(f"sense {lux} {air} {humidity} {rain}")

    def close(self) -> None:
        self._pipe(self._run.stdin).close()
        # A sanitizer's finding is a status other than 0.
        assert self._run.wait() == 0
        self._pipe(self._run.stdout).close()


def core_program(folder: Path) -> Path:
    return built(folder, "step_board.c")

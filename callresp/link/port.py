"""Ports: a serial line, or a simulated board behind a real pseudo-terminal.

The only module of the link, with `stream`, that knows files, processes and
clocks.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec

from callresp.errors import UserError
from callresp.palette.model import Palette

BAUD = 115_200


class Clock:
    """Steady time that may run `speed` times as fast as the wall's."""

    def __init__(self, speed: float = 1.0) -> None:
        self.speed = speed
        self._start_s = time.monotonic()

    def now_s(self) -> float:
        """Seconds since the clock was made, times its speed."""
        return (time.monotonic() - self._start_s) * self.speed


def open_port(url: str) -> Any:
    """Open a serial port, or any address that pyserial knows (``socket://…``).

    Raises
    ------
    UserError
        When it is not there or is in use.
    """
    import serial

    try:
        return serial.serial_for_url(url, baudrate=BAUD, timeout=0, write_timeout=5, exclusive=True)
    except ValueError as fault:
        if "exclusive" not in str(fault):
            raise UserError(str(fault), where=url, remedy="see callresp ports") from fault
        return serial.serial_for_url(url, baudrate=BAUD, timeout=0, write_timeout=5)
    except (serial.SerialException, OSError) as fault:
        reason = os.strerror(fault.errno) if fault.errno else str(fault)
        raise UserError(
            f"can't open this port ({reason})", where=url, remedy="check the cable and the name"
        ) from fault


@contextmanager
def simulated_board(
    palette: Palette,
    log: Path | None = None,
    speed: float = 1.0,
    drift_ppm: float = 37.0,
    dry_run: bool = False,
) -> Iterator[str]:
    """Run a simulated board in a process of its own; yield the name of its port.

    Parameters
    ----------
    palette
        Its channels and limits.
    log
        Where it writes what its channels did, a JSON object a line.
    speed
        How many times as fast as the wall's its time runs; give the host the same.
    drift_ppm
        Of its clock.
    dry_run
        Whether it lights lamps instead of switching coils and motors.
    """
    words = [
        sys.executable,
        "-m",
        "callresp.link.simulator",
        f"--speed={speed}",
        f"--drift={drift_ppm}",
    ]
    if dry_run:
        words.append("--dry-run")
    if log is not None:
        words.append(f"--log={log}")
    served = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert served.stdin is not None
    assert served.stdout is not None
    try:
        served.stdin.write(msgspec.json.encode(palette) + b"\n")
        served.stdin.flush()
        name = served.stdout.readline().decode().strip()
        if not name:
            raise UserError("the simulated board did not start", remedy="see its error above")
        yield name
    finally:
        # Closing its input tells it to write its log and end.
        served.stdin.close()
        try:
            served.wait(timeout=10)
        except subprocess.TimeoutExpired:
            served.kill()
        served.stdout.close()

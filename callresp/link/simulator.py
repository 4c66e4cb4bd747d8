"""A simulated board behind a real pseudo-terminal, or a socket where there is none.

`board_in_step` keeps it in this process, by a clock that goes on as the host asks for the
time: on a busy computer both are late together, and neither loses the other. `simulated_board`
starts one in a process of its own, by the wall's clock, for hosts that have to do with real
sound; it reads the palette as a line of JSON, prints the port's name, and serves until its
standard input closes. There an ``s`` presses the stop on the board, ``r`` and ``d`` are its
rain sensor's wet and dry.
"""

from __future__ import annotations

import argparse
import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import msgspec

from callresp.errors import UserError
from callresp.io.files import write_text
from callresp.io.score_files import line
from callresp.link.board import SimulatedBoard
from callresp.link.port import Clock
from callresp.link.signals import ENDING
from callresp.palette.model import Palette

# A timer's grain: what happens within it still happens at its own time.
POLL_S = 0.001
# Without word from its host a board lets go after 50 ms at the earliest; a host says something
# between any few readings of its clock.
MOST_STEP_S = 0.005
# The board's clock has been running for a while when the host first asks.
POWERED_FOR_S = 1234.5
DRIFT_PPM = 37.0


class ClockInStep(Clock):
    """A clock that takes a board along: whoever reads it has the board do what is due by then.

    It runs `speed` times as fast as the wall's, yet no more than `MOST_STEP_S` between two
    readings.
    """

    def __init__(self, board: SimulatedBoard, connect: Callable[[], Ends], speed: float) -> None:
        super().__init__(speed)
        self._board, self._connect = board, connect
        self._ends: Ends | None = None
        self._wall_s = self._now_s = 0.0

    def now_s(self) -> float:
        """Seconds since the clock was made, as far as it has gone on."""
        wall_s = super().now_s()
        self._now_s += min(wall_s - self._wall_s, MOST_STEP_S)
        self._wall_s = wall_s
        self._ends = self._ends or self._connect()
        handle, read, write = self._ends
        data = read() if select.select([handle], [], [], 0)[0] else b""
        out = self._board.receive(data, self._now_s)
        if out:
            write(out)
        return self._now_s

    def end(self) -> None:
        """Let the board hear its host's last word, if it had a host."""
        if self._ends is not None:
            self.now_s()


@contextmanager
def board_in_step(
    palette: Palette, log: Path | None = None, speed: float = 1.0
) -> Iterator[tuple[str, Clock]]:
    """A simulated board in this process: the name of its port, and the clock that its host reads.

    Parameters
    ----------
    palette
        Its channels and limits.
    log
        Where to write what its channels did, a JSON object a line.
    speed
        How many times as fast as the wall's its time runs at most.

    Raises
    ------
    UserError
        At the end when the log could not be written.
    """
    board = SimulatedBoard(palette, drift_ppm=DRIFT_PPM, ahead_s=POWERED_FOR_S)
    try:
        with _line() as (name, connect):
            clock = ClockInStep(board, connect, speed)
            yield name, clock
            clock.end()
    finally:
        if log is not None:
            _write_log(log, board)


@contextmanager
def simulated_board(
    palette: Palette,
    log: Path | None = None,
    speed: float = 1.0,
    drift_ppm: float = DRIFT_PPM,
    dry_run: bool = False,
) -> Iterator[str]:
    """Run a simulated board in a process of its own; yield the name of its port.

    Parameters
    ----------
    palette, log
        As of `board_in_step`.
    speed
        How many times as fast as the wall's its time runs; give the host the same.
    drift_ppm
        Of its clock.
    dry_run
        Whether it lights lamps instead of switching coils and motors.

    Raises
    ------
    UserError
        When the board does not start, or at the end when its log could not be written.
    """
    words = [sys.executable, "-m", "callresp.link.simulator"]
    words += [f"--speed={speed}", f"--drift={drift_ppm}"]
    words += ["--dry-run"] * dry_run + ([] if log is None else [f"--log={log}"])
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
    if log is not None and served.returncode != 0:
        raise UserError(
            "could not write what the simulated board did",
            where=str(log),
            remedy="free some space, or choose another folder",
        )


def main() -> None:
    """Serve until standard input closes, then write the log."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--log", type=Path)
    parser.add_argument("--speed", type=float, default=1.0)
    parser.add_argument("--drift", type=float, default=0.0)
    parser.add_argument("--dry-run", action="store_true")
    words = parser.parse_args()
    # A signal to the whole terminal is the host's to answer: it stops everything first, then
    # closes our input.
    for number in ENDING:
        signal.signal(number, signal.SIG_IGN)
    palette = msgspec.json.decode(sys.stdin.buffer.readline(), type=Palette)
    board = SimulatedBoard(
        palette, drift_ppm=words.drift, ahead_s=POWERED_FOR_S, dry_run=words.dry_run
    )
    try:
        with _line() as (name, connect):
            print(name, flush=True)
            _serve(board, Clock(words.speed), connect())
    finally:
        if words.log is not None:
            try:
                _write_log(words.log, board)
            except UserError:
                # The host, which the user runs, tells it in a line of its own.
                sys.exit(1)


def _write_log(path: Path, board: SimulatedBoard) -> None:
    write_text(path, "".join(line(row) + "\n" for row in board.log))


# A handle to wait for, reading, and writing.
Ends = tuple[int, Callable[[], bytes], Callable[[bytes], None]]


@contextmanager
def _line() -> Iterator[tuple[str, Callable[[], Ends]]]:
    """The name of a new line, and what waits for its host and gives the board's end of it."""
    # Some systems have no pseudo-terminals, and a container may be given none.
    try:
        own, other = os.openpty()
    except (AttributeError, OSError):
        with socket.create_server(("127.0.0.1", 0)) as listener:
            yield f"socket://127.0.0.1:{listener.getsockname()[1]}", lambda: _accepted(listener)
        return
    import tty

    # Raw at both ends, or the terminal would translate some bytes.
    tty.setraw(own)
    tty.setraw(other)
    ends = own, lambda: os.read(own, 4096), lambda data: _write_all(own, data)
    try:
        yield os.ttyname(other), lambda: ends
    finally:
        os.close(own)
        os.close(other)


def _accepted(listener: socket.socket) -> Ends:
    line_end, _ = listener.accept()
    return line_end.fileno(), lambda: line_end.recv(4096), line_end.sendall


def _write_all(handle: int, data: bytes) -> None:
    while data:
        data = data[os.write(handle, data) :]


def _serve(board: SimulatedBoard, clock: Clock, ends: Ends) -> None:
    handle, read, write = ends
    stdin = sys.stdin.fileno()
    while True:
        ready, _, _ = select.select([handle, stdin], [], [], POLL_S)
        data = b""
        pressed = os.read(stdin, 1) if stdin in ready else None
        if pressed == b"":
            return
        if handle in ready:
            with suppress(OSError):
                data = read()
        now_s = clock.now_s()
        out = board.receive(data, now_s) if data else board.advance(now_s)
        if pressed == b"s":
            out += board.press_stop(now_s)
        elif pressed in (b"r", b"d"):
            board.sense_rain(pressed == b"r")
        if out:
            write(out)


if __name__ == "__main__":
    main()

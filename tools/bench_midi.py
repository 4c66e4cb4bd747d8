"""MIDI: from a key to its coil, beside a bare echo of MIDI.

    python tools/bench_midi.py --keys 300

A client of python-rtmidi presses keys through a JACK server on its
dummy driver; `callresp play` runs as users run it, with a board on a
pseudo-terminal whose clock we know. The peer is a bare echo in the same run: how
long a message takes through the same server, and how long the frame of a stroke
takes on a line of 115,200 baud (ten bits a byte) is the line's own time.
"""

from __future__ import annotations

import os
import random
import statistics
import subprocess
import sys
import threading
import time
import tty
from importlib import import_module
from pathlib import Path
from typing import Any

import click
import msgspec
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from bench_table import Table
from jack_server import jack_server

from callresp.link.board import SimulatedBoard
from callresp.link.framing import frame
from callresp.link.messages import StrikeAt
from callresp.link.port import BAUD
from callresp.palette.files import load_palette

FETTLE = load_palette("fettle")
WAIT_S = 30.0


class Board:
    """A simulated board on a pseudo-terminal, whose clock is the bench's own."""

    def __init__(self) -> None:
        self.board = SimulatedBoard(FETTLE, drift_ppm=0.0, ahead_s=0.0)
        self._own, other = os.openpty()
        tty.setraw(self._own)
        tty.setraw(other)
        self.url = os.ttyname(other)
        os.set_blocking(self._own, False)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._ended.is_set():
            data = b""
            try:
                data = os.read(self._own, 4096)
            except (BlockingIOError, OSError):
                time.sleep(0.0005)
            out = self.board.receive(data, time.monotonic())
            while out:
                try:
                    out = out[os.write(self._own, out) :]
                except BlockingIOError:
                    time.sleep(0.0005)

    def close(self) -> None:
        """Serve no more."""
        self._ended.set()
        self._thread.join()


def latency(keys: int) -> Table:
    """From a key to its coil, and a bare echo of MIDI, in turns through one JACK server."""
    table = Table(f"from a key to its coil, {keys} keys", ("ms", "median", "95 %", "worst", "of"))
    coils = {item.coil.channel for item in FETTLE.striker}
    with pytest.MonkeyPatch.context() as patch, jack_server(patch):
        rtmidi: Any = import_module("rtmidi")
        board = Board()
        words = [sys.executable, "-m", "callresp", "play", "--port", board.url, "--yes", "--json"]
        words += ["--midi-in", "Keys", "--virtual"]
        with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as played:
            assert played.stderr is not None
            while b"playing" not in played.stderr.readline():
                pass
            echoed: list[float] = []
            listener = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "Echo")
            listener.open_virtual_port("in")
            listener.set_callback(lambda event, data: echoed.append(time.monotonic()))
            to_echo, to_play = _client(rtmidi, "Echo"), _client(rtmidi, "Keys")
            time.sleep(1.0)
            pressed, bare = [], []
            rng = random.Random(1)
            for n in range(keys):
                key = (84, 86, 88, 89, 91)[n % 5]
                pressed.append(time.monotonic())
                to_play.send_message([0x90, key, 100])
                time.sleep(0.05 + 0.01 * rng.random())
                before, sent_s = len(echoed), time.monotonic()
                to_echo.send_message([0x90, key, 100])
                time.sleep(0.05 + 0.01 * rng.random())
                bare += [at_s - sent_s for at_s in echoed[before : before + 1]]
                to_play.send_message([0x80, key, 0])
            time.sleep(1.0)
            played.send_signal(2)
            out, _ = played.communicate(timeout=WAIT_S)
        told = msgspec.json.decode(out)
        on = [r.board_s for r in board.board.log if r.did == "on" and r.channel in coils]
        board.close()
    waits = _waits(pressed, on)
    line_s = 10 * len(frame(StrikeAt(0, 0, 0, 100).pack())) / BAUD
    own_s = statistics.median(bare) + line_s
    for name, values in (
        ("key to coil", waits),
        ("peer: bare echo of MIDI", bare),
        ("key to coil beyond the line's own time", [wait - own_s for wait in waits]),
    ):
        ordered = sorted(1000 * value for value in values)
        middle, most = ordered[len(ordered) // 2], ordered[int(0.95 * len(ordered))]
        table.add(name, middle, most, ordered[-1], len(ordered))
    table.notes.append(
        f"the line's own time: the echo's median and {1000 * line_s:.2f} ms of bytes"
    )
    table.notes.append(f"struck {told['struck']} of {keys}; changed: {told['changed']}")
    return table


def _waits(pressed: list[float], on: list[float]) -> list[float]:
    """From each key to the next coil, where one went on before the next key."""
    found = []
    for place, at_s in enumerate(pressed):
        until_s = pressed[place + 1] if place + 1 < len(pressed) else at_s + 1
        found += [coil_s - at_s for coil_s in on if at_s <= coil_s < until_s][:1]
    return found


def _client(rtmidi: Any, name: str) -> Any:
    client = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, f"to {name}")
    until_s = time.monotonic() + WAIT_S
    while time.monotonic() < until_s:
        for number, port in enumerate(client.get_ports()):
            if port.startswith(name) or f":{name}" in port:
                client.open_port(number)
                return client
        time.sleep(0.05)
    raise SystemExit(f"no port {name}")


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--keys", default=200, show_default=True, help="Pressed.")
def main(keys: int) -> None:
    """Print how long a key takes to its coil."""
    click.echo(latency(keys).text())


if __name__ == "__main__":
    main()

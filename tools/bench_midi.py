"""MIDI: from a key to its coil, the import of a long file, clocks followed and sent.

    python tools/bench_midi.py                     all of it
    python tools/bench_midi.py latency --keys 300  key to coil, beside a bare echo of MIDI
    python tools/bench_midi.py import              10,000 notes imported and planned
    python tools/bench_midi.py clock               a MIDI clock followed, and sent

Latency: a client of python-rtmidi presses keys through a JACK server on its
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
import tempfile
import threading
import time
import tty
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import click
import mido
import msgspec
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from bench_table import Table
from jack_server import jack_server

from callresp.link.board import SimulatedBoard
from callresp.link.framing import frame
from callresp.link.messages import StrikeAt
from callresp.link.port import BAUD, Clock
from callresp.midi.clock import PER_BEAT, ClockFollower
from callresp.midi.clock_port import ClockOut
from callresp.midi.imported import import_midi
from callresp.midi.performance import perform
from callresp.midi.ports import open_port
from callresp.midi.smf import read_smf
from callresp.palette.files import load_palette
from callresp.plan.planner import make_plan

FETTLE = load_palette("fettle")
NOTES = 10_000
WAIT_S = 30.0


def importing() -> Table:
    """A piece of 10,000 notes."""
    path = Path(tempfile.mkdtemp()) / "piece.mid"
    rng = random.Random(2)
    piece = mido.MidiFile(type=1, ticks_per_beat=480)
    for _ in range(4):
        rows = mido.MidiTrack()
        for _ in range(NOTES // 4):
            key = rng.randrange(84, 100)
            on = mido.Message("note_on", note=key, velocity=rng.randrange(30, 120))
            rows.append(on.copy(time=rng.randrange(400)))
            rows.append(mido.Message("note_off", note=key, time=rng.randrange(10, 200)))
        piece.tracks.append(rows)
    piece.save(path)
    table = Table(f"a piece of {NOTES:,} notes (best of 3)", ("step", "s", "CPU s"))
    rows_of: list[tuple[str, Callable[[], object]]] = [
        ("peer: mido reads the file", lambda: mido.MidiFile(path)),
        ("callresp reads the file", lambda: perform(read_smf(path))),
        ("import", lambda: import_midi(path, FETTLE)),
        ("import and check", lambda: make_plan(import_midi(path, FETTLE).reply, FETTLE)),
    ]
    for name, step in rows_of:
        times = []
        for _ in range(3):
            began, cpu = time.perf_counter(), time.process_time()
            step()
            times.append((time.perf_counter() - began, time.process_time() - cpu))
        table.add(name, *min(times))
    return table


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


def clocks(seconds: float = 30.0) -> list[Table]:
    """A clock followed, in simulated time; and one sent, through a JACK server."""
    return [_followed(), _sent(seconds)]


def _followed() -> Table:
    table = Table(
        "a clock of 120 beats a minute followed for ten simulated minutes: half a beat ahead",
        (
            "its drift ppm",
            "its lateness ms",
            "off ms, median",
            "off ms, 99 %",
            "peer, median",
            "peer, 99 %",
        ),
    )
    for ppm, late_ms in ((0, 0.0), (100, 1.0), (-100, 3.0), (100, 10.0)):
        rng, follower = random.Random(1), ClockFollower()
        each_s = 60 / 120 / PER_BEAT * (1 + ppm * 1e-6)
        follower.take(0.0, b"\xfa")
        ours, peers, ticks = [], [], []
        for n in range(PER_BEAT * 1200):
            at_s = n * each_s + rng.uniform(0.0, late_ms) / 1000
            ticks.append(at_s)
            follower.take(at_s, b"\xf8")
            if n < 200 or n % PER_BEAT:
                continue
            wanted_s = (n + 12) * each_s + late_ms / 2000
            told_s = follower.time_of((n + 12) / PER_BEAT)
            assert told_s is not None
            ours.append(abs(told_s - wanted_s))
            # The peer counts on from the last clock by the mean of the last beat's.
            peers.append(abs(at_s + 12 * (at_s - ticks[-1 - PER_BEAT]) / PER_BEAT - wanted_s))
        row = [1000 * value for values in (ours, peers) for value in _quantiles(values)]
        table.add(ppm, late_ms, *row)
    table.notes.append(
        "lateness: of each clock, evenly spread; its mean can't be known, and is left out"
    )
    table.notes.append("the peer goes on from the last clock by the mean of the last beat")
    return table


def _quantiles(values: list[float]) -> tuple[float, float]:
    ordered = sorted(values)
    return ordered[len(ordered) // 2], ordered[int(0.99 * len(ordered))]


def _sent(seconds: float) -> Table:
    table = Table(
        f"a clock sent for {seconds:g} s at 120 beats a minute, as another program hears it",
        ("sender", "clocks", "lost", "jitter ms", "drift ppm"),
    )
    with pytest.MonkeyPatch.context() as patch, jack_server(patch):
        rtmidi: Any = import_module("rtmidi")
        clock = Clock()

        def ours(port: Any) -> None:
            out = ClockOut(port, clock)
            out.set_pulse(clock.now_s(), 0.5)
            time.sleep(seconds)
            out.close()

        def bare(port: Any) -> None:
            began_s, number = time.monotonic(), 0
            while number < seconds * 2 * PER_BEAT:
                time.sleep(max(began_s + number * 0.5 / PER_BEAT - time.monotonic(), 0.0))
                port.send(mido.Message("clock"))
                number += 1
            port.close()

        for name, send in (("callresp", ours), ("peer: sleep and send", bare)):
            heard: list[float] = []
            port = open_port(f"Clock {name[:4]}", virtual=True)
            client = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, "sequencer")
            client.ignore_types(timing=False)
            client.set_callback(
                lambda event, data, heard=heard: (
                    event[0] == [0xF8] and heard.append(time.monotonic())
                )
            )
            client.open_port(next(n for n, p in enumerate(client.get_ports()) if "Clock" in p))
            send(port)
            time.sleep(0.3)
            client.close_port()
            client.delete()
            numbers = [round((at_s - heard[0]) / (0.5 / PER_BEAT)) for at_s in heard]
            slope, zero = statistics.linear_regression(numbers, heard)
            off = [at_s - zero - slope * n for n, at_s in zip(numbers, heard, strict=True)]
            drift = (slope / (0.5 / PER_BEAT) - 1) * 1e6
            lost = numbers[-1] + 1 - len(heard)
            table.add(name, len(heard), lost, 1000 * statistics.pstdev(off), drift)
    table.notes.append("lost: clocks that the server dropped, as a busy computer's does")
    return table


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
@click.argument("parts", nargs=-1)
@click.option("--keys", default=200, show_default=True, help="Pressed for the latency.")
def main(parts: tuple[str, ...], keys: int) -> None:
    """Print the parts that are asked for."""
    made: dict[str, Callable[[], list[Table]]] = {
        "latency": lambda: [latency(keys)],
        "import": lambda: [importing()],
        "clock": clocks,
    }
    for name in parts or made:
        for table in made[name]():
            click.echo(table.text())


if __name__ == "__main__":
    main()

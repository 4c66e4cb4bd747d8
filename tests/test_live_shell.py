"""The runner: threads, queues, a port that comes and goes, a disk that is full."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from live_helpers import FETTLE, MORNING, RATE_HZ, Scripted, silence
from test_live_engine import PROMPT, calls

from callresp.field import log as field_log
from callresp.field.log import log_rows
from callresp.io.score import Note
from callresp.link.port import Clock, simulated_board
from callresp.link.stop_request import request_stop, stop_file
from callresp.live import log_thread, port_link
from callresp.live.actions import Record, SaveSnippet
from callresp.live.engine import Clocks, LiveEngine, LiveSettings
from callresp.live.links import Link, NullLink
from callresp.live.log_thread import LogThread
from callresp.live.midi_link import MidiLink
from callresp.live.port_link import EngineOrigin, PortLink
from callresp.live.runner import Hooks, Runner
from callresp.live.sources import Block

SPEED = 3.0


class Paced:
    """Silent sound at its own pace, `SPEED` times the wall's; 0 gives it all at once."""

    sample_rate_hz = RATE_HZ

    def __init__(self, seconds: float, clock: Clock, pace: bool = True) -> None:
        self._seconds, self._clock, self._pace = seconds, clock, pace
        self.closed = threading.Event()

    def blocks(self) -> Iterator[Block]:
        begin_s = self._clock.now_s()
        for block in silence(self._seconds):
            if self.closed.is_set():
                return
            wait_s = begin_s + block.at_s + 0.005 - self._clock.now_s()
            if self._pace and wait_s > 0:
                time.sleep(wait_s / self._clock.speed)
            yield block

    def close(self) -> None:
        self.closed.set()


def engine_for(notes: list[Note], clock: Clock, **more: object) -> LiveEngine:
    clocks = Clocks(lambda: MORNING + timedelta(seconds=clock.now_s()), clock.now_s)
    settings = LiveSettings(**more)  # type: ignore[arg-type]
    return LiveEngine(FETTLE, PROMPT, Scripted(notes), RATE_HZ, clocks, settings)


def runner_for(
    engine: LiveEngine, source: Any, link: Link, clock: Clock, log: Path | None = None, **more: Any
) -> Runner:
    wall = lambda: MORNING + timedelta(seconds=clock.now_s())  # noqa: E731
    hooks = more.pop("hooks", Hooks())
    return Runner(engine, source, link, LogThread(log), hooks, clock, wall=wall, **more)


def test_through_a_real_port_every_command_is_played_on_time(tmp_path: Path) -> None:
    log, clock = tmp_path / "day.log", Clock(SPEED)
    engine = engine_for(calls(2), clock, needs_link=True)
    with simulated_board(FETTLE, speed=SPEED) as url:
        origin = EngineOrigin()
        link = PortLink(engine.player.empty_plan, url, origin, clock)
        runner_for(engine, Paced(12, clock), link, clock, log, origin=origin).run()
    commands = [entry.body for entry in log_rows(log, "command")]
    strikes = [row for row in commands if row["what"] == "strike"]
    assert len(strikes) == 6
    # A busy computer may be late with some, and then says so; none goes without a word.
    played = [row for row in strikes if row["fate"] == "executed"]
    assert played
    assert all(abs(row["played_s"] - row["at_s"]) < 1.0 for row in played)
    assert len(list(log_rows(log, "phrase"))) == 2
    walls = [datetime.fromisoformat(entry.wall) for entry in log_rows(log)]
    assert walls == sorted(walls)


def test_another_terminal_stops_it_and_is_told_so(tmp_path: Path) -> None:
    clock = Clock(SPEED)
    engine = engine_for(calls(8), clock, needs_link=True)
    told: list[str] = []
    with simulated_board(FETTLE, speed=SPEED) as url:
        origin, word = EngineOrigin(), stop_file(url)
        link = PortLink(engine.player.empty_plan, url, origin, clock)
        hooks = Hooks(
            say=told.append, stop=lambda: "stopped from another terminal" if word.exists() else None
        )
        runner = runner_for(engine, Paced(60, clock), link, clock, origin=origin, hooks=hooks)

        def run() -> None:
            runner.run()
            word.unlink(missing_ok=True)

        thread = threading.Thread(target=run)
        thread.start()
        while engine.now_s < 1.0:
            time.sleep(0.01)
        said = request_stop(url)
        thread.join(timeout=20)
    assert said == "the running stream has stopped everything"
    assert "stopped from another terminal" in told
    assert engine.now_s < 50


class Cable:
    """A port that can be pulled out; behind it nobody answers."""

    out = False

    def read(self, size: int) -> bytes:
        if self.out:
            raise OSError("device not configured")
        return b""

    def write(self, data: bytes) -> None:
        self.read(0)

    def flush(self) -> None: ...

    def close(self) -> None: ...


def test_a_pulled_cable_is_said_and_the_port_taken_up_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    cables = [Cable(), Cable()]
    opened: list[Cable] = []

    def open_port(url: str) -> Cable:
        opened.append(cables[len(opened)])
        return opened[-1]

    monkeypatch.setattr(port_link, "open_port", open_port)
    clock = Clock()
    engine = engine_for([], clock)
    link = PortLink(engine.player.empty_plan, "pulled", EngineOrigin(), clock)
    cables[0].out = True
    says: list[str] = []
    until = time.monotonic() + 5
    while len(says) < 2 and time.monotonic() < until:
        says += link.take_update().says
        time.sleep(0.005)
    link.close()
    assert "broke" in says[0]
    assert "is back" in says[1]


def test_a_full_queue_loses_sound_but_not_time() -> None:
    """The engine is away for a while: what did not fit comes back as one counted loss."""
    clock = Clock()
    engine = engine_for(calls(2), clock)
    gate = threading.Event()

    class Gated(Paced):
        def blocks(self) -> Iterator[Block]:
            yield from silence(5.0)
            gate.set()
            while not runner._blocks.empty():
                time.sleep(0.001)
            yield from silence(10.0, start_s=5.0)

    runner = runner_for(engine, Gated(0, clock, pace=False), NullLink(), clock)
    hear = threading.Thread(target=runner._hear)
    hear.start()
    gate.wait(10)
    while runner._turn():
        pass
    hear.join()
    runner.log.close()
    assert engine.overruns >= 1
    assert engine.now_s == pytest.approx(15.0)


def test_a_full_disk_is_said_and_nothing_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = [True]

    class Disk(field_log.FieldLog):
        def commit(self, at_s: float) -> bool:
            if not full[0]:
                return super().commit(at_s)
            self.trouble = "database or disk is full"
            self._last_commit_s = at_s
            return False

    monkeypatch.setattr(log_thread, "FieldLog", Disk)
    monkeypatch.setattr(log_thread, "COMMIT_EVERY_S", 0.01)
    log = LogThread(tmp_path / "day.log")
    for number in range(50):
        log.write((Record(float(number), "remark", {"text": str(number)}), MORNING))
    first = log.says.get(timeout=5)
    full[0] = False
    second = log.says.get(timeout=5)
    log.close()
    assert "full" in first
    assert "all that waited" in second
    assert [e.body["text"] for e in log_rows(tmp_path / "day.log")] == [str(n) for n in range(50)]


def test_a_log_that_can_not_be_opened_is_a_users_mistake(tmp_path: Path) -> None:
    from callresp.errors import UserError

    (tmp_path / "day.log").write_bytes(b"this is not a log at all" * 100)
    with pytest.raises(UserError, match="field log"):
        LogThread(tmp_path / "day.log")


def test_snippets_are_the_sound_itself(tmp_path: Path) -> None:
    import soundfile

    from callresp.live.log_thread import RecentSound, write_flac

    ring = RecentSound(RATE_HZ)
    wave = np.sin(np.arange(60 * RATE_HZ) * 0.1).astype(np.float32) * 0.5
    size = 40
    ring.want(SaveSnippet(50.0, 52.0, "late"))
    cut: list[Any] = []
    for start in range(0, len(wave), size):
        ring.add(Block(wave[start : start + size], start / RATE_HZ))
        cut += ring.ready()
    ((name, samples),) = cut
    assert np.array_equal(samples, wave[50 * RATE_HZ : 52 * RATE_HZ])
    write_flac(tmp_path / f"{name}.flac", samples, RATE_HZ)
    back, rate = soundfile.read(tmp_path / "late.flac", dtype="float32")
    assert rate == RATE_HZ
    assert np.abs(back - samples).max() < 1e-4


class Synth:
    """Notes what it is sent, and when."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.got: list[tuple[float, Any]] = []

    def send(self, message: Any) -> None:
        self.got.append((self.clock.now_s(), message))

    def close(self) -> None: ...


def test_midi_notes_come_at_the_strokes_and_every_one_ends() -> None:
    clock = Clock(SPEED)
    engine = engine_for(calls(2), clock)
    origin, synth = EngineOrigin(), Synth(clock)
    link = MidiLink(FETTLE, synth, origin, clock)
    rows: list[Record] = []
    hooks = Hooks(record=rows.append)
    runner_for(engine, Paced(12, clock), link, clock, origin=origin, hooks=hooks).run()
    ons = [(at_s, m) for at_s, m in synth.got if m.type == "note_on"]
    wanted = sorted(n.onset_s for r in rows if r.kind == "reply" for n in r.body["notes"])  # type: ignore[index]
    assert len(ons) == len(wanted) == 6
    offs = [m for _, m in synth.got if m.type == "note_off"]
    hush = [m for _, m in synth.got if m.type == "control_change" and m.control == 123]
    assert len(offs) == 6
    assert hush
    assert {row.body["fate"] for row in rows if row.kind == "command"} == {"sent as MIDI"}  # type: ignore[index]


def test_sound_that_breaks_is_told() -> None:
    class Broken(Paced):
        def blocks(self) -> Iterator[Block]:
            yield from silence(1.0)
            raise OSError("no such device any more")

    clock, told = Clock(), list[str]()
    engine = engine_for([], clock)
    hooks = Hooks(say=told.append)
    runner_for(engine, Broken(1, clock), NullLink(), clock, hooks=hooks).run()
    assert any("no such device any more" in text for text in told)


def test_zero_follows_a_sound_card_that_drifts() -> None:
    origin, rng = EngineOrigin(), np.random.default_rng(1)
    for number in range(40_000):
        engine_s = number * 0.005
        origin.observe(engine_s, 3.0 + engine_s * (1 + 100e-6) + float(rng.exponential(0.004)))
    assert origin.host_s == pytest.approx(3.0 + 200 * 100e-6, abs=2e-3)


def test_what_is_heard_is_logged_when_ctrl_c_comes(tmp_path: Path) -> None:
    clock = Clock(SPEED)
    engine = engine_for(calls(1), clock)
    log = tmp_path / "day.log"

    def look(engine: LiveEngine) -> None:
        if engine.now_s > 6:
            raise KeyboardInterrupt

    runner = runner_for(engine, Paced(30, clock), NullLink(), clock, log, hooks=Hooks(look=look))
    with pytest.raises(KeyboardInterrupt):
        runner.run()
    remarks = [e.body["text"] for e in log_rows(log, "remark")]
    assert "stopped with Ctrl-C" in remarks
    assert len(list(log_rows(log, "phrase"))) == 1
    assert sqlite3.connect(log).execute("PRAGMA integrity_check").fetchone() == ("ok",)

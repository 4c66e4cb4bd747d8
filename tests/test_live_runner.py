"""The runner: threads, queues, a port that comes and goes, a disk that is full.

Nothing here hangs on how fast this machine is: what must have happened is waited for, and
what depends on the moment is not asserted.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from board_on_pty import wait_until
from field_helpers import log_rows
from live_helpers import FETTLE, MORNING, RATE_HZ, Scripted, silence
from test_live_engine import PROMPT, calls

from callresp.field import log as field_log
from callresp.io.score import Note
from callresp.link.port import Clock
from callresp.link.simulator import simulated_board
from callresp.link.stop_request import StopListener, request_stop
from callresp.live import links, log_thread
from callresp.live.actions import Notice, Record, SaveSnippet
from callresp.live.engine import Clocks, LiveEngine, LiveSettings
from callresp.live.links import EngineOrigin, Link, NullLink, PortLink
from callresp.live.log_thread import LogThread
from callresp.live.midi_link import MidiLink
from callresp.live.runner import Hooks, Runner
from callresp.live.sources import Block
from callresp.plan.model import Command

SPEED = 3.0
# Only a test that fails waits for so long.
PATIENCE_S = 120.0


class SteppedClock(Clock):
    """A clock that stands still until it is set; who waits by it does not wait long."""

    def __init__(self) -> None:
        super().__init__(speed=1e6)
        self.at_s = 0.0

    def now_s(self) -> float:
        return self.at_s


class Played:
    """Silent sound; a stepped clock follows it. `held` may keep it waiting before its end."""

    sample_rate_hz = RATE_HZ

    def __init__(
        self, seconds: float, clock: Clock, held: Callable[[], bool] = lambda: False
    ) -> None:
        self._seconds, self._clock, self._held = seconds, clock, held
        self.closed = threading.Event()

    def blocks(self) -> Iterator[Block]:
        for block in silence(self._seconds):
            if self.closed.is_set():
                return
            if isinstance(self._clock, SteppedClock):
                self._clock.at_s = block.at_s + 0.005
            yield block
        wait_until(lambda: not self._held())

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
    real_time = not isinstance(clock, SteppedClock)
    more = {"lossless": not real_time, "real_time": real_time, **more}
    return Runner(engine, source, link, LogThread(log), hooks, clock, wall=wall, **more)


class Paced(Played):
    """Silent sound at its own pace."""

    def blocks(self) -> Iterator[Block]:
        begin_s = self._clock.now_s()
        for block in super().blocks():
            wait_s = begin_s + block.at_s + 0.005 - self._clock.now_s()
            if wait_s > 0:
                time.sleep(wait_s / self._clock.speed)
            yield block


def test_through_a_real_port_every_command_meets_its_outcome(tmp_path: Path) -> None:
    """That they are played on time is tested in simulated time: here a busy machine may be late."""
    log, board_log, clock = tmp_path / "day.log", tmp_path / "board.jsonl", Clock(SPEED)
    engine = engine_for(calls(2), clock, needs_link=True)
    sent: list[Command] = []
    with simulated_board(FETTLE, board_log, speed=SPEED) as url:
        origin = EngineOrigin()
        link = PortLink(url, origin, clock)
        send = link.send
        link.send = lambda checked: (sent.extend(checked.plan.commands), send(checked))[1]  # type: ignore[method-assign,func-returns-value]
        runner_for(engine, Paced(12, clock), link, clock, log, origin=origin, lossless=True).run()
    commands = [entry.body for entry in log_rows(log, "command")]
    assert len(commands) == len(sent)
    assert {row["fate"] for row in commands} <= OUTCOMES_OF_A_LINE
    assert len(list(log_rows(log, "phrase"))) == 2
    walls = [datetime.fromisoformat(entry.wall) for entry in log_rows(log)]
    assert walls == sorted(walls)
    did = [json.loads(line)["did"] for line in board_log.read_text().splitlines()]
    played = sum(row["fate"] == "executed" for row in commands)
    assert did.count("on") >= played
    assert did.count("on") * 2 == len(did)


OUTCOMES_OF_A_LINE = {
    "executed",
    "late",
    "not sent: too late",
    "cancelled",
    "left off",
    "fate unknown",
    "stopped by the host",
}


def test_another_terminal_stops_it_and_is_told_so() -> None:
    clock = Clock(SPEED)
    engine = engine_for(calls(8), clock, needs_link=True)
    told: list[str] = []
    with simulated_board(FETTLE, speed=SPEED) as url, StopListener(url) as listener:
        origin = EngineOrigin()
        link = PortLink(url, origin, clock)
        asked = listener.requested
        hooks = Hooks(
            notify=told.append,
            stop=lambda: "stopped from another terminal" if asked.is_set() else None,
            released=listener.released,
        )
        runner = runner_for(engine, Paced(1e6, clock), link, clock, origin=origin, hooks=hooks)
        ended: list[str] = []
        thread = threading.Thread(target=lambda: ended.append(runner.run()))
        thread.start()
        wait_until(lambda: engine.now_s > 0.5)
        assert request_stop(url) == "the running session has stopped everything"
        thread.join()
    assert ended == ["stopped from another terminal"]
    assert "stopped from another terminal" in told


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

    monkeypatch.setattr(links, "open_port", open_port)
    clock = Clock()
    link = PortLink("pulled", EngineOrigin(), clock)
    cables[0].out = True
    notices: list[Notice] = []

    def two() -> bool:
        notices.extend(link.take_update().notices)
        return len(notices) >= 2

    wait_until(two)
    link.close()
    assert "broke" in notices[0].text
    assert notices[0].fault
    assert "is back" in notices[1].text
    assert not notices[1].fault


def test_a_full_queue_loses_sound_but_not_time() -> None:
    """The engine is away for a while: what did not fit comes back as one counted loss."""
    clock = Clock()
    engine = engine_for(calls(2), clock)
    gate = threading.Event()

    class Gated(Played):
        def blocks(self) -> Iterator[Block]:
            yield from silence(5.0)
            gate.set()
            while not runner._blocks.empty():
                time.sleep(0.001)
            yield from silence(10.0, start_s=5.0)

    runner = runner_for(engine, Gated(0, clock), NullLink(), clock)
    hear = threading.Thread(target=runner._read_sound)
    hear.start()
    gate.wait(PATIENCE_S)
    while runner._step():
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
    first = log.notices.get(timeout=PATIENCE_S)
    full[0] = False
    second = log.notices.get(timeout=PATIENCE_S)
    log.close()
    assert "full" in first.text
    assert first.fault
    assert "all that waited" in second.text
    assert not second.fault
    assert [e.body["text"] for e in log_rows(tmp_path / "day.log")] == [str(n) for n in range(50)]


def test_a_log_that_can_not_be_opened_is_a_users_mistake(tmp_path: Path) -> None:
    from callresp.errors import UserError

    (tmp_path / "day.log").write_bytes(b"this is not a log at all" * 100)
    with pytest.raises(UserError, match="field log"):
        LogThread(tmp_path / "day.log")


def test_snippets_are_the_sound_itself(tmp_path: Path) -> None:
    import soundfile

    from callresp.live.log_thread import SnippetBuffer, write_flac

    ring = SnippetBuffer(RATE_HZ)
    wave = np.sin(np.arange(60 * RATE_HZ) * 0.1).astype(np.float32) * 0.5
    size = 40
    ring.request(SaveSnippet(50.0, 52.0, "late"))
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


def test_lost_sound_is_silence_in_a_snippet() -> None:
    from callresp.live.log_thread import SnippetBuffer

    ring, wave = SnippetBuffer(RATE_HZ), np.ones(RATE_HZ, dtype=np.float32)
    ring.request(SaveSnippet(0.5, 2.5, "torn"))
    ring.add(Block(wave, 0.0))
    ring.add(Block(wave, 2.0, lost=RATE_HZ))
    ((_, samples),) = ring.ready()
    half = RATE_HZ // 2
    assert np.array_equal(samples, np.repeat([1.0, 0.0, 1.0], [half, RATE_HZ, half]))
    # What comes later than the ring is long leaves silence only; a cut part stays as it was.
    ring.request(SaveSnippet(0.0, 100.5, "long"))
    ring.add(Block(wave, 100.0))
    ((_, late),) = ring.ready(ended=True)
    assert late[-half:].all()
    assert not late[:-half].any()
    assert len(late) >= 40 * RATE_HZ
    assert samples[0] == 1.0


class Synth:
    """Notes what it is sent, and when."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.got: list[tuple[float, Any]] = []

    def send(self, message: Any) -> None:
        self.got.append((self.clock.now_s(), message))

    def close(self) -> None: ...


def test_midi_notes_come_at_the_strokes_and_every_one_ends() -> None:
    clock = SteppedClock()
    engine = engine_for(calls(2), clock)
    origin, synth = EngineOrigin(), Synth(clock)
    link = MidiLink(FETTLE, synth, origin, clock)
    rows: list[Record] = []

    def ended() -> int:
        clock.at_s += 0.01
        return sum(m.type == "note_off" for _, m in synth.got)

    source = Played(12, clock, held=lambda: ended() < 6)
    hooks = Hooks(record=rows.append)
    runner_for(engine, source, link, clock, origin=origin, hooks=hooks).run()
    ons = [(at_s, m) for at_s, m in synth.got if m.type == "note_on"]
    wanted = sorted(n.onset_s for r in rows if r.kind == "reply" for n in r.body["notes"])  # type: ignore[index]
    assert len(ons) == len(wanted) == 6
    assert all(at_s >= onset_s - 0.002 for (at_s, _), onset_s in zip(ons, wanted, strict=True))
    hush = [m for _, m in synth.got if m.type == "control_change" and m.control == 123]
    assert ended() == 6
    assert hush
    assert {row.body["fate"] for row in rows if row.kind == "command"} == {"sent as MIDI"}  # type: ignore[index]


def test_sound_that_breaks_is_told() -> None:
    class Broken(Played):
        def blocks(self) -> Iterator[Block]:
            yield from silence(1.0)
            raise OSError("no such device any more")

    clock, told = Clock(), list[str]()
    engine = engine_for([], clock)
    hooks = Hooks(notify=told.append)
    runner_for(engine, Broken(1, clock), NullLink(), clock, hooks=hooks).run()
    assert any("no such device any more" in text for text in told)


def test_zero_follows_a_sound_card_that_drifts() -> None:
    origin, rng = EngineOrigin(), np.random.default_rng(1)
    for number in range(40_000):
        engine_s = number * 0.005
        origin.observe(engine_s, 3.0 + engine_s * (1 + 100e-6) + float(rng.exponential(0.004)))
    assert origin.host_s == pytest.approx(3.0 + 200 * 100e-6, abs=2e-3)

"""Runs the engine: threads about it, so that nothing blocks the sound.

The sound thread only stamps blocks and puts them in a bounded queue; if that is
full the sound is counted as lost, and reported. The engine runs in the caller's
thread; the link and the log have threads of their own.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from callresp.link.port import Clock
from callresp.live.actions import (
    Action,
    BoardMaySleep,
    Notice,
    Notify,
    Record,
    Release,
    SaveSnippet,
    Send,
    SoundHeard,
)
from callresp.live.engine import LiveEngine
from callresp.live.links import EngineOrigin, Link, SimulatedLink
from callresp.live.log_thread import LogThread, Snippet, SnippetBuffer
from callresp.live.player import LINK_LEAD_S
from callresp.live.sources import BLOCK_S, STALL_S, WAITING_S, AudioSource, Block

IDLE_S = 0.2
CHECK_EVERY_S = 0.02
# Lead beyond our own lateness; the most lead; and how lateness fades, a block.
LEAST_LEAD_S = 0.02
LEAD_MAX_S = 0.25
LATE_FADES = 0.998
SOUND_ENDED = "the sound ended"


# What another thread wants of the engine; called in the engine's own thread.
Request = Callable[[LiveEngine], list[Action]]


@dataclass(frozen=True, slots=True)
class StampedBlock:
    """A block, and when it came by the host's clock."""

    block: Block
    came_s: float


@dataclass(slots=True)
class Hooks:
    """What the runner reports, each as it happens; called in the engine's thread.

    `stop` returns why to end now, or `None`; it is asked many times a second.
    `released` is called when everything has been released.
    """

    notify: Callable[[str], None] = lambda text: None
    record: Callable[[Record], None] = lambda record: None
    refresh: Callable[[LiveEngine], None] = lambda engine: None
    sensed: Callable[[SoundHeard], None] = lambda sensed: None
    block: Callable[[Block], None] = lambda block: None
    stop: Callable[[], str | None] = lambda: None
    released: Callable[[], None] = lambda: None


@dataclass(slots=True)
class Runner:
    """Runs an engine on a source and a link until the sound ends or it is stopped.

    Parameters
    ----------
    engine, source, link, log, hooks, clock, origin
    keeps_snippets
        Whether the last half minute of sound is kept for snippets.
    lossless
        For sound that is not live: the source waits for the engine, where a
        microphone would lose sound.
    real_time
        Whether the engine's clock goes on by the host's while no sound comes.
    wall
        The time of day, for the rows of the log.
    requests
        What other threads want of the engine; taken some dozens of times a second.
    """

    engine: LiveEngine
    source: AudioSource
    link: Link
    log: LogThread
    hooks: Hooks
    clock: Clock
    origin: EngineOrigin = field(default_factory=EngineOrigin)
    keeps_snippets: bool = False
    lossless: bool = False
    real_time: bool = True
    wall: Callable[[], datetime] = lambda: datetime.now().astimezone()
    notices: queue.SimpleQueue[tuple[str, Notice]] = field(default_factory=queue.SimpleQueue)
    requests: queue.SimpleQueue[Request] = field(default_factory=queue.SimpleQueue)
    _blocks: queue.Queue[StampedBlock | None] = field(init=False)
    _recent: SnippetBuffer | None = field(init=False, default=None)
    _stopped: str | None = field(init=False, default=None)
    _began_s: float = field(init=False, default=0.0)
    _checked_s: float = field(init=False, default=0.0)
    _late_s: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        self._blocks = queue.Queue(maxsize=round(WAITING_S / BLOCK_S))
        if self.keeps_snippets:
            self._recent = SnippetBuffer(self.source.sample_rate_hz)

    def run(self) -> str:
        """Listen and answer to the end; release everything whatever happens.

        Returns
        -------
        str
            How it ended, in words; the log's last row has it, too.
        """
        self._began_s = self.clock.now_s()
        sound = threading.Thread(target=self._read_sound, name="sound", daemon=True)
        sound.start()
        why = SOUND_ENDED
        try:
            if self.log.last_run_cut is not None:
                self.perform(self.engine.last_run_cut(self.log.last_run_cut))
            while self._stopped is None and self._step():
                pass
            why = self._stopped or why
        except BaseException as fault:
            why = f"a fault in the program: {type(fault).__name__}: {fault}"
            self.perform(self.engine.stop(why))
            raise
        finally:
            self._finish(why)
        return why

    def _finish(self, why: str) -> None:
        """Each step whatever became of those before it."""
        with contextlib.ExitStack() as last:
            last.callback(self._report_notices, logged=False)
            last.callback(self.log.close)
            last.callback(self._keep_snippets, ended=True)
            last.callback(lambda: self.perform(self.engine.ended(why)))
            last.callback(self._report_notices, logged=True)
            last.callback(lambda: self.perform(self.engine.link_update(self.link.take_update())))
            last.callback(self.hooks.released)
            last.callback(self.link.close)
            last.callback(lambda: self.perform(self.engine.finish()))
            last.callback(self.source.close)

    def _read_sound(self) -> None:
        """The sound thread."""
        lost, ends_s = 0, 0.0
        try:
            for block in self.source.blocks():
                ends_s = block.at_s + len(block.samples) / self.source.sample_rate_hz
                came_s = self.clock.now_s()
                self.origin.observe(ends_s, came_s)
                whole = Block(block.samples, block.at_s, block.lost + lost)
                if self.lossless:
                    self._blocks.put(StampedBlock(whole, came_s))
                    continue
                try:
                    self._blocks.put_nowait(StampedBlock(whole, came_s))
                    lost = 0
                except queue.Full:
                    lost = whole.lost + len(block.samples)
        except Exception as fault:
            # Whatever ends the sound must be reported, or the machine would seem to listen.
            self.notices.put(("sound", Notice(f"the sound ended: {fault}")))
        if lost:
            # What was lost last of all must be counted too.
            last = Block(np.zeros(0, dtype=np.float32), ends_s, lost)
            self._blocks.put(StampedBlock(last, self.clock.now_s()))
        self._blocks.put(None)

    def _step(self) -> bool:
        """One step of the engine's thread; returns whether there is more."""
        try:
            stamped = self._blocks.get(timeout=IDLE_S)
        except queue.Empty:
            self.perform(self.engine.idle(self._stalled_at_s()))
        else:
            if stamped is None:
                return False
            self._hear(stamped)
        self._check()
        return True

    def _stalled_at_s(self) -> float | None:
        """What the engine's clock would show by now, where no sound has come for a while."""
        if not self.real_time:
            return None
        zero_s = self.origin.host_s if self.origin.known else self._began_s
        now_s = self.clock.now_s() - zero_s
        return now_s if now_s - self.engine.now_s > STALL_S or self.engine.stalled else None

    def _hear(self, stamped: StampedBlock) -> None:
        began_s = self.clock.now_s()
        if self.real_time:
            # A file that is read as fast as it can be always waits.
            waited_s = (began_s - stamped.came_s) / max(self.clock.speed, 1e-9)
            self.engine.latency.add("queue", waited_s)
        began = time.perf_counter()
        late_s = 0.0
        if self.real_time:
            ends_s = stamped.block.at_s + len(stamped.block.samples) / self.source.sample_rate_hz
            late_s = began_s - self.origin.host_s - ends_s
        self.hooks.block(stamped.block)
        self.perform(self.engine.feed(stamped.block, late_s))
        self.engine.latency.add("engine", time.perf_counter() - began)
        if isinstance(self.link, SimulatedLink):
            self.link.advance(self.engine.now_s)
        else:
            self._keep_ahead()
        if self._recent is not None:
            self._recent.add(stamped.block)
        self._keep_snippets()

    def _keep_snippets(self, *, ended: bool = False) -> None:
        """Hand on what was asked for; at the end, as much of it as there is."""
        for name, samples in self._recent.ready(ended=ended) if self._recent else ():
            snippet = Snippet(name, samples, self.source.sample_rate_hz)
            self.log.write(snippet, wait=ended or not self.real_time)

    def _keep_ahead(self) -> None:
        """Lead by as much as sound and engine were late of late, so that nothing is too late."""
        late_s = self.clock.now_s() - self.origin.host_s - self.engine.now_s
        self._late_s = max(late_s, self._late_s * LATE_FADES)
        wanted_s = self._late_s + LEAST_LEAD_S
        self.engine.player.lead_s = min(max(wanted_s, LINK_LEAD_S), LEAD_MAX_S)

    def _check(self) -> None:
        self.perform(self.engine.link_update(self.link.take_update()))
        now_s = time.monotonic()
        if now_s - self._checked_s < CHECK_EVERY_S:
            return
        self._checked_s = now_s
        self._report_notices(logged=True)
        with contextlib.suppress(queue.Empty):
            while True:
                self.perform(self.requests.get_nowait()(self.engine))
        why = self.hooks.stop()
        if why is not None:
            self.perform(self.engine.stop(why))
            self._stopped = why
        self.engine.latency.add("log", self.log.wait_s)
        self.hooks.refresh(self.engine)

    def unix_s(self, at_s: float) -> float:
        """When a moment of the engine's clock is, in seconds since 1970."""
        if not self.real_time:
            return self.engine.start.timestamp() + at_s
        return time.time() - (self.clock.now_s() - self.origin.host_s - at_s) / self.clock.speed

    def _report_notices(self, logged: bool) -> None:
        """Pass on what other threads have to report."""
        waiting: list[tuple[str, Notice]] = []
        with contextlib.suppress(queue.Empty):
            while True:
                waiting.append(self.notices.get_nowait())
        with contextlib.suppress(queue.Empty):
            while True:
                waiting.append(("log", self.log.notices.get_nowait()))
        for where, notice in waiting:
            if logged:
                self.perform(self.engine.notice(notice, where))
            else:
                self.hooks.notify(notice.text)

    def perform(self, actions: list[Action]) -> None:
        """Carry out what the engine wants done."""
        for action in actions:
            if isinstance(action, Send):
                self.link.send(action.checked)
            elif isinstance(action, Release):
                self.link.release()
            elif isinstance(action, BoardMaySleep):
                self.link.may_sleep(action.until_s)
            elif isinstance(action, Record):
                self.log.write((action, self.wall()), wait=not self.real_time)
                self.hooks.record(action)
            elif isinstance(action, Notify):
                self.hooks.notify(action.text)
            elif isinstance(action, SoundHeard):
                self.hooks.sensed(action)
            elif isinstance(action, SaveSnippet) and self._recent is not None:
                self._recent.request(action)

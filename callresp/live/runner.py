"""The outer runner: threads about the engine, so that nothing blocks the sound.

Goal
----
The sound thread only stamps blocks and puts them in a bounded queue; if that is
full the sound is counted as lost, and said. The engine runs in the caller's
thread; the link, the log and the keys have threads of their own.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np

from callresp.link.port import Clock
from callresp.live.actions import Action, Notify, Record, Release, SaveSnippet, Send
from callresp.live.engine import LiveEngine
from callresp.live.links import Link, SimulatedLink
from callresp.live.log_thread import LogThread, RecentSound, Snippet
from callresp.live.player import LINK_LEAD_S
from callresp.live.port_link import EngineOrigin
from callresp.live.sources import BLOCK_S, WAITING_S, Block, Source

IDLE_S = 0.2
LOOK_EVERY_S = 0.02
# Lead beyond our own lateness; the most lead; and how lateness fades, a block.
LEAST_LEAD_S = 0.02
LEAD_MAX_S = 0.25
LATE_FADES = 0.998


@dataclass(frozen=True, slots=True)
class StampedBlock:
    """A block, and when it came by the host's clock."""

    block: Block
    came_s: float


@dataclass(slots=True)
class Hooks:
    """What the runner tells of, each as it happens; called in the engine's thread."""

    say: Callable[[str], None] = lambda text: None
    record: Callable[[Record], None] = lambda record: None
    look: Callable[[LiveEngine], None] = lambda engine: None
    # Why to stop now, or None; asked many times a second.
    stop: Callable[[], str | None] = lambda: None


@dataclass(slots=True)
class Runner:
    """Runs an engine on a source and a link until the sound ends or it is stopped.

    `lossless` is for sound that is not live: the source then waits for the
    engine, where a microphone would lose sound.
    """

    engine: LiveEngine
    source: Source
    link: Link
    log: LogThread
    hooks: Hooks
    clock: Clock
    origin: EngineOrigin = field(default_factory=EngineOrigin)
    snippets: Path | None = None
    lossless: bool = False
    faults: queue.SimpleQueue[str] = field(default_factory=queue.SimpleQueue)
    wall: Callable[[], datetime] = lambda: datetime.now().astimezone()
    _blocks: queue.Queue[StampedBlock | None] = field(init=False)
    _ring: RecentSound | None = field(init=False, default=None)
    _stopped: bool = field(init=False, default=False)
    _checked_s: float = field(init=False, default=0.0)
    _late_s: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        self._blocks = queue.Queue(maxsize=round(WAITING_S / BLOCK_S))
        if self.snippets is not None:
            self._ring = RecentSound(self.source.sample_rate_hz)

    def run(self) -> None:
        """Listen and answer to the end; release everything whatever happens."""
        sound = threading.Thread(target=self._hear, name="sound", daemon=True)
        sound.start()
        try:
            while not self._stopped:
                if not self._turn():
                    break
        except KeyboardInterrupt:
            self._perform(self.engine.stop("stopped with Ctrl-C"))
            raise
        finally:
            self.source.close()
            self._perform(self.engine.finish())
            self._settle()
            self.link.close()
            self._perform(self.engine.link_update(self.link.take_update()))
            self.log.close()
            self._report_faults(logged=False)

    def _hear(self) -> None:
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
            # Whatever ends the sound must be told, or the machine would seem to listen.
            self.faults.put(f"the sound ended: {fault}")
        if lost:
            # What was lost last of all must be counted too.
            last = Block(np.zeros(0, dtype=np.float32), ends_s, lost)
            self._blocks.put(StampedBlock(last, self.clock.now_s()))
        self._blocks.put(None)

    def _turn(self) -> bool:
        """One step of the engine's thread; returns whether there is more."""
        try:
            stamped = self._blocks.get(timeout=IDLE_S)
        except queue.Empty:
            self._perform(self.engine.idle())
        else:
            if stamped is None:
                return False
            self._hear_block(stamped)
        self._look_about()
        return True

    def _hear_block(self, stamped: StampedBlock) -> None:
        began_s = self.clock.now_s()
        self.engine.latency.add("queue", (began_s - stamped.came_s) / max(self.clock.speed, 1e-9))
        began = time.perf_counter()
        self._perform(self.engine.feed(stamped.block))
        self.engine.latency.add("engine", time.perf_counter() - began)
        if isinstance(self.link, SimulatedLink):
            self.link.advance(self.engine.now_s)
        else:
            self._keep_ahead()
        if self._ring is not None and self.snippets is not None:
            self._ring.add(stamped.block)
            for name, samples in self._ring.ready():
                path = self.snippets / f"{name}.flac"
                self.log.write(Snippet(path, samples, self.source.sample_rate_hz), self.lossless)

    def _keep_ahead(self) -> None:
        """Lead by as much as sound and engine were late of late: nothing shall be too late."""
        late_s = self.clock.now_s() - self.origin.host_s - self.engine.now_s
        self._late_s = max(late_s, self._late_s * LATE_FADES)
        wanted_s = self._late_s + LEAST_LEAD_S
        self.engine.player.lead_s = min(max(wanted_s, LINK_LEAD_S), LEAD_MAX_S)

    def _look_about(self) -> None:
        self._perform(self.engine.link_update(self.link.take_update()))
        now_s = time.monotonic()
        if now_s - self._checked_s < LOOK_EVERY_S:
            return
        self._checked_s = now_s
        self._report_faults(logged=True)
        why = self.hooks.stop()
        if why is not None:
            self._perform(self.engine.stop(why))
            self._stopped = True
        self.engine.latency.add("log", self.log.wait_s)
        self.hooks.look(self.engine)

    def _report_faults(self, logged: bool) -> None:
        """Pass on what other threads have to say."""
        for where, says in (("sound", self.faults), ("log", self.log.says)):
            while not says.empty():
                text = says.get()
                if logged:
                    self._perform(self.engine.fault(text, where))
                else:
                    self.hooks.say(text)

    def _settle(self) -> None:
        """Let a link in engine time carry out the last release."""
        if isinstance(self.link, SimulatedLink):
            self.link.close()

    def _perform(self, actions: list[Action]) -> None:
        for action in actions:
            if isinstance(action, Send):
                self.link.send(action.checked)
            elif isinstance(action, Release):
                self.link.release()
            elif isinstance(action, Record):
                self.log.write((action, self.wall()), self.lossless)
                self.hooks.record(action)
            elif isinstance(action, Notify):
                self.hooks.say(action.text)
            elif isinstance(action, SaveSnippet) and self._ring is not None:
                self._ring.want(action)

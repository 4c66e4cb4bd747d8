"""A day in the field at a desk: the live engine for hours of simulated time, with faults.

The listener is told what it hears, so that a day takes minutes; all behind it is
what runs in the field: replier, planner, laws, session, a simulated board whose
clock drifts, and the field log on a real disk. Faults are those of the place:
the microphone goes for half a minute, the line for twenty seconds, the disk is
full for a minute (SQLite's own limit of pages, so that its own error comes), the
time of day is set by an hour, sound stalls for a while and comes late, a signal
ends the run, and the power goes in the middle of whatever sounds.
"""

from __future__ import annotations

import gc
import heapq
import random
import resource
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import numpy.typing as npt

from callresp.field.log import FieldLog, LogReader
from callresp.io.score import Note
from callresp.listen.online import Event, NoteEnd, NoteOnset
from callresp.live.actions import Action, Record, Release, Send
from callresp.live.engine import Clocks, LiveEngine, LiveSettings
from callresp.live.links import SimulatedLink
from callresp.live.sources import Block
from callresp.palette.model import Palette
from callresp.reply.rules import RuleSet

RATE_HZ = 1000
BLOCK_S = 0.04
HOUR_S = 3600.0
DAWN = datetime(2026, 5, 12, 0, 0)
PAGE_MAX = 1 << 30


class Birds:
    """Calls without end, at most a few notes ahead; a call every ten seconds or so."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._lives = self._keys = 0
        self._coming: list[tuple[float, int, Event]] = []
        self.restart(0.0)

    def restart(self, at_s: float) -> None:
        """Other birds sing from `at_s` on."""
        self._lives += 1
        self._rng = random.Random(self._lives)
        self._done = round(at_s * self._rate_hz)
        self._next_s = at_s + 2.0
        self._coming = []

    def push(self, block: npt.NDArray[np.float32]) -> list[Event]:
        """What begins and ends by the end of a block."""
        self._done += len(block)
        now_s = self._done / self._rate_hz
        if self._next_s <= now_s:
            self._call(self._next_s)
            self._next_s += self._rng.uniform(6.0, 14.0)
        out = []
        while self._coming and self._coming[0][0] <= now_s:
            out.append(heapq.heappop(self._coming)[2])
        return out

    def settle(self, notes: Iterable[int]) -> None:
        """No voice changes anyway."""

    def finish(self) -> list[Event]:
        """What had begun has come to nothing."""
        ends = {e.key for *_, e in self._coming if isinstance(e, NoteEnd)}
        begins = {e.key for *_, e in self._coming if isinstance(e, NoteOnset)}
        return [NoteEnd(key, None) for key in sorted(ends - begins)]

    def _call(self, at_s: float) -> None:
        rng = self._rng
        voice = rng.choice("ABCD")
        for _ in range(rng.randint(2, 6)):
            self._keys += 1
            hz, length_s = rng.uniform(1500, 6000), rng.uniform(0.04, 0.2)
            note = Note(
                id=self._keys,
                onset_s=at_s,
                offset_s=at_s + length_s,
                pitch_hz=hz,
                level_db=rng.uniform(-50, -25),
                voice=voice,
                low_hz=hz - 50,
                high_hz=hz + 50,
            )
            began = NoteOnset(self._keys, at_s, hz, hz - 50, hz + 50, note.level_db, voice)
            heapq.heappush(self._coming, (at_s + 0.015, 2 * self._keys, began))
            end = (note.offset_s + 0.15, 2 * self._keys + 1, NoteEnd(self._keys, note))
            heapq.heappush(self._coming, end)
            at_s = note.offset_s + rng.uniform(0.03, 0.15)


@dataclass
class Soaked:
    """What a soak showed."""

    hours: float = 0.0
    planned: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    rows: int = 0
    kept: int = 0
    log_mb: float = 0.0
    memory_mb: list[float] = field(default_factory=list)
    errors_ms: list[list[float]] = field(default_factory=list)
    faults: Counter[str] = field(default_factory=Counter)
    said: Counter[str] = field(default_factory=Counter)
    processor_s: float = 0.0
    ended: Counter[str] = field(default_factory=Counter)
    left_on: int = 0
    rows_cut: int = 0
    commands_cut: int = 0

    @property
    def growth(self) -> float:
        """Growth of memory from the second hour (or sample) to the last, as a share."""
        first = self.memory_mb[min(1, len(self.memory_mb) - 1)]
        return self.memory_mb[-1] / first - 1


def memory_mb() -> float:
    """Resident memory now."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 1e6


class Soak:
    """Runs a day.

    Parameters
    ----------
    palette, rules
    log
        Where the field log goes.
    faults_every_s
        A fault of each kind comes as often as this.
    """

    def __init__(self, palette: Palette, rules: RuleSet, log: Path, faults_every_s: float) -> None:
        self.found = Soaked()
        self._now_s = 0.0
        self._wall_off = timedelta()
        self._every_s = faults_every_s
        self._due = {kind: (n + 1) * faults_every_s / len(FAULTS) for n, kind in enumerate(FAULTS)}
        self._until: dict[str, float] = {}
        self._log_path = log
        self._palette, self._rules = palette, rules
        self._begin()

    def _begin(self) -> None:
        """Start a run, as at boot: a new engine, session and board clock on the old log."""
        self._zero_s = self._now_s
        self._is_full = False
        self._log = FieldLog(self._log_path)
        clocks = Clocks(self._wall, lambda: self._now_s)
        settings = LiveSettings(needs_link=True)
        birds = Birds(RATE_HZ)
        self._engine = LiveEngine(self._palette, self._rules, birds, RATE_HZ, clocks, settings)
        self._link = SimulatedLink(self._palette, drift_ppm=60.0)
        day = {"palette": self._palette.name, "start": self._wall().isoformat()}
        self._perform([Record(0.0, "day", day)])
        if self._log.last_run_cut is not None:
            self.found.said["the last run was cut"] += 1
            self._perform(self._engine.last_run_cut(self._log.last_run_cut))

    def _end(self, how: str) -> None:
        """End a run in order, as the runner does."""
        self._perform(self._engine.stop(how))
        self._perform(self._engine.finish())
        self._link.close()
        self._take_update()
        self._perform(self._engine.ended(how))
        self._disk(full=False)
        self._log.close(self._now_s - self._zero_s)
        self._count_end(how)

    def _cut(self) -> None:
        """The power goes: nothing is said or written any more; the board is left alone."""
        session = self._link.talk.session
        self.found.rows_cut += len(self._log._waiting)
        ended = sum(session.report.outcomes.values())
        self.found.commands_cut += session.report.commands - ended + len(session.ended)
        self._disk(full=False)
        self._log._release()
        self._link.board.advance(self._link._now_s + 1.0)
        self._count_end("the power goes")

    def _count_end(self, how: str) -> None:
        self.found.ended[how] += 1
        self.found.left_on += len(self._link.board.on_channels)

    def _take_update(self) -> None:
        update = self._link.take_update()
        for outcome in update.outcomes:
            self.found.outcomes[outcome.outcome] += 1
            if outcome.outcome == "executed" and outcome.played_s is not None:
                off_s = outcome.played_s - outcome.command.at_s
                self.found.errors_ms[-1].append(1000 * abs(off_s))
        self._perform(self._engine.link_update(update))

    def _wall(self) -> datetime:
        return DAWN + timedelta(seconds=self._now_s) + self._wall_off

    def run(self, hours: float, progress: Callable[[float], None]) -> Soaked:
        """Run for so many hours; returns what was found."""
        sample_s = max(hours / 24, 0.02) * HOUR_S
        next_s = 0.0
        for block in self._sound(hours * HOUR_S):
            self._now_s = self._zero_s + block.at_s + len(block.samples) / RATE_HZ
            late_s = 1.0 if self._broken("the sound comes late", self._now_s) else 0.0
            self._perform(self._engine.feed(block, late_s))
            self._link.advance(self._now_s - self._zero_s)
            self._take_update()
            if self._now_s >= next_s:
                next_s += sample_s
                self._link.board.log.clear()
                self.found.errors_ms[:-1] = [
                    _middle(errors) for errors in self.found.errors_ms[:-1]
                ]
                self.found.errors_ms.append([])
                self.found.memory_mb.append(memory_mb())
                progress(self._now_s / (hours * HOUR_S))
        return self._ended(hours)

    def _ended(self, hours: float) -> Soaked:
        self._end("the soak is over")
        self.found.hours = hours
        self.found.kept = sum(1 for _ in LogReader(self._log_path).rows())
        self.found.log_mb = self._log_path.stat().st_size / 1e6
        return self.found

    def _sound(self, seconds: float) -> Iterator[Block]:
        samples = np.zeros(round(BLOCK_S * RATE_HZ), dtype=np.float32)
        done = lost = 0
        while done < seconds * RATE_HZ:
            at_s = done / RATE_HZ
            self._break(at_s)
            done += len(samples)
            if self._broken("the microphone goes", at_s):
                lost += len(samples)
                self._perform(self._engine.idle())
                continue
            if self._broken("the sound stalls", at_s):
                lost += len(samples)
                self._now_s = at_s
                self._perform(self._engine.idle(at_s - self._zero_s))
                self._link.advance(at_s - self._zero_s)
                self._take_update()
                continue
            yield Block(samples, at_s - self._zero_s, lost)
            lost = 0

    def _broken(self, kind: str, now_s: float) -> bool:
        return now_s < self._until.get(kind, 0.0)

    def _break(self, now_s: float) -> None:
        for kind, due_s in self._due.items():
            if now_s >= due_s:
                self._due[kind] += self._every_s
                self._until[kind] = now_s + FAULTS[kind]
                self.found.faults[kind] += 1
                if kind == "the clock is set":
                    ahead = timedelta(hours=1 if self.found.faults[kind] % 2 else -1)
                    self._wall_off += ahead
                if kind == "a signal":
                    self._end("stopped by SIGTERM")
                if kind == "the power goes":
                    self._cut()
                if kind in ("a signal", "the power goes"):
                    self._now_s = now_s
                    self._begin()
        self._link.cut = self._broken("the line goes", now_s)
        self._disk(full=self._broken("the disk is full", now_s))

    def _disk(self, *, full: bool) -> None:
        base = self._log._base
        if full != self._is_full:
            self._is_full = full
            (count,) = base.execute("PRAGMA page_count").fetchone()
            base.execute(f"PRAGMA max_page_count = {count if full else PAGE_MAX}")

    def _perform(self, actions: list[Action]) -> None:
        for action in actions:
            if isinstance(action, Send):
                self.found.planned += len(action.checked.plan.commands)
                self._link.send(action.checked)
            elif isinstance(action, Release):
                self._link.release()
            elif isinstance(action, Record):
                self.found.rows += 1
                trouble = self._log.trouble
                self._log.append(action.at_s, action.kind, action.body, self._wall())
                if (self._log.trouble is None) != (trouble is None):
                    self.found.said["disk refuses" if self._log.trouble else "disk takes rows"] += 1
                if action.kind == "fault":
                    self.found.said[action.body["where"]] += 1  # type: ignore[index]
                elif action.kind == "remark" and "away" in action.body["text"]:  # type: ignore[index]
                    self.found.said["link"] += 1


# How long each lasts, in seconds.
FAULTS = {
    "the microphone goes": 30.0,
    "the line goes": 20.0,
    "the disk is full": 60.0,
    "the clock is set": 0.0,
    "the sound stalls": 15.0,
    "the sound comes late": 8.0,
    "a signal": 0.0,
    "the power goes": 0.0,
}


def _middle(errors: list[float]) -> list[float]:
    """Median and 99th percentile stand for an hour that is over."""
    if len(errors) <= 2:
        return errors
    ordered = sorted(errors)
    return [ordered[len(ordered) // 2], ordered[int(0.99 * len(ordered))]]

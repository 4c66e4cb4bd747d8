"""A listener that is told what to hear, and a day run without threads."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import msgspec
import numpy as np

from callresp.io.score import Note
from callresp.listen.online import Event, NoteEnd, NoteOnset
from callresp.live.actions import (
    Action,
    BoardMaySleep,
    CommandOutcome,
    Notify,
    Record,
    Release,
    SaveSnippet,
    Send,
    SoundHeard,
)
from callresp.live.engine import Clocks, LiveEngine, LiveSettings
from callresp.live.links import SimulatedLink
from callresp.live.sources import Block
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.reply.rules import RuleSet, load_rules

FETTLE = load_palette("fettle")
RATE_HZ = 8000
MORNING = datetime(2026, 5, 12, 4, 30)


class Scripted:
    """Says what it was told to hear, a little late, as a listener would; anew at each restart."""

    def __init__(
        self,
        notes: list[Note],
        rate_hz: int = RATE_HZ,
        began_s: float = 0.012,
        ended_s: float = 0.1,
    ) -> None:
        self._notes = notes
        self._rate_hz, self._began_s, self._ended_s = rate_hz, began_s, ended_s
        self.settled = set[int]()
        self._lives = 0
        self.restart(0.0)

    def restart(self, at_s: float) -> None:
        self._lives += 1
        notes = [
            msgspec.structs.replace(
                note,
                id=self._lives << 20 | note.id,
                onset_s=note.onset_s + at_s,
                offset_s=note.offset_s + at_s,
            )
            for note in self._notes
        ]
        self._starts = sorted(notes, key=lambda note: note.onset_s)
        self._ends = sorted(notes, key=lambda note: note.offset_s)
        self._done = round(at_s * self._rate_hz)
        self._open: set[int] = set()

    def push(self, block: np.ndarray) -> list[Event]:
        self._done += len(block)
        now_s = self._done / self._rate_hz
        out: list[Event] = []
        while self._starts and self._starts[0].onset_s + self._began_s <= now_s:
            n = self._starts.pop(0)
            self._open.add(n.id)
            out.append(
                NoteOnset(n.id, n.onset_s, n.pitch_hz, n.low_hz, n.high_hz, n.level_db, n.voice)
            )
        while self._ends and self._ends[0].offset_s + self._ended_s <= now_s:
            n = self._ends.pop(0)
            self._open.discard(n.id)
            out.append(NoteEnd(n.id, n))
        return out

    def settle(self, notes: Iterable[int]) -> None:
        self.settled.update(notes)

    def finish(self) -> list[Event]:
        return [NoteEnd(key, None) for key in sorted(self._open)]


def silence(seconds: float, block_s: float = 0.005, start_s: float = 0.0) -> Iterator[Block]:
    size = round(block_s * RATE_HZ)
    for number in range(round(seconds / block_s)):
        yield Block(np.zeros(size, dtype=np.float32), start_s + number * size / RATE_HZ)


@dataclass
class Day:
    """An engine on a simulated board; collects all that it did."""

    engine: LiveEngine
    link: SimulatedLink
    records: list[Record] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    released: list[tuple[float, str]] = field(default_factory=list)
    kept: list[SaveSnippet] = field(default_factory=list)
    sensed: list[SoundHeard] = field(default_factory=list)
    outcomes: list[CommandOutcome] = field(default_factory=list)

    def run(self, blocks: Iterator[Block]) -> None:
        for block in blocks:
            self.perform(self.engine.feed(block))
            self.link.advance(self.engine.now_s)
            update = self.link.take_update()
            self.outcomes += update.outcomes
            self.perform(self.engine.link_update(update))

    def perform(self, actions: list[Action]) -> None:
        for action in actions:
            if isinstance(action, Send):
                self.link.send(action.checked)
            elif isinstance(action, Release):
                self.released.append((self.engine.now_s, action.why))
                self.link.release()
            elif isinstance(action, BoardMaySleep):
                self.link.may_sleep(action.until_s)
            elif isinstance(action, Record):
                self.records.append(action)
            elif isinstance(action, Notify):
                self.said.append(action.text)
            elif isinstance(action, SoundHeard):
                self.sensed.append(action)
            else:
                self.kept.append(action)

    def of(self, kind: str) -> list[object]:
        return [record.body for record in self.records if record.kind == kind]

    @property
    def strikes_s(self) -> list[float]:
        rate, ahead_s = self.link.board._rate, self.link.board._ahead_s
        return [
            (row.board_s - ahead_s) / rate
            for row in self.link.board.log
            if row.did == "on" and row.channel in STRIKERS
        ]


STRIKERS = {striker.coil.channel for striker in FETTLE.striker}


def day_of(
    notes: list[Note],
    rules: RuleSet | None = None,
    palette: Palette = FETTLE,
    wall: Callable[[], datetime] | None = None,
    **more: object,
) -> Day:
    """A day in which these notes are heard."""
    now: list[LiveEngine] = []

    def passed_s() -> float:
        return now[0].now_s if now else 0.0

    clocks = Clocks(wall or (lambda: MORNING + timedelta(seconds=passed_s())), passed_s)
    settings = LiveSettings(needs_link=True, **more)  # type: ignore[arg-type]
    engine = LiveEngine(
        palette, rules or load_rules("answer"), Scripted(notes), RATE_HZ, clocks, settings
    )
    now.append(engine)
    return Day(engine, SimulatedLink(palette))

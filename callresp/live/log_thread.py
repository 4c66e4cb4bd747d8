"""What goes to the disk while the machine plays: log rows and snippets of sound.

A thread owns the field log and nobody waits for it. The last half minute of
sound stands in a ring; a stretch of it, of what was heard and answered, is cut
out when its end has come, and kept as FLAC.
"""

from __future__ import annotations

import math
import os
import queue
import shutil
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from callresp.errors import UserError
from callresp.field.log import COMMIT_EVERY_S, FieldLog
from callresp.io.audio import Samples
from callresp.io.files import whole_file
from callresp.io.wording import counted
from callresp.live.actions import Notice, Record, SaveSnippet
from callresp.live.recent_sound import RecentSound
from callresp.live.sources import Block

WAITING_MAX = 20_000
CLOSING_S = 30.0
RING_S = 40.0
# Snippets that may wait for their end.
SNIPPETS_WAITING_MAX = 8
MB = 1_000_000


@dataclass(frozen=True, slots=True)
class Snippet:
    """A stretch of sound to be written under this name."""

    name: str
    samples: Samples
    sample_rate_hz: int


LogItem = tuple[Record, datetime] | Snippet


class LogThread:
    """Writes log rows and snippets in a thread of its own.

    Parameters
    ----------
    path
        Of the log; `None` keeps none.
    snippets
        Where snippets go; `None` keeps none.

    Attributes
    ----------
    last_run_cut : str or None
        Where the last run's end is not in the log: when its last row was written.
    wait_s : float
        How long the last row waited for this thread.

    Raises
    ------
    UserError
        When the log can't be opened, or another program writes it.
    """

    def __init__(self, path: Path | None, snippets: SnippetFolder | None = None) -> None:
        self.last_run_cut: str | None = None
        self.wait_s = 0.0
        self.notices: queue.SimpleQueue[Notice] = queue.SimpleQueue()
        self._path = path
        self._snippets = snippets
        self._log: FieldLog | None = None
        self._overflowed = 0
        self._closed = False
        self._queue: queue.Queue[tuple[LogItem, float] | None] = queue.Queue(WAITING_MAX)
        self._ready = threading.Event()
        self._fault: UserError | None = None
        self._at_s = 0.0
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()
        self._ready.wait()
        if self._fault is not None:
            raise self._fault

    @property
    def dropped(self) -> int:
        """Rows that are not in the log and never will be."""
        return self._overflowed + (0 if self._log is None else self._log.dropped)

    def write(self, item: LogItem, wait: bool = False) -> None:
        """Hand over a row or a snippet; waits for room only where nothing is live (`wait`)."""
        if wait:
            self._queue.put((item, time.monotonic()))
            return
        try:
            self._queue.put_nowait((item, time.monotonic()))
        except queue.Full:
            self._overflowed += 1

    def close(self) -> None:
        """Write all that waits, and end; rows that a stuck disk keeps waiting are given up."""
        if self._closed:
            return
        self._closed = True
        try:
            self._queue.put(None, timeout=CLOSING_S)
            self._thread.join(timeout=CLOSING_S)
        except queue.Full:
            pass
        if self._thread.is_alive():
            self._overflowed += self._queue.qsize()

    def _run(self) -> None:
        try:
            if self._path is not None:
                self._log = FieldLog(self._path)
                self.last_run_cut = self._log.last_run_cut
        except UserError as fault:
            self._fault = fault
            return
        finally:
            self._ready.set()
        troubled = False
        while True:
            try:
                given = self._queue.get(timeout=COMMIT_EVERY_S)
            except queue.Empty:
                if self._log is not None:
                    self._log.commit(self._at_s)
            else:
                if given is None:
                    break
                self._take(given[0])
                self.wait_s = time.monotonic() - given[1]
            troubled = self._report(troubled)
        if self._log is not None:
            self._log.close(self._at_s)
            self._report(troubled)

    def _take(self, item: LogItem) -> None:
        if isinstance(item, Snippet):
            if self._snippets is not None and (notice := self._snippets.write(item)):
                self.notices.put(notice)
            return
        record, wall = item
        self._at_s = record.at_s
        if self._log is not None:
            self._log.append(record.at_s, record.kind, record.body, wall)

    def _report(self, troubled: bool) -> bool:
        """Report once when the disk refuses, and once when it takes rows again."""
        if self._log is None:
            return False
        if self._log.trouble is not None and not troubled:
            self.notices.put(Notice(f"the log can't be written: {self._log.trouble}"))
        elif self._log.trouble is None and troubled:
            lost = self._log.dropped
            kept = f"; {counted(lost, 'row')} lost" if lost else ", with all that waited"
            self.notices.put(Notice(f"the log is written again{kept}", fault=lost > 0))
        return self._log.trouble is not None


class SnippetFolder:
    """Writes snippets, as long as they may take room.

    Parameters
    ----------
    path
        The folder; made with the first snippet.
    max_bytes
        All snippets in it together never take more; those that are there count.
    min_free_bytes
        So much stays free on its disk, for the log.

    Raises
    ------
    UserError
        When it can't be written to, or made.
    """

    def __init__(self, path: Path, max_bytes: int, min_free_bytes: int) -> None:
        self.path = path
        if not os.access(self._there(), os.W_OK | os.X_OK):
            raise UserError(
                "can't write here",
                where=str(path),
                argument="snippets",
                remedy="choose a folder that you may write to",
            )
        self._max_bytes = max_bytes
        self._min_free_bytes = min_free_bytes
        self._used = sum(file.stat().st_size for file in path.glob("*.flac"))
        self._full = False

    def write(self, snippet: Snippet) -> Notice | None:
        """Keep a snippet if there is room; returns what is to be reported, if anything."""
        # 16 bits a sample, before FLAC makes it smaller.
        size = 2 * len(snippet.samples)
        try:
            why = self._no_room(size)
            if why is not None:
                was_full, self._full = self._full, True
                return None if was_full else Notice(f"no more snippets are kept: {why}")
            path = self.path / f"{snippet.name}.flac"
            write_flac(path, snippet.samples, snippet.sample_rate_hz)
            self._used += path.stat().st_size
        except (OSError, RuntimeError, UserError) as fault:
            return Notice(f"could not keep the snippet {snippet.name} ({fault})")
        was_full, self._full = self._full, False
        return Notice("snippets are kept again", fault=False) if was_full else None

    def _there(self) -> Path:
        """The folder, or what it would be made in."""
        return next(folder for folder in (self.path, *self.path.parents) if folder.exists())

    def _no_room(self, size: int) -> str | None:
        if self._used + size > self._max_bytes:
            return f"they take {self._used / MB:.0f} MB of {self._max_bytes / MB:.0f}"
        free = shutil.disk_usage(self._there()).free
        if free - size < self._min_free_bytes:
            return f"only {free / MB:.0f} MB are free, {self._min_free_bytes / MB:.0f} stay so"
        return None


class SnippetBuffer:
    """Cuts snippets out of the last `RING_S` of sound; lost sound is silence."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._sound = RecentSound(sample_rate_hz, RING_S)
        self._waiting: list[SaveSnippet] = []

    def add(self, block: Block) -> None:
        """Take a block."""
        rate_hz = self._sound.rate_hz
        # Of a longer gap no more than what is kept.
        lost = min(round((block.at_s - self._sound.ends_s) * rate_hz), round(RING_S * rate_hz))
        if lost > 0:
            self._sound.feed(np.zeros(lost, np.float32), block.at_s - lost / rate_hz)
        self._sound.feed(block.samples, block.at_s)

    def request(self, keep: SaveSnippet) -> None:
        """Cut this out when its end has come."""
        if len(self._waiting) < SNIPPETS_WAITING_MAX:
            self._waiting.append(keep)

    def ready(self, *, ended: bool = False) -> Iterator[tuple[str, Samples]]:
        """Names and samples of what has come to its end; once the sound has ended, of all."""
        now_s = math.inf if ended else self._sound.ends_s
        for keep in [keep for keep in self._waiting if keep.until_s <= now_s]:
            self._waiting.remove(keep)
            yield keep.name, self._sound.known_part(keep.from_s, keep.until_s)


def write_flac(path: Path, samples: Samples, sample_rate_hz: int) -> None:
    """Write a snippet, whole or not at all; 16 bits."""
    import soundfile

    with whole_file(path) as part:
        clipped = np.clip(samples, -1.0, 1.0)
        soundfile.write(part, clipped, sample_rate_hz, subtype="PCM_16", format="FLAC")

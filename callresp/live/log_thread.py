"""The log thread: rows and snippets go to the disk here, and nobody waits for it.

Heard and answered: short stretches of the sound, kept as FLAC.

The last half minute stands in a ring; a stretch is cut out when its end has come.
"""

from __future__ import annotations

import queue
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
from callresp.live.actions import Record, SaveSnippet
from callresp.live.sources import Block

WAITING_MAX = 20_000


@dataclass(frozen=True, slots=True)
class Snippet:
    """A stretch of sound to be written."""

    path: Path
    samples: Samples
    sample_rate_hz: int


LogItem = tuple[Record, datetime] | Snippet


class LogThread:
    """Owns the field log.

    Parameters
    ----------
    path
        Of the log; `None` keeps none, and writes snippets only.

    Raises
    ------
    UserError
        When the log can't be opened.
    """

    def __init__(self, path: Path | None) -> None:
        self.dropped = 0
        # How long the last row waited for this thread.
        self.wait_s = 0.0
        self.says: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._path = path
        self._queue: queue.Queue[tuple[LogItem, float] | None] = queue.Queue(WAITING_MAX)
        self._ready = threading.Event()
        self._fault: UserError | None = None
        self._at_s = 0.0
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()
        self._ready.wait()
        if self._fault is not None:
            raise self._fault

    def write(self, item: LogItem, lossless: bool = False) -> None:
        """Hand over a row or a snippet; waits only where nothing is live (`lossless`)."""
        if lossless:
            self._queue.put((item, time.monotonic()))
            return
        try:
            self._queue.put_nowait((item, time.monotonic()))
        except queue.Full:
            self.dropped += 1

    def close(self) -> None:
        """Write all that waits, and end."""
        self._queue.put(None)
        self._thread.join(timeout=30.0)

    def _run(self) -> None:
        try:
            log = FieldLog(self._path) if self._path is not None else None
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
                if log is not None:
                    log.commit(self._at_s)
            else:
                if given is None:
                    break
                self._take(log, given[0])
                self.wait_s = time.monotonic() - given[1]
            troubled = self._tell(log, troubled)
        if log is not None:
            log.close(self._at_s)
            self._tell(log, troubled)

    def _take(self, log: FieldLog | None, item: LogItem) -> None:
        if isinstance(item, Snippet):
            try:
                write_flac(item.path, item.samples, item.sample_rate_hz)
            except (OSError, RuntimeError, UserError) as fault:
                self.says.put(f"could not keep the snippet {item.path.name} ({fault})")
            return
        record, wall = item
        self._at_s = record.at_s
        if log is not None:
            log.append(record.at_s, record.kind, record.body, wall)

    def _tell(self, log: FieldLog | None, troubled: bool) -> bool:
        """Say once when the disk refuses, and once when it takes rows again."""
        if log is None:
            return False
        if log.trouble is not None and not troubled:
            self.says.put(f"the log can't be written: {log.trouble}")
        elif log.trouble is None and troubled:
            self.says.put("the log is written again, with all that waited")
        return log.trouble is not None


RING_S = 40.0
# Snippets that may wait for their end.
SNIPPETS_WAITING_MAX = 8


class RecentSound:
    """The last `RING_S` of sound, by the engine's clock; lost sound is silence."""

    def __init__(self, sample_rate_hz: int) -> None:
        self.sample_rate_hz = sample_rate_hz
        self._ring = np.zeros(round(RING_S * sample_rate_hz), dtype=np.float32)
        self._end = 0
        self._waiting: list[SaveSnippet] = []

    def add(self, block: Block) -> None:
        """Take a block."""
        start = round(block.at_s * self.sample_rate_hz)
        size = len(self._ring)
        if start > self._end:
            gap = min(start - self._end, size)
            self._ring[np.arange(start - gap, start) % size] = 0.0
        place = start % size
        first = min(size - place, len(block.samples))
        self._ring[place : place + first] = block.samples[:first]
        self._ring[: len(block.samples) - first] = block.samples[first:]
        self._end = start + len(block.samples)

    def want(self, keep: SaveSnippet) -> None:
        """Cut this out when its end has come."""
        if len(self._waiting) < SNIPPETS_WAITING_MAX:
            self._waiting.append(keep)

    def ready(self) -> Iterator[tuple[str, Samples]]:
        """Names and samples of what has come to its end."""
        now_s = self._end / self.sample_rate_hz
        for keep in [keep for keep in self._waiting if keep.until_s <= now_s]:
            self._waiting.remove(keep)
            yield keep.name, self._cut(keep)

    def _cut(self, keep: SaveSnippet) -> Samples:
        size = len(self._ring)
        first = max(round(keep.from_s * self.sample_rate_hz), self._end - size, 0)
        last = min(round(keep.until_s * self.sample_rate_hz), self._end)
        cut: Samples = self._ring[np.arange(first, max(last, first)) % size]
        return cut


def write_flac(path: Path, samples: Samples, sample_rate_hz: int) -> None:
    """Write a snippet, whole or not at all; 16 bits."""
    import soundfile

    with whole_file(path) as part:
        clipped = np.clip(samples, -1.0, 1.0)
        soundfile.write(part, clipped, sample_rate_hz, subtype="PCM_16", format="FLAC")

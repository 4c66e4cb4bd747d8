"""The log thread: rows and snippets go to the disk here, and nobody waits for it."""

from __future__ import annotations

import queue
import threading
import time
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from callresp.errors import UserError
from callresp.field.log import COMMIT_EVERY_S, FieldLog
from callresp.live.snippets import write_flac
from callresp.live.things import Record
from callresp.sound import Samples

WAITING_MAX = 20_000


@dataclass(frozen=True, slots=True)
class Snippet:
    """A stretch of sound to be written."""

    path: Path
    samples: Samples
    sample_rate_hz: int


Row = tuple[Record, datetime] | Snippet


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
        self._queue: queue.Queue[tuple[Row, float] | None] = queue.Queue(WAITING_MAX)
        self._ready = threading.Event()
        self._fault: UserError | None = None
        self._at_s = 0.0
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()
        self._ready.wait()
        if self._fault is not None:
            raise self._fault

    def write(self, item: Row, patient: bool = False) -> None:
        """Hand over a row or a snippet; waits only where nothing is live (`patient`)."""
        if patient:
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

    def _take(self, log: FieldLog | None, item: Row) -> None:
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

"""The field log: an append-only record of a day that survives a power cut.

Goal
----
Bring home what was heard, answered, struck, measured and gone wrong, from a
machine that may lose its power at any moment.

Conventions
-----------
- One SQLite file in write-ahead mode with ``synchronous=FULL``; rows are
  committed together at least every half second, so a cut loses at most the
  last second and never what was committed before (SQLite documentation,
  "Write-Ahead Logging" and "PRAGMA synchronous").
- Rows are never changed or removed: triggers refuse it.
- A log whose file has gone (deleted, moved, its disk taken out) is begun anew in its place,
  with its rows where they can still be read: an open file outlives its name.
- `at_s` is on the engine's own clock, which no clock step moves; `wall` is the
  time of day in ISO 8601 as the machine knew it then.
"""

from __future__ import annotations

import math
import os
import shutil
import sqlite3
import tempfile
from collections import deque
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, get_args

import msgspec

from callresp.errors import UserError
from callresp.io.files import OnlyWriter
from callresp.io.wording import counted

Kind = Literal["day", "phrase", "voice", "reply", "command", "status", "fault", "remark"]
KINDS: tuple[Kind, ...] = get_args(Kind)

# In the body of a run's last remark: how it ended. A run without it was cut.
END_KEY = "ended"
COMMIT_EVERY_S = 0.5
# While the disk is full rows wait in memory: about an hour of a busy dawn.
WAITING_MAX = 100_000

_SCHEMA = """
CREATE TABLE IF NOT EXISTS entry (
    id INTEGER PRIMARY KEY,
    at_s REAL NOT NULL,
    wall TEXT NOT NULL,
    kind TEXT NOT NULL,
    body TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS entry_kind ON entry (kind, at_s);
CREATE TRIGGER IF NOT EXISTS entry_keeps BEFORE UPDATE ON entry
    BEGIN SELECT RAISE(ABORT, 'the field log is append-only'); END;
CREATE TRIGGER IF NOT EXISTS entry_stays BEFORE DELETE ON entry
    BEGIN SELECT RAISE(ABORT, 'the field log is append-only'); END;
"""


# Number, seconds, wall clock, kind and body, as SQLite gives them.
RawRow = tuple[int, object, bytes, bytes, bytes]
PAGE = 4096
# A page that leads to others, and is damaged, costs as many rows at most.
MISSING_MAX = 50_000
_ROWS_AFTER = "SELECT id, at_s, wall, kind, body FROM entry WHERE id > ? ORDER BY id"
_KINDS_STORED = frozenset(kind.encode() for kind in KINDS)


class LogRow(msgspec.Struct, frozen=True, kw_only=True):
    """One row of the log."""

    at_s: float
    wall: str
    kind: Kind
    body: Any


class FieldLog:
    """Appends rows to one day's file; keeps them in memory while the disk refuses.

    Not for sharing between threads: the engine's log thread owns it. One process
    at a time writes a log; a second is refused.

    Attributes
    ----------
    dropped : int
        Rows that never reached the disk, and never will.
    trouble : str or None
        Why the disk refuses rows now.
    last_run_cut : str or None
        When the last row was written, where the last run's end is not in the log.

    Raises
    ------
    UserError
        When the file can't be opened, is something else, or is being written.
    """

    def __init__(self, path: Path) -> None:
        self.path = Path(path)
        self._waiting: deque[tuple[float, str, str, str]] = deque()
        self._last_commit_s = float("-inf")
        self._lock: OnlyWriter | None = None
        self._written = 0
        self.dropped = 0
        self.trouble: str | None = None
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._open()
            self.last_run_cut = self._cut()
        except (OSError, sqlite3.Error) as fault:
            raise UserError(
                f"can't keep a field log here ({fault})",
                where=str(path),
                remedy="choose a folder that you may write to, with space left",
            ) from fault

    def _open(self) -> None:
        lock = OnlyWriter(self.path)
        self._fresh = not self.path.exists()
        base = sqlite3.connect(self.path, isolation_level=None)
        try:
            tables = base.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
            if tables and ("entry",) not in tables:
                raise sqlite3.DatabaseError("it is another program's database")
            base.execute("PRAGMA journal_mode=WAL")
            base.execute("PRAGMA synchronous=FULL")
            base.executescript(_SCHEMA)
        except sqlite3.Error:
            base.close()
            if self._fresh:
                self.path.unlink(missing_ok=True)
            lock.close()
            raise
        self._lock, self._base, self._file = lock, base, self.path.stat()

    def _release(self) -> None:
        self._base.close()
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def _has_gone(self) -> bool:
        try:
            return not os.path.samestat(self.path.stat(), self._file)
        except OSError:
            return True

    def _begin_anew(self) -> None:
        """Put a log where this one's file was; where a disk is back, go on with what it holds."""
        # Who turns logs over by their names leaves an empty file; SQLite puts nothing that waits
        # beside a log into a file that was moved.
        if not self.path.exists() or self.path.stat().st_size == 0:
            for part in ("-wal", "-shm"):
                self.path.with_name(self.path.name + part).unlink(missing_ok=True)
            self._rescue(self.path.with_name(self.path.name + "-anew"))
        self._release()
        self._open()

    def _rescue(self, copy: Path) -> None:
        """Copy what the open file still holds; what can't be read is lost."""
        try:
            with closing(sqlite3.connect(copy)) as base:
                self._base.backup(base)
            copy.replace(self.path)
        except sqlite3.Error as fault:
            copy.unlink(missing_ok=True)
            # The new place is full or away; otherwise it is the old one that can't be read.
            waits = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_CANTOPEN)
            if getattr(fault, "sqlite_errorcode", None) in waits:
                raise
            self.dropped += self._written
            self._written = 0

    def _cut(self) -> str | None:
        last = "SELECT wall, kind, body FROM entry ORDER BY id DESC LIMIT 1"
        row = self._base.execute(last).fetchone()
        if row is None or (row[1] == "remark" and f'"{END_KEY}":' in row[2]):
            return None
        return str(row[0])

    def append(self, at_s: float, kind: Kind, body: object, wall: datetime | None = None) -> None:
        """Add a row; it reaches the disk with the next commit."""
        clock = (wall or datetime.now().astimezone()).isoformat(timespec="milliseconds")
        if len(self._waiting) >= WAITING_MAX:
            # The oldest go first: what is happening now matters more to a stop rule.
            self._waiting.popleft()
            self.dropped += 1
        self._waiting.append((at_s, clock, kind, msgspec.json.encode(body).decode()))
        if at_s - self._last_commit_s >= COMMIT_EVERY_S:
            self.commit(at_s)

    def commit(self, at_s: float) -> bool:
        """Put what waits on the disk.

        Returns
        -------
        bool
            False when the disk refused; the rows wait, and `trouble` says why.
        """
        self._last_commit_s = at_s
        if not self._waiting:
            return True
        try:
            if self._has_gone():
                if self.trouble is None:
                    raise OSError("its file has gone: deleted, moved, or its disk taken out")
                self._begin_anew()
            self._base.execute("BEGIN IMMEDIATE")
            self._base.executemany(
                "INSERT INTO entry (at_s, wall, kind, body) VALUES (?, ?, ?, ?)", self._waiting
            )
            self._base.execute("COMMIT")
        except (OSError, sqlite3.Error, UserError) as fault:
            self.trouble = (
                f"{self.path}: {fault}; {counted(len(self._waiting), 'row')} kept in memory"
            )
            with suppress(sqlite3.Error):
                if self._base.in_transaction:
                    self._base.execute("ROLLBACK")
            return False
        self._written += len(self._waiting)
        self._waiting.clear()
        self.trouble = None
        return True

    def close(self, at_s: float) -> None:
        """Commit and close; the write-ahead file is folded in, and no rows leave no file."""
        if not self.commit(at_s):
            # A file that has gone is begun anew by the second try, and no disk is waited for now.
            with suppress(OSError):
                self.path.parent.mkdir(parents=True, exist_ok=True)
            if not self.commit(at_s):
                self.dropped += len(self._waiting)
                self._waiting.clear()
        # Who reads a log with a write-ahead file leaves two more files beside it.
        with suppress(sqlite3.Error):
            self._base.execute("PRAGMA journal_mode=DELETE")
        if self._fresh and not self._written and not self._has_gone():
            self.path.unlink()
        self._release()

    def __enter__(self) -> FieldLog:
        return self

    def __exit__(self, *_: object) -> None:
        self.close(self._last_commit_s)


class LogReader:
    """Reads the rows of a log in the order they were written, whole, cut, damaged, or growing.

    Rows are numbered from 1 without gaps, so where SQLite stops at a damaged page, it is asked
    for the next numbers until one can be read (`_read_around`). A row that is damaged itself is
    left out.

    Attributes
    ----------
    lost : int
        Rows that were written and can't be read; known when all rows are read.
    """

    def __init__(self, path: Path) -> None:
        self.path = Path(path)
        self.lost = 0
        self._last = 0

    def rows(self, *kinds: Kind) -> Iterator[LogRow]:
        """Yield the rows of these kinds, or of all.

        Raises
        ------
        UserError
            When there is no such log, or it is something else.
        """
        if not self.path.is_file():
            raise UserError("no such field log", where=str(self.path), remedy="check the name")
        self.lost = self._last = 0
        wanted = kinds or KINDS
        with _readable(self.path) as near:
            for number, at_s, wall, kind, body in self._raw(near):
                self.lost += number - self._last - 1
                self._last = number
                try:
                    row = _row(at_s, wall, kind, body)
                except (ValueError, AttributeError, RecursionError):
                    self.lost += 1
                    continue
                if row.kind in wanted:
                    yield row

    def _raw(self, near: Path) -> Iterator[RawRow]:
        try:
            with closing(_connect(near)) as base:
                for row in base.execute(_ROWS_AFTER, (0,)):
                    if row[0] != self._last + 1:
                        raise sqlite3.DatabaseError("rows are missing")
                    yield row
        except sqlite3.DatabaseError as fault:
            rows, highest = _read_around(near)
            if not rows and self._last == 0:
                raise UserError(
                    f"not a field log ({fault})",
                    where=str(self.path),
                    remedy="name a log of callresp live; sqlite3's .recover may mend a damaged one",
                ) from fault
            yield from (row for row in rows if row[0] > self._last)
            self.lost += max(highest - self._last, 0)


def _connect(path: Path) -> sqlite3.Connection:
    base = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
    base.text_factory = bytes
    return base


def _read_around(path: Path) -> tuple[list[RawRow], int]:
    """The rows of a damaged log that SQLite can still reach, and the highest number it tells of."""
    with tempfile.TemporaryDirectory() as folder, closing(_connect(_mended(path, folder))) as base:
        found: dict[int, RawRow] = {}
        last = after = 0
        while after < last + MISSING_MAX:
            try:
                for row in base.execute(_ROWS_AFTER, (after,)):
                    if row[3] in _KINDS_STORED and row[0] <= last + MISSING_MAX:
                        found[row[0]] = row
                        last = after = row[0]
                break
            except sqlite3.DatabaseError:
                after += 1
        else:
            # The end is gone: rows are as many as the pages that the file should have tell.
            last = max(last, round(last * _pages_cut(path)))
        return [found[number] for number in sorted(found)], max(_highest(base), last)


def _pages_cut(path: Path) -> float:
    """Of a file that was cut, how many times as many pages it had, by its header; else 1."""
    with path.open("rb") as file:
        head = file.read(100)
    kept = path.stat().st_size // PAGE
    # "Database File Format", 1.3.7: the number holds if both counters of changes agree.
    said = int.from_bytes(head[28:32]) if head[24:28] == head[92:96] else 0
    return max(1.0, said / max(1, kept))


def _highest(base: sqlite3.Connection) -> int:
    """The number of the last row, by the table or, where its end is damaged, by the index."""
    last = "SELECT id FROM entry ORDER BY id DESC LIMIT 1"
    by_kind = "SELECT id FROM entry WHERE kind = ? ORDER BY at_s DESC LIMIT 1"
    found = [0]
    for query, values in [(last, ()), *((by_kind, (kind,)) for kind in KINDS)]:
        with suppress(sqlite3.DatabaseError):
            found += [number for (number,) in base.execute(query, values)]
    return max(found)


def _mended(path: Path, folder: str) -> Path:
    """A copy of a log with a new log's first page: but for counters, all logs have the same."""
    with closing(sqlite3.connect(":memory:")) as base:
        base.executescript(_SCHEMA)
        first = bytearray(base.serialize()[:PAGE])
    # "Database File Format", 1.3: a write-ahead file may stand beside it, and without a number of
    # pages the file's own length holds.
    first[18:20] = b"\2\2"
    first[28:32] = bytes(4)
    copy = _copied(path, folder)
    with copy.open("r+b") as file:
        file.write(first)
    return copy


def _copied(path: Path, folder: str) -> Path:
    """A copy of a log in a folder, with what waits beside it in its write-ahead file."""
    for part in (path, path.with_name(path.name + "-wal")):
        if part.is_file():
            shutil.copyfile(part, Path(folder, part.name))
    return Path(folder, path.name)


def _row(at_s: object, wall: bytes, kind: bytes, body: bytes) -> LogRow:
    """A row, or `ValueError`: a kind we don't know, no time, text that is none."""
    if not isinstance(at_s, int | float) or not math.isfinite(at_s):
        raise ValueError("no time")
    # A typed decoder keeps kinds and numbers within bounds; see `msgspec`.
    known = msgspec.convert(kind.decode(), Kind)
    return LogRow(at_s=float(at_s), wall=wall.decode(), kind=known, body=msgspec.json.decode(body))


@contextmanager
def _readable(path: Path) -> Iterator[Path]:
    """The log, or a copy of it where its folder is locked.

    SQLite must write beside a log that was cut, to read it: on a locked card
    it can't.
    """
    if os.access(path.parent, os.W_OK) and os.access(path, os.W_OK):
        yield path
        return
    with tempfile.TemporaryDirectory() as folder:
        yield _copied(path, folder)

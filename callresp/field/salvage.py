"""What is left of a damaged field log: its rows, read page by page.

Goal
----
SQLite refuses a file whose first page is damaged, and stops at the first page
that it can't follow. Rows of a log are never changed or moved, so each page that
is still whole holds rows that are still true. They are taken from every page,
whether or not anything still leads there.

Conventions
-----------
- A page is taken for a leaf of the table where its cells parse as rows of a log
  (a kind that we know, a number for the time).
- Rows are numbered from 1 without gaps, so numbers that are missing are rows that
  are lost. The index of the log repeats the numbers, and tells of rows at the
  end that are gone.
- Pages in the write-ahead file go before those of the main file, as far as they
  were committed.

Source: "Database File Format" (SQLite documentation): chapters 1.6 (B-tree pages),
2.1 (record format) and 4 (the write-ahead log).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

RawRow = tuple[int, object, bytes, bytes, bytes]

LEAF_INDEX = 0x0A
PAGE_SIZES = tuple(1 << n for n in range(9, 17))
USUAL_PAGE = 4096
PAYLOAD_MAX = 1 << 26
# Bytes of an integer by its serial type.
WIDTHS = (0, 1, 2, 3, 4, 6, 8)


def salvage(path: Path, kinds: frozenset[bytes]) -> tuple[list[RawRow], int]:
    """Read every row that is still whole.

    Parameters
    ----------
    path
        The log; its write-ahead file stands beside it.
    kinds
        The kinds of rows that there are.

    Returns
    -------
    rows, highest
        Rows as (number, seconds, wall clock, kind, body), in the order of their
        numbers; and the highest number that the file knows of.
    """
    pages = _Pages(path)
    rows: dict[int, RawRow] = {}
    highest = 0
    for number in range(1, pages.count + 1):
        for row in _table_rows(pages, number):
            if row[3] in kinds and isinstance(row[1], int | float):
                rows.setdefault(row[0], row)
        highest = max(highest, *_index_numbers(pages, number, kinds), 0)
    found = [rows[number] for number in sorted(rows)]
    return found, max(highest, found[-1][0] if found else 0)


class _Pages:
    """Pages of a database with what is committed in its write-ahead file."""

    def __init__(self, path: Path) -> None:
        self._main = path.read_bytes()
        stated = int.from_bytes(self._main[16:18], "big")
        size = 65536 if stated == 1 else stated
        self.size = size if size in PAGE_SIZES else USUAL_PAGE
        wal = path.with_name(path.name + "-wal")
        self._newer = self._committed(wal.read_bytes()) if wal.is_file() else {}
        self.count = max([-(-len(self._main) // self.size), *self._newer])

    def _committed(self, wal: bytes) -> dict[int, bytes]:
        found: dict[int, bytes] = {}
        waiting: dict[int, bytes] = {}
        if len(wal) < 32 or int.from_bytes(wal[8:12], "big") != self.size:
            return found
        for at in range(32, len(wal) - self.size - 23, self.size + 24):
            number, commits = struct.unpack_from(">II", wal, at)
            if wal[at + 8 : at + 16] != wal[16:24]:
                break
            waiting[number] = wal[at + 24 : at + 24 + self.size]
            if commits:
                found |= waiting
                waiting = {}
        # A page number that is far beyond the file is damage.
        most = -(-len(self._main) // self.size) + len(found) + 1
        return {number: page for number, page in found.items() if number <= most}

    def __getitem__(self, number: int) -> bytes:
        if number in self._newer:
            return self._newer[number]
        return self._main[(number - 1) * self.size : number * self.size]


def _cells(page: bytes, number: int) -> Iterator[int]:
    """Where the cells of a page begin."""
    head = 100 if number == 1 else 0
    count = int.from_bytes(page[head + 3 : head + 5], "big")
    for n in range(count):
        place = head + 8 + 2 * n
        at = int.from_bytes(page[place : place + 2], "big")
        if place + 2 > len(page) or at >= len(page):
            return
        yield at


def _table_rows(pages: _Pages, number: int) -> Iterator[RawRow]:
    page = pages[number]
    for at in _cells(page, number):
        try:
            length, at = _varint(page, at)
            row_id, at = _varint(page, at)
            row = _record(_payload(pages, page, at, length, pages.size - 35))
        except (ValueError, IndexError, struct.error):
            continue
        texts = row[2:5]
        if len(row) == 5 and row[0] is None and all(isinstance(text, bytes) for text in texts):
            yield (row_id, row[1], *texts)  # type: ignore[misc]


def _index_numbers(pages: _Pages, number: int, kinds: frozenset[bytes]) -> list[int]:
    page = pages[number]
    if not page or page[100 if number == 1 else 0] != LEAF_INDEX:
        return []
    found = []
    for at in _cells(page, number):
        try:
            length, at = _varint(page, at)
            row = _record(page[at : at + length])
        except (ValueError, IndexError, struct.error):
            continue
        if len(row) == 3 and row[0] in kinds and isinstance(row[2], int):
            found.append(row[2])
    return found


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for n in range(9):
        byte = data[at + n]
        if n == 8:
            return value << 8 | byte, at + 9
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + n + 1
    raise ValueError


def _payload(pages: _Pages, page: bytes, at: int, length: int, most: int) -> bytes:
    """A cell's bytes, with those on overflow pages."""
    if length > PAYLOAD_MAX:
        raise ValueError
    if length <= most:
        return page[at : at + length]
    usable = pages.size
    least = (usable - 12) * 32 // 255 - 23
    local = least + (length - least) % (usable - 4)
    local = local if local <= most else least
    parts, left = [page[at : at + local]], length - local
    following = int.from_bytes(page[at + local : at + local + 4], "big")
    while left > 0:
        if not 1 <= following <= pages.count:
            raise ValueError
        more = pages[following]
        parts.append(more[4 : 4 + left])
        left -= usable - 4
        following = int.from_bytes(more[:4], "big")
    return b"".join(parts)


def _record(payload: bytes) -> list[object]:
    """The columns of a record: None, numbers, and text as bytes."""
    size, at = _varint(payload, 0)
    types = []
    while at < size:
        kind, at = _varint(payload, at)
        types.append(kind)
    found: list[object] = []
    for kind in types:
        if kind in (0, 8, 9):
            found.append(None if kind == 0 else kind - 8)
            continue
        width = 8 if kind == 7 else WIDTHS[kind] if kind < 7 else (kind - 12) // 2
        part = payload[at : at + width]
        if len(part) != width:
            raise ValueError
        at += width
        if kind == 7:
            found.append(struct.unpack(">d", part)[0])
        else:
            found.append(int.from_bytes(part, "big", signed=True) if kind < 7 else part)
    return found

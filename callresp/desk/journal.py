"""The journal of a session: every change, kept on the disk before its sound is heard.

Conventions
-----------
One JSON object a line beside the source, in ``.NAME.desk.jsonl``: when, what was done, and
the whole text that came of it, so that a journal can be read without replaying it. What
was not saved is offered again when the same source is opened next. A journal that grows
beyond `BYTES_MAX` keeps its latest rows.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from callresp.io.files import write_text

BYTES_MAX = 4_000_000
ROWS_KEPT = 200


class Entry(msgspec.Struct, frozen=True, kw_only=True):
    """One change: when, what, in which of the two sets, and what came of it."""

    at: str
    did: str
    slot: str
    text: str
    palette: str
    saved: bool = False


class Journal:
    """Keeps entries on the disk.

    Parameters
    ----------
    path
        Of the journal. A folder that can't be written keeps none: `trouble` says so.

    Attributes
    ----------
    left : tuple of Entry
        What was there when it was opened and had not been saved, of either set.
    trouble : str or None
        Why nothing is kept, if so.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.trouble: str | None = None
        rows = read_journal(path)
        saved = {row.slot: n for n, row in enumerate(rows) if row.saved}
        self.left = tuple(row for n, row in enumerate(rows) if n > saved.get(row.slot, -1))

    def add(self, did: str, slot: str, text: str, palette: str, saved: bool = False) -> None:
        """Keep one change; it is on the disk when this returns."""
        now = datetime.now(UTC).astimezone().isoformat(timespec="seconds")
        entry = Entry(at=now, did=did, slot=slot, text=text, palette=palette, saved=saved)
        try:
            with self.path.open("ab") as out:
                out.write(msgspec.json.encode(entry) + b"\n")
                out.flush()
                os.fsync(out.fileno())
                size = out.tell()
            self.trouble = None
        except OSError as fault:
            self.trouble = f"changes are not journalled ({fault.strerror})"
            return
        if size > BYTES_MAX:
            kept = read_journal(self.path)[-ROWS_KEPT:]
            write_text(self.path, "".join(msgspec.json.encode(row).decode() + "\n" for row in kept))

    def latest(self) -> dict[str, Entry]:
        """Of what was left, the last of each set, in order of time."""
        found: dict[str, Entry] = {}
        for row in self.left:
            found.pop(row.slot, None)
            found[row.slot] = row
        return found

    def forget(self) -> None:
        """Offer no more what was left."""
        self.left = ()


def read_journal(path: Path) -> list[Entry]:
    """The entries of a journal; one that was cut off in the middle of a line ends before it."""
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError:
        return []
    rows = []
    for line in lines:
        try:
            rows.append(msgspec.json.decode(line, type=Entry))
        except msgspec.DecodeError:
            continue
    return rows


def journal_of(folder: Path, name: str) -> Path:
    """Where the journal of a source stands."""
    return folder / f".{name}.desk.jsonl"

"""A season on disk: Parquet, a partition for each place and day, whole or not at all.

Layout
------
::

    season/
      season.json                             what it was made with
      place=Carr/day=2026-05-12/hours.parquet, calls.parquet, files.parquet, done.json

A partition is written under another name and renamed when it is complete, so that a run that
is stopped, killed, or finds the disk full leaves only whole ones. ``done.json`` says of
which recordings a partition was made, by size and time of change: the next run does only what is
missing or has changed. Days without a date are ``day=unknown``.

Source: partitions by folders ``key=value``, as duckdb and Arrow read them.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING
from urllib.parse import quote

import msgspec

from callresp.errors import UserError
from callresp.io.files import PART, fresh_folder, write_text
from callresp.scout.survey import CallRow, FileRow, HourRow, Tables, Unit

if TYPE_CHECKING:
    import pyarrow as pa

TABLES: dict[str, type[msgspec.Struct]] = {"hours": HourRow, "calls": CallRow, "files": FileRow}
UNKNOWN_DAY = "unknown"


class SeasonManifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a season was made with: names and digests of the examples, and the machine."""

    season: int = 1
    examples: dict[str, str]
    palette: str | None = None
    rules: str | None = None


def open_season(folder: Path, made: SeasonManifest) -> None:
    """Begin a season in a folder, or go on with the one that is there.

    Raises
    ------
    UserError
        When something else is there, or it was made with other examples.
    """
    _arrow()
    known = folder / "season.json"
    if known.is_file():
        before = read_manifest(folder)
        if before != made:
            raise UserError(
                "was made with other examples, palette or rules",
                where=str(folder),
                remedy="name another folder",
            )
    elif folder.exists() and any(folder.iterdir()):
        raise UserError("holds something else", where=str(folder), remedy="name a new folder")
    else:
        write_text(known, msgspec.json.format(msgspec.json.encode(made)).decode() + "\n")
    for stale in folder.glob(f"place=*/{PART}*"):
        shutil.rmtree(stale, ignore_errors=True)


def read_manifest(folder: Path) -> SeasonManifest:
    """What a season was made with.

    Raises
    ------
    UserError
        When there is no season in the folder.
    """
    try:
        return msgspec.json.decode((folder / "season.json").read_bytes(), type=SeasonManifest)
    except (OSError, msgspec.DecodeError):
        raise UserError(
            "holds no season", where=str(folder), remedy="make one with callresp season"
        ) from None


def digests(clips: Sequence[Path]) -> dict[str, str]:
    """Of what clips hold, by their names; of clips of one name in several folders, together."""
    found: dict[str, hashlib.blake2b] = {}
    for path in clips:
        known = found.setdefault(path.name, hashlib.blake2b(digest_size=16))
        known.update(path.read_bytes())
    return {name: own.hexdigest() for name, own in found.items()}


def partition(folder: Path, unit: Unit) -> Path:
    """Where a unit's tables are."""
    place = quote(unit.place.name, safe=" ")
    return folder / f"place={place}" / f"day={unit.day or UNKNOWN_DAY}"


def fingerprint(unit: Unit) -> dict[str, list[int]]:
    """Sizes and times of change of a unit's recordings."""
    found = {}
    for one in unit.sources:
        status = one.path.stat()
        found[str(one.path)] = [status.st_size, status.st_mtime_ns]
    return found


def is_done(folder: Path, unit: Unit) -> bool:
    """Whether a unit's partition is there and its recordings are as they were."""
    try:
        known = msgspec.json.decode((partition(folder, unit) / "done.json").read_bytes())
    except (OSError, msgspec.DecodeError):
        return False
    return bool(known == fingerprint(unit))


def write_partition(folder: Path, unit: Unit, tables: Tables) -> None:
    """Write a unit's tables, all of them or none.

    Parameters
    ----------
    folder
        The season's.
    unit
        A day at a place.
    tables
        What was found there.

    Raises
    ------
    UserError
        When the disk is full or may not be written to.
    """
    parquet = _arrow()
    final = partition(folder, unit)
    goes_on = "free some space and run the same command: it goes on where it was"
    with fresh_folder(final, goes_on) as part:
        for name, kind in TABLES.items():
            parquet.write_table(_table(getattr(tables, name), kind), part / f"{name}.parquet")
        (part / "done.json").write_bytes(msgspec.json.encode(fingerprint(unit)))
        for one in part.iterdir():
            _synced(one)
        if final.exists():
            # Nothing reads a partition while it is replaced; a kill between the two renames
            # leaves none, and the next run makes it anew.
            final.rename(part.with_name(f"{part.name}-old"))
        part.rename(final)
        shutil.rmtree(part.with_name(f"{part.name}-old"), ignore_errors=True)


def _synced(path: Path) -> None:
    with path.open("rb") as written:
        os.fsync(written.fileno())


def _arrow() -> ModuleType:
    try:
        import pyarrow.parquet as parquet
    except ImportError:
        raise UserError(
            "a season needs the package pyarrow", remedy="pip install 'callresp[season]'"
        ) from None
    found: ModuleType = parquet
    return found


def _table(rows: Sequence[msgspec.Struct], kind: type[msgspec.Struct]) -> pa.Table:
    """Rows as an Arrow table; place and day stand in the folders' names."""
    import pyarrow as pa

    of = {int: pa.int64(), float: pa.float64(), str: pa.string(), bool: pa.bool_()}
    columns = {}
    for one in msgspec.structs.fields(kind):
        if one.name == "place":
            continue
        plain = next(k for k in (bool, int, float, str) if _holds(one.type, k))
        columns[one.name] = pa.array([getattr(row, one.name) for row in rows], of[plain])
    return pa.table(columns)


def _holds(declared: object, plain: type) -> bool:
    return declared is plain or plain in getattr(declared, "__args__", ())

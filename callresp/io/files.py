"""Whole files or none: writing so that a crash leaves the old file in place.

A file is written beside its final name and renamed over it only when it is
complete (POSIX.1-2017, ``rename``: the replacement is atomic).
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from callresp.errors import UserError


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Yield a temporary path beside `path`, renamed over it on success.

    The temporary file keeps the ending of `path`, since audio and picture
    writers choose a format by it. On any exception it is removed and `path`
    is untouched.

    Raises
    ------
    UserError
        When the folder can't be written.
    """
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".part-", suffix=path.suffix, dir=path.parent)
    except OSError as fault:
        raise UserError(
            f"can't write here ({fault.strerror})",
            where=str(path),
            remedy="choose a folder that you may write to",
        ) from fault
    os.close(handle)
    part = Path(name)
    umask = os.umask(0)
    os.umask(umask)
    part.chmod(0o666 & ~umask)
    try:
        yield part
        part.replace(path)
    except OSError as fault:
        raise UserError(
            f"could not write it ({fault.strerror})",
            where=str(path),
            remedy="free some space or choose another folder",
        ) from fault
    finally:
        part.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write `text` (UTF-8) to `path`, whole or not at all."""
    with whole_file(path) as part:
        part.write_text(text, encoding="utf-8")


def read_text(path: Path) -> str:
    """Read a UTF-8 text file.

    Raises
    ------
    UserError
        When it is missing, a directory, forbidden or not text.
    """
    path = Path(path)
    try:
        return path.read_text(encoding="utf-8")
    except OSError as fault:
        raise UserError(
            f"can't read it ({fault.strerror})", where=str(path), remedy="check the name"
        ) from fault
    except UnicodeDecodeError as fault:
        raise UserError(
            "not a text file in UTF-8", where=str(path), remedy="check that it is the right file"
        ) from fault

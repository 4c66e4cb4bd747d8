"""Whole files or none: writing so that a crash leaves the old file in place.

A file is written beside its final name and renamed over it only when it is
complete (POSIX.1-2017, ``rename``: the replacement is atomic).
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from callresp.errors import UserError

PART = ".part-"  # how the names begin of what is not whole yet
NO_SPACE = "free some space or choose another folder"


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
    with _refused(path, "can't write here", "choose a folder that you may write to"):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=PART, suffix=path.suffix, dir=path.parent)
    os.close(handle)
    part = Path(name)
    part.chmod(0o666 & ~umask())
    try:
        with _refused(path, "could not write it", NO_SPACE):
            yield part
            part.replace(path)
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def fresh_folder(folder: Path, remedy: str = NO_SPACE) -> Iterator[Path]:
    """Yield a new folder beside `folder`, to be moved to its place; removed if it was not.

    Raises
    ------
    UserError
        When it can't be written beside it, or while inside.
    """
    with _refused(folder, "can't write here", "choose a folder that you may write to"):
        folder.parent.mkdir(parents=True, exist_ok=True)
        part = Path(tempfile.mkdtemp(prefix=PART, dir=folder.parent))
    try:
        with _refused(folder, "could not write it", remedy):
            yield part
    except UserError as fault:
        # A file in it could not be written: its name is the one that it would have had.
        fault.where = fault.where.replace(str(part), str(folder))
        raise
    finally:
        shutil.rmtree(part, ignore_errors=True)


@contextmanager
def _refused(path: Path, what: str, remedy: str) -> Iterator[None]:
    try:
        yield
    except OSError as fault:
        raise UserError(
            f"{what} ({fault.strerror or fault})", where=str(path), remedy=remedy
        ) from fault


def check_room(path: Path, size: float) -> None:
    """Refuse to begin what the disk can't hold.

    Parameters
    ----------
    path
        The file that is to be written.
    size
        How many bytes it will take.

    Raises
    ------
    UserError
        When fewer are free there.
    """
    free = shutil.disk_usage(path.absolute().parent).free
    if size > free:
        unit, each = ("GB", 1e9) if size >= 1e9 else ("MB", 1e6)
        raise UserError(
            f"would take {size / each:,.1f} {unit}, and {free / each:,.1f} {unit} are free",
            where=str(path),
            remedy=NO_SPACE,
        )


def umask() -> int:
    """Which rights a new file of this process does not get."""
    found = os.umask(0)
    os.umask(found)
    return found


def write_text(path: Path, text: str) -> None:
    """Write `text` (UTF-8) to `path`, whole or not at all."""
    with whole_file(path) as part:
        part.write_text(text, encoding="utf-8")


def read_text(path: Path, remedy: str = "check that it is the right file") -> str:
    """Read a UTF-8 text file, with or without a byte-order mark; `remedy` is for what is no text.

    Raises
    ------
    UserError
        When it is missing, a directory, forbidden or not text.
    """
    path = Path(path)
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as fault:
        raise UserError(
            f"can't read it ({fault.strerror})", where=str(path), remedy="check the name"
        ) from fault
    except UnicodeDecodeError as fault:
        raise UserError("not a text file in UTF-8", where=str(path), remedy=remedy) from fault


def named_in_utf8(path: Path) -> Path:
    """The path, unless its name could not be written into a score, a table or a page.

    Raises
    ------
    UserError
        When the name was given in another encoding, as by an old recorder.
    """
    # Python stands lone surrogates for bytes that are no text (PEP 383).
    if any("\ud800" <= letter <= "\udfff" for letter in str(path)):
        where = str(path).encode("utf-8", "backslashreplace").decode()
        raise UserError("its name is not in UTF-8", where=where, remedy="rename it")
    return path


class OnlyWriter:
    """Holds a file for one writer at a time, as long as this object is open.

    A lock file stands beside it while it is written. The lock itself is the
    system's (flock(2); on Windows, ``LockFile``): it ends with its process,
    however that ends, so what a crash leaves behind locks nobody out.

    Raises
    ------
    UserError
        When another program writes it, or no lock file can be made beside it.
    """

    def __init__(self, path: Path) -> None:
        self._lock = path.with_name(path.name + "-lock")
        try:
            while True:
                self._handle = os.open(self._lock, os.O_RDWR | os.O_CREAT | NO_FOLLOW, 0o666)
                _lock_now(self._handle)
                if self._still_there():
                    return
                # Its last holder has taken it away in between: make it anew.
                os.close(self._handle)
        except BlockingIOError as fault:
            os.close(self._handle)
            raise UserError(
                "another callresp is writing this file",
                where=str(path),
                remedy="stop that one first, or name another file",
            ) from fault
        except OSError as fault:
            raise UserError(
                f"can't lock it ({fault.strerror})",
                where=str(self._lock),
                remedy="choose a folder that you may write to, with space left",
            ) from fault

    def _still_there(self) -> bool:
        try:
            return os.path.samestat(os.fstat(self._handle), os.stat(self._lock))  # noqa: PTH116
        except FileNotFoundError:
            return False

    def close(self) -> None:
        """Give the file free."""
        if os.name == "posix" and self._still_there():
            # While it is still held, so that nobody can hold what is then gone.
            self._lock.unlink(missing_ok=True)
        os.close(self._handle)


NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0)


def _lock_now(handle: int) -> None:
    """Lock an open file, or raise `BlockingIOError` at once."""
    try:
        import fcntl
    except ImportError:
        import msvcrt

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError as fault:
            raise BlockingIOError from fault
        return
    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)

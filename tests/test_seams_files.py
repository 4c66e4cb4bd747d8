"""Files: whole or not at all."""

from __future__ import annotations

import re
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from callresp.errors import UserError
from callresp.field.log import FieldLog
from callresp.io.audio import write_wav
from callresp.io.files import check_room, fresh_folder, read_text, whole_file, write_text


def test_a_crash_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "score.jsonl"
    write_text(path, "old")
    with pytest.raises(ZeroDivisionError), whole_file(path) as part:
        part.write_text(str(1 / 0))
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_nothing_half_written_takes_the_name(tmp_path: Path) -> None:
    path = tmp_path / "new.jsonl"
    with whole_file(path) as part:
        part.write_text("half")
        assert not path.exists()
    assert path.read_text() == "half"


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(UserError, match="can't write here"):
        write_text(tmp_path / "file" / "score.jsonl", "x")


def test_bytes_that_are_not_text_are_told(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UserError, match="UTF-8"):
        read_text(tmp_path / "a.toml")


@pytest.fixture
def full_disk() -> Iterator[None]:
    """No file of this process grows."""
    resource = pytest.importorskip("resource")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    told = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, before)
    signal.signal(signal.SIGXFSZ, told)


@pytest.mark.usefixtures("full_disk")
def test_a_full_disk_leaves_nothing_and_is_told_by_the_names_given(tmp_path: Path) -> None:
    where = re.escape(str(tmp_path))
    with pytest.raises(UserError, match=rf"{where}/x\.wav: could not write it"):
        write_wav(tmp_path / "x.wav", np.zeros(9), 48_000)
    told = rf"{where}/board/limits\.c: could not write it"
    with pytest.raises(UserError, match=told), fresh_folder(tmp_path / "board") as folder:
        write_text(folder / "limits.c", "int limits;\n")
    with pytest.raises(UserError, match=rf"{where}/day\.log: can't keep a field log here"):
        FieldLog(tmp_path / "day.log")
    assert list(tmp_path.iterdir()) == []


def test_what_the_disk_cannot_hold_is_not_begun(tmp_path: Path) -> None:
    free = shutil.disk_usage(tmp_path).free
    check_room(tmp_path / "x.wav", free / 2)
    with pytest.raises(UserError, match=r"x\.wav: would take .* are free; free some space"):
        check_room(tmp_path / "x.wav", 2 * free)

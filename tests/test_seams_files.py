"""Files: whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from callresp.errors import UserError
from callresp.io.files import read_text, whole_file, write_text


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

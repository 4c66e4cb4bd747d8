"""The tool that shows that two checkouts hear, answer and plan the same."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import numpy as np
import pytest
import same_results as same
import soundfile
from click.testing import CliRunner

HEAD: dict[str, object] = {"score": "heard", "version": 1}
NOTE: dict[str, object] = {
    "id": 0,
    "onset_s": 0.1,
    "pitch_hz": None,
    "track": [[0.1, 440.0], [0.2, 441.0]],
}


def _folder(path: Path, *lines: dict[str, object], name: str = "a.heard.jsonl") -> Path:
    path.mkdir(exist_ok=True)
    (path / name).write_text("".join(json.dumps(line) + "\n" for line in lines))
    return path


@pytest.mark.parametrize(
    ("changed", "place"),
    [
        ({"onset_s": np.nextafter(0.1, 1)}, "line 2: onset_s"),
        ({"pitch_hz": 440.0}, "line 2: pitch_hz"),
        ({"id": 0.0}, "line 2: id"),
        ({"track": [[0.1, 440.0], [0.2, -441.0]]}, "line 2: track[1][1]"),
        ({"track": [[0.1, 440.0]]}, "line 2: track"),
        ({"extra": 1}, "line 2: extra"),
    ],
)
def test_the_least_change_is_found(tmp_path: Path, changed: dict[str, object], place: str) -> None:
    old = _folder(tmp_path / "old", HEAD, NOTE)
    new = _folder(tmp_path / "new", HEAD, NOTE | changed)
    found = same.compare(old, new, ())
    assert found is not None
    assert found.where == f"a.heard.jsonl, {place}"
    assert same.compare(old, new, tuple(changed)) is None
    assert same.compare(old, old, ()) is None


def test_minus_zero_is_not_zero() -> None:
    assert same.first_difference(0.0, -0.0, (), "here") is not None


def test_a_line_or_a_file_too_few_is_found(tmp_path: Path) -> None:
    two = _folder(tmp_path / "two", HEAD, NOTE, NOTE)
    one = _folder(tmp_path / "one", HEAD, NOTE)
    for old, new, told in (
        (two, one, "2 lines, else the same"),
        (one, two, "3 lines, else the same"),
    ):
        found = same.compare(old, new, ())
        assert found is not None
        assert found.new == told
    (one / "a.heard.jsonl").unlink()
    found = same.compare(two, one, ())
    assert found is not None
    assert found.new == "not written"


def test_the_order_of_fields_and_a_format_version_are_no_difference(tmp_path: Path) -> None:
    old = _folder(tmp_path / "old", HEAD)
    new = _folder(tmp_path / "new", {"version": 2, "score": "heard"})
    assert same.compare(old, new, same.ALWAYS_IGNORED) is None


def test_a_cut_keeps_the_samples(tmp_path: Path) -> None:
    samples = np.random.default_rng(1).integers(-(2**15), 2**15, 3000).astype(np.int16)
    soundfile.write(tmp_path / "dawn.flac", samples, 1000, subtype="PCM_16")
    cut = same.cut(tmp_path / "dawn.flac", 2.0, tmp_path)
    read, rate = soundfile.read(cut, dtype="int16")
    assert rate == 1000
    np.testing.assert_array_equal(read, samples[:2000])


def test_a_live_log_is_told_without_wall_clock_and_load(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "log") as base:
        base.execute("CREATE TABLE entry (id INTEGER, at_s REAL, wall TEXT, kind TEXT, body TEXT)")
        rows = [(1, 0.5, "now", "status", "{}"), (2, 1.5, "now", "phrase", '{"id":7}')]
        base.executemany("INSERT INTO entry VALUES (?, ?, ?, ?, ?)", rows)
    (line,) = same.live_lines(tmp_path / "log")
    assert json.loads(line) == {"at_s": 1.5, "kind": "phrase", "body": {"id": 7}}


def test_a_folder_that_is_no_checkout_is_refused(tmp_path: Path) -> None:
    done = CliRunner().invoke(same.same_results, [str(tmp_path), str(tmp_path)])
    assert done.exit_code == 2
    assert "is it a checkout?" in done.output

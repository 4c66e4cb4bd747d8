"""The field log: append-only, whole after a kill, patient with a full disk."""

from __future__ import annotations

import random
import shutil
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from field_helpers import log_rows

from callresp.errors import UserError
from callresp.field.log import FieldLog, LogReader

WRITER = """
import sys
from pathlib import Path
from callresp.field.log import FieldLog
log = FieldLog(Path(sys.argv[1]))
number = 0
while True:
    at_s = number / 100
    log.append(at_s, "remark", {"number": number})
    print(number, flush=True)
    number += 1
"""


def test_rows_come_back_in_order(tmp_path: Path) -> None:
    path = tmp_path / "day.log"
    with FieldLog(path) as log:
        for number in range(500):
            log.append(number / 10, "phrase" if number % 2 else "fault", {"n": number})
    assert [row.body["n"] for row in log_rows(path)] == list(range(500))
    assert [row.body["n"] for row in log_rows(path, "fault")] == list(range(0, 500, 2))


def test_rows_can_be_neither_changed_nor_removed(tmp_path: Path) -> None:
    path = tmp_path / "day.log"
    with FieldLog(path) as log:
        log.append(0.0, "remark", "first")
    base = sqlite3.connect(path)
    for order in ("DELETE FROM entry", "UPDATE entry SET body = ''"):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            base.execute(order)


def test_a_kill_loses_at_most_the_last_second(tmp_path: Path) -> None:
    path = tmp_path / "day.log"
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout is not None
    for line in writer.stdout:
        if int(line) >= 3000:
            break
    writer.send_signal(signal.SIGKILL)
    said = [3000, *(int(text) for text in writer.stdout.read().split() if text.isdigit())]
    writer.wait()
    kept = [row.body["number"] for row in log_rows(path)]
    assert kept == list(range(len(kept)))
    # 100 rows are a second on the writer's clock; its last line may not have reached us.
    assert len(kept) >= max(said) - 100
    check = sqlite3.connect(path).execute("PRAGMA integrity_check").fetchone()
    assert check == ("ok",)


def test_a_full_disk_is_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "day.log"
    log = FieldLog(path)
    log.append(0.0, "remark", "before")
    (pages,) = log._base.execute("PRAGMA page_count").fetchone()
    log._base.execute(f"PRAGMA max_page_count = {pages}")
    for number in range(200):
        log.append(1.0 + number, "remark", "x" * 2000)
    assert log.trouble is not None
    assert "full" in log.trouble
    log._base.execute("PRAGMA max_page_count = 100000")
    assert log.commit(300.0)
    assert log.trouble is None
    log.close(300.0)
    assert sum(1 for _ in log_rows(path)) == 201


def gone(log: FieldLog, path: Path, how: str) -> None:
    if how == "deleted":
        path.unlink()
    elif how == "deleted with all beside it":
        shutil.rmtree(path.parent)
    elif how.startswith("moved"):
        path.rename(path.with_name("kept.log"))
        if how == "moved, and an empty one made":  # as logrotate does by `create`
            path.touch()
    log.append(10.0, "remark", 2)
    assert log.trouble is not None
    assert "its file has gone" in log.trouble
    log.append(11.0, "remark", 3)


@pytest.mark.parametrize(
    "how", ["deleted", "deleted with all beside it", "moved", "moved, and an empty one made"]
)
def test_a_log_whose_file_has_gone_is_begun_anew_with_all_its_rows(
    tmp_path: Path, how: str
) -> None:
    path = tmp_path / "stick" / "day.log"
    log = FieldLog(path)
    log.append(0.0, "day", {})
    log.append(1.0, "remark", 1)
    gone(log, path, how)
    if how == "deleted with all beside it":
        assert "1 row lost" not in str(log.trouble)
        path.parent.mkdir()
    assert log.commit(12.0)
    assert log.trouble is None
    log.append(13.0, "remark", 4)
    log.close(13.0)
    assert log.dropped == 0
    assert [row.body for row in log_rows(path)] == [{}, 1, 2, 3, 4]
    assert sqlite3.connect(path).execute("PRAGMA integrity_check").fetchone() == ("ok",)
    left = {file.name for file in path.parent.iterdir()}
    assert left == {"day.log"} | ({"kept.log"} if how.startswith("moved") else set())


@pytest.mark.parametrize("tried_s", [0.1, 10.0])
def test_a_log_whose_folder_has_gone_is_kept_at_the_end(tmp_path: Path, tried_s: float) -> None:
    path = tmp_path / "stick" / "day.log"
    log = FieldLog(path)
    log.append(0.0, "remark", 1)
    shutil.rmtree(path.parent)
    log.append(tried_s, "remark", 2)
    log.append(2 * tried_s, "remark", 3)
    log.close(3 * tried_s)
    assert log.dropped == 0
    assert [row.body for row in log_rows(path)] == [1, 2, 3]


def test_a_disk_that_is_back_is_gone_on_with(tmp_path: Path) -> None:
    path = tmp_path / "stick" / "day.log"
    log = FieldLog(path)
    log.append(0.0, "remark", 1)
    path.parent.rename(tmp_path / "taken out")
    log.append(10.0, "remark", 2)
    log.append(11.0, "remark", 3)
    assert log.trouble is not None
    (tmp_path / "taken out").rename(path.parent)
    log.close(12.0)
    assert log.dropped == 0
    assert [row.body for row in log_rows(path)] == [1, 2, 3]


def test_what_can_not_be_read_any_more_is_counted_as_lost(tmp_path: Path) -> None:
    log = FieldLog(tmp_path / "day.log")
    log.append(0.0, "remark", 1)
    log.append(1.0, "remark", 2)
    # As a disk that was pulled out: what is open can't be read either.
    log._base.close()
    for file in tmp_path.iterdir():
        file.unlink()
    log.append(10.0, "remark", 3)
    log.append(11.0, "remark", 4)
    log.close(12.0)
    assert log.dropped == 2
    assert [row.body for row in log_rows(tmp_path / "day.log")] == [3, 4]


def test_a_log_without_rows_leaves_no_file(tmp_path: Path) -> None:
    FieldLog(tmp_path / "day.log").close(0.0)
    assert list(tmp_path.iterdir()) == []


def test_a_log_can_be_read_while_it_grows(tmp_path: Path) -> None:
    path = tmp_path / "day.log"
    log = FieldLog(path)
    log.append(0.0, "remark", 1)
    log.append(1.0, "remark", 2)
    assert len(list(log_rows(path))) == 2
    log.close(1.0)


def test_a_log_that_was_read_stands_alone(tmp_path: Path) -> None:
    with FieldLog(tmp_path / "day.log") as log:
        log.append(1.0, "remark", {"text": "begun"})
    assert len(list(LogReader(tmp_path / "day.log").rows())) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["day.log"]
    with FieldLog(tmp_path / "day.log") as log:
        log.append(2.0, "remark", {"text": "gone on"})
    assert len(list(LogReader(tmp_path / "day.log").rows())) == 2


def test_mistakes_are_told(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no such field log"):
        list(log_rows(tmp_path / "none.log"))
    (tmp_path / "text.log").write_text("not a data base" * 100)
    with pytest.raises(UserError, match="not a field log"):
        list(log_rows(tmp_path / "text.log"))
    with pytest.raises(UserError, match="can't keep a field log here"):
        FieldLog(tmp_path / "text.log" / "day.log")


@pytest.fixture(scope="module")
def numbered(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A log of 400 rows, each with its number; some too long for a page."""
    path = tmp_path_factory.mktemp("numbered") / "day.log"
    with FieldLog(path) as log:
        for number in range(400):
            text = "x" * (9000 if number % 50 == 7 else number % 90)
            log.append(number / 10, "remark", {"number": number, "text": text})
    return path.read_bytes()


def numbers(path: Path) -> tuple[list[int], int]:
    """The numbers that can be read, and how many rows are lost."""
    reader = LogReader(path)
    rows = [row.body.get("number") for row in reader.rows()]
    return rows, reader.lost


@pytest.mark.parametrize("seed", range(40))
def test_a_flipped_bit_costs_a_few_rows_at_most(tmp_path: Path, numbered: bytes, seed: int) -> None:
    rng = random.Random(seed)
    damaged = bytearray(numbered)
    damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
    (tmp_path / "day.log").write_bytes(damaged)
    rows, lost = numbers(tmp_path / "day.log")
    # A page of 4096 bytes holds some 50 of these rows; most flips cost one, or none.
    assert len(rows) >= 340
    assert len(rows) + lost >= 399
    assert len(set(range(400)) - set(rows)) <= 60


@pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
def test_a_log_cut_short_keeps_what_is_before(
    tmp_path: Path, numbered: bytes, share: float
) -> None:
    (tmp_path / "day.log").write_bytes(numbered[: int(share * len(numbered))])
    rows, lost = numbers(tmp_path / "day.log")
    assert len(rows) >= (share - 0.1) * 400
    # How many there were is told by how many pages there should be; a page holds up to 50 rows.
    assert abs(len(rows) + lost - 400) <= 60
    assert rows == sorted(rows)


def test_a_lost_first_page_loses_no_row(tmp_path: Path, numbered: bytes) -> None:
    (tmp_path / "day.log").write_bytes(bytes(4096) + numbered[4096:])
    assert numbers(tmp_path / "day.log") == (list(range(400)), 0)


def test_a_lost_page_is_counted(tmp_path: Path, numbered: bytes) -> None:
    at = numbered.index(b'"number":200,') // 4096 * 4096
    (tmp_path / "day.log").write_bytes(numbered[:at] + bytes(4096) + numbered[at + 4096 :])
    rows, lost = numbers(tmp_path / "day.log")
    assert 200 not in rows
    assert 0 < lost < 80
    assert len(rows) + lost == 400


def test_a_lost_first_page_keeps_what_waits_beside_the_file(tmp_path: Path) -> None:
    path = tmp_path / "day.log"
    with FieldLog(path) as log:
        log.append(0.0, "remark", {"number": 0})
    log = FieldLog(path)
    for number in range(1, 300):
        log.append(number * 1.5, "status", {"number": number, "text": "y" * (number * 37 % 6000)})
    log.commit(500.0)
    cut = tmp_path / "cut" / "day.log"
    cut.parent.mkdir()
    shutil.copy(path.with_name("day.log-wal"), cut.parent)
    cut.write_bytes(bytes(4096) + path.read_bytes()[4096:])
    log.close(500.0)
    assert numbers(cut) == (list(range(300)), 0)


def test_rows_that_are_none_are_left_out_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "day.log"
    with FieldLog(path) as log:
        log.append(0.0, "remark", "first")
    base = sqlite3.connect(path)
    wall, deep, digits = "2026-05-12T04:00:00+01:00", "[" * 200_000, "7" * 5000
    for at_s, kind, body in (
        (float("inf"), "remark", '"no time"'),
        ("noon", "remark", '"a word for a time"'),
        (1.0, "opera", '"a kind of another version"'),
        (1.0, "remark", deep),
        (1.0, "remark", '{"text": '),
        (1.0, "remark", b"\xff\xfe"),
        (2.0, "remark", f'{{"text": "kept", "n": {digits}}}'),
    ):
        base.execute(
            "INSERT INTO entry (at_s, wall, kind, body) VALUES (?, ?, ?, ?)",
            (at_s, wall, kind, body),
        )
    base.commit()
    base.close()
    reader = LogReader(path)
    rows = list(reader.rows())
    assert rows[0].body == "first"
    assert len(rows) + reader.lost == 8
    assert reader.lost >= 6

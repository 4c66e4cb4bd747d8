"""The field log: append-only, whole after a kill, patient with a full disk."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from callresp.errors import UserError
from callresp.field.log import FieldLog, log_rows

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


def test_a_log_can_be_read_while_it_grows(tmp_path: Path) -> None:
    path = tmp_path / "day.log"
    log = FieldLog(path)
    log.append(0.0, "remark", 1)
    log.append(1.0, "remark", 2)
    assert len(list(log_rows(path))) == 2
    log.close(1.0)


def test_mistakes_are_told(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no such field log"):
        list(log_rows(tmp_path / "none.log"))
    (tmp_path / "text.log").write_text("not a data base" * 100)
    with pytest.raises(UserError, match="not a field log"):
        list(log_rows(tmp_path / "text.log"))
    with pytest.raises(UserError, match="can't keep a field log here"):
        FieldLog(tmp_path / "text.log" / "day.log")

"""The systemd unit: whole paths, quoted as systemd reads them, and checked by systemd itself."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from callresp.cli import cli
from callresp.commands import service
from callresp.errors import UserError
from callresp.io.resources import find

WORDS = ("--port", "/dev/ttyACM0", "--log", "day.log", "--palette", "mine.toml")


@pytest.mark.parametrize(
    ("word", "expected"),
    [
        ("plain", "plain"),
        ("/dev/ttyACM0", "/dev/ttyACM0"),
        ("my day.log", '"my day.log"'),
        ("100%", "100%%"),
        ("$HOME", "$$HOME"),
        ('a"b', '"a\\"b"'),
        ("a\\b", '"a\\\\b"'),
        (";", '";"'),
        ("", '""'),
    ],
)
def test_words_are_quoted_as_systemd_service_5_says(word: str, expected: str) -> None:
    """Its "Command lines": quotes, "%%" for a percent sign, "$$" for a dollar sign, C escapes.

    From memory.
    """
    assert service.quoted(word) == expected


def test_the_unit_has_the_users_own_options_with_whole_paths(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copy(find("palettes", "fettle"), "mine.toml")
    done = CliRunner().invoke(cli, ["service", "-o", "x.service", "--user", "ann", "--", *WORDS])
    unit = Path("x.service").read_text()
    assert done.exit_code == 0, done.output
    (start,) = [row for row in unit.splitlines() if row.startswith("ExecStart=")]
    assert start.endswith(
        f"-m callresp live --port /dev/ttyACM0 --log {tmp_path}/day.log"
        f" --palette {tmp_path}/mine.toml --yes"
    )
    assert "User=ann" in unit
    assert f"WorkingDirectory={tmp_path}" in unit
    # A shipped name stays one; so does the sound card.
    words = service._absolute(("--input=device", "--rules", "answer", "--snippets=s"), tmp_path)
    assert words == ["--input=device", "--rules", "answer", f"--snippets={tmp_path}/s"]


def test_a_mistake_is_told_now_and_not_at_the_next_boot() -> None:
    for words in (
        ["--prot", "x"],
        ["--speed", "nan"],
        ["--port"],
        ["--palette", "nobody"],
        ["--rules", "nobody"],
        ["--profile", "nobody"],
    ):
        done = CliRunner().invoke(cli, ["service", "--", *words])
        assert done.exit_code == 2 or isinstance(done.exception, UserError), done.output
        assert "ExecStart" not in done.output


@pytest.mark.parametrize("words", [("--name", "a/b"), ("--name", ""), ("--user", "two words")])
def test_a_name_that_no_unit_takes_is_told(words: tuple[str, str]) -> None:
    done = CliRunner().invoke(cli, ["service", *words, "--", "--log", "day.log"])
    assert isinstance(done.exception, UserError)
    assert str(done.exception).startswith(f"{words[0]}: '{words[1]}' is no name that a unit takes")
    assert "ExecStart" not in done.output


def test_a_script_is_given_the_unit_and_what_was_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    words = ["service", "--json", "--", "--port", "/dev/ttyACM0", "--log", "day.log"]
    monkeypatch.setattr(service, "verified", lambda unit, name: "line 3: nonsense")
    done = CliRunner().invoke(cli, words)
    told = json.loads(done.stdout)
    assert done.exit_code == 1
    assert "\nExecStart=" in told.pop("unit")
    assert told == {"file": None, "checked": True, "found": "line 3: nonsense"}
    monkeypatch.setattr(service, "verified", lambda unit, name: None)
    done = CliRunner().invoke(cli, [*words[:2], "-o", "x.service", *words[2:]])
    told = json.loads(done.stdout)
    assert done.exit_code == 0
    assert told.pop("unit") == Path("x.service").read_text()
    assert told == {"file": "x.service", "checked": False, "found": ""}


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd-analyze here")
def test_systemd_finds_no_fault_with_it_and_would_with_a_spoilt_one(tmp_path: Path) -> None:
    unit = service.unit_text((*WORDS, "--device", 'a "b" $c 5%'), "callresp", "root", tmp_path)
    assert service.verified(unit, "callresp") == ""
    spoilt = unit.replace("ExecStart=", "ExecStart=relative/")
    assert service.verified(spoilt, "callresp")

"""``callresp check`` and ``callresp palette``: what they print, write and end with."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from plan_helpers import reply_note

from callresp.cli import cli
from callresp.commands.check import describe
from callresp.errors import UserError
from callresp.io.resources import corpus
from callresp.io.score import ReplyHeader, ReplyNote, ReplyScore
from callresp.io.score_files import write_reply
from callresp.palette.files import load_palette
from callresp.plan.checked_plan import check as check_plan
from callresp.plan.files import read_plan
from callresp.plan.model import PREFERENCE
from callresp.verbs import check, palette


def reply_file(folder: Path, *notes: ReplyNote) -> Path:
    path = folder / "dawn.reply.jsonl"
    header = ReplyHeader(palette="fettle", duration_s=30.0)
    write_reply(path, ReplyScore(header=header, notes=notes))
    return path


def run(*words: str) -> Result:
    return CliRunner().invoke(check.command, list(words))


def test_all_as_asked_ends_with_0_and_writes_the_plan(tmp_path: Path) -> None:
    done = run(str(reply_file(tmp_path, reply_note(0, 10, 11, "tube 1"))))
    assert done.exit_code == 0
    assert "all as asked" in done.stdout
    plan = read_plan(tmp_path / "dawn.plan.jsonl")
    assert check_plan(plan, load_palette("fettle")).plan == plan
    assert "moving parts" in done.stderr


def test_a_change_ends_with_1_and_is_told_with_its_reason(tmp_path: Path) -> None:
    notes = (
        reply_note(0, 10, 11, "tube 1"),
        reply_note(1, 10.1, 11, "tube 1"),
        reply_note(2, 10.15, 11, "tube 1"),
        reply_note(3, 12, 60, "tube 2"),
    )
    path = reply_file(tmp_path, *notes)
    done = run(str(path))
    assert done.exit_code == 1
    for part in (
        "1 moved: tube 1 was struck just before, by up to 10 ms, first at 10.1 s [restrike_ms]",
        "1 dropped: tube 1 was struck just before",
        "1 damped: the damper of tube 2 goes back early, by up to 28 s",
    ):
        assert part in done.stdout
    each = run(str(path), "--changes").stdout
    assert "10.100 s, note 1 moved" in each
    assert "(asked 10.1 s, given 10.11 s)" in each


def test_json_is_one_object(tmp_path: Path) -> None:
    done = run(str(reply_file(tmp_path, reply_note(0, 10, 11, "tube 9"))), "--json")
    assert done.exit_code == 1
    told = json.loads(done.stdout)
    assert told["strikes"] == 0
    assert told["dropped"] == 1
    assert told["changes"] == {"dropped: striker.name": 1}
    assert told["groups"][0]["why"] == "the palette has no 'tube 9'"
    assert told["plan"].endswith("dawn.plan.jsonl")


def test_the_order_of_preference_is_in_the_help() -> None:
    text = " ".join(run("--help").stdout.split())
    assert PREFERENCE in text


def test_a_day_too_long_says_when_it_must_stop(tmp_path: Path) -> None:
    notes = [reply_note(n, 1200.0 * n, None, "tube 1") for n in range(300)]
    done = run(str(reply_file(tmp_path, *notes)))
    assert done.exit_code == 1
    assert "the battery must stop at 7" in done.stdout
    assert "first at 76 h 40 min" in done.stdout


def test_every_change_can_be_told_in_a_line(tmp_path: Path) -> None:
    path = reply_file(tmp_path, reply_note(0, 10, 11, "tube 9"))
    run(str(path))
    for change in read_plan(tmp_path / "dawn.plan.jsonl").changes:
        assert describe(change) == (
            "10.000 s, note 0 dropped: the palette has no 'tube 9' [striker.name]"
        )


@pytest.mark.parametrize("name", ["fettle", "pocket", "ladder"])
def test_a_palette_is_printed_with_what_it_can_do(name: str) -> None:
    done = CliRunner().invoke(palette.palette_command, [name])
    assert done.exit_code == 0
    for striker in load_palette(name).striker:
        assert striker.name in done.stdout
    assert "held back by" in done.stdout
    told = json.loads(CliRunner().invoke(palette.palette_command, [name, "--json"]).stdout)
    assert told["palette"]["name"].lower() == name
    assert len(told["ability"]["strikers"]) == len(told["palette"]["striker"])


def test_shipped_palettes_are_listed() -> None:
    told = json.loads(CliRunner().invoke(palette.palette_command, ["--json"]).stdout)
    assert set(told) == {"fettle", "pocket", "ladder"}
    assert "fettle" in CliRunner().invoke(palette.palette_command, []).stdout


def test_all_faults_of_a_palette_end_with_2(tmp_path: Path) -> None:
    text = (corpus() / "palettes" / "fettle.toml").read_text()
    path = tmp_path / "mine.toml"
    path.write_text(text.replace("channel = 3\n", "channel = 2\n").replace("= 11.0", "= 13.0"))
    done = CliRunner().invoke(palette.palette_command, [str(path)])
    assert done.exit_code == 2
    assert done.stdout == ""
    assert done.stderr.count("callresp: ") == 2
    with pytest.raises(UserError):
        load_palette(path)


def test_a_palette_is_copied_as_it_is_and_over_nothing(tmp_path: Path) -> None:
    own = tmp_path / "mine.toml"
    words = ["pocket", "--copy", str(own)]
    done = CliRunner().invoke(palette.palette_command, words)
    assert done.exit_code == 0, done.output
    assert own.read_text() == (corpus() / "palettes" / "pocket.toml").read_text()
    told = CliRunner().invoke(palette.palette_command, ["pocket", "--copy", f"{own}.2", "--json"])
    assert json.loads(told.stdout) == {"written": [f"{own}.2"]}
    again = CliRunner().invoke(palette.palette_command, words)
    assert isinstance(again.exception, UserError)
    assert again.exception.where == str(own)
    which = CliRunner().invoke(palette.palette_command, words[1:])
    assert isinstance(which.exception, UserError)


def test_a_palette_is_found_beside_what_was_made_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was only looked for in the folder that one was in, where another may have its name."""
    there = tmp_path / "there"
    there.mkdir()
    text = (corpus() / "palettes" / "fettle.toml").read_text()
    (there / "mine.toml").write_text(text.replace('name = "Fettle"', 'name = "Mine"'))
    path = reply_file(there, reply_note(0, 10, 11, "tube 1"))
    path.write_text(path.read_text().replace('"fettle"', '"mine.toml"'))
    monkeypatch.chdir(tmp_path)
    words = ["stream", str(there / "dawn.plan.jsonl"), "--port", "simulated", "--dry-run"]
    for _ in range(2):
        assert run(str(path)).stdout.startswith("Mine: 1 strike")
        assert "all within the limits" in CliRunner().invoke(cli, words).output
        # Another machine's, in the folder that one is in: it has no tube 1.
        pocket = (corpus() / "palettes" / "pocket.toml").read_text()
        (tmp_path / "mine.toml").write_text(pocket)


def test_a_plan_for_a_shipped_palette_needs_no_changed_copy_of_it_beside(tmp_path: Path) -> None:
    """The copy alone was looked at, and the plan was told to be of another palette."""
    assert run(str(reply_file(tmp_path, reply_note(0, 10, 11, "tube 1")))).exit_code == 0
    text = (corpus() / "palettes" / "fettle.toml").read_text()
    copy = tmp_path / "fettle.toml"
    copy.write_text(text.replace('name = "Fettle"', 'name = "Other"'))
    assert load_palette(copy).name == "Other"
    # Nor is a reply that was made for it held against the copy.
    assert run(str(tmp_path / "dawn.reply.jsonl")).stdout.startswith("Fettle: 1 strike")
    words = ["stream", str(tmp_path / "dawn.plan.jsonl"), "--port", "simulated", "--dry-run"]
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 0, done.output
    assert "all within the limits" in done.output

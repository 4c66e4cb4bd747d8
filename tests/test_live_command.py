"""``callresp live``: what a user sees, and what is left when it ends."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from field_helpers import log_rows
from live_helpers import FETTLE, RATE_HZ, Scripted
from test_live_engine import calls

from callresp.cli import cli
from callresp.commands.live_view import LiveView
from callresp.field.day_reader import read_day
from callresp.field.scores import heard_score, reply_score
from callresp.io.audio import write_wav
from callresp.live import setup
from callresp.live.actions import Record
from callresp.palette.files import fingerprint

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run the command on half a minute of sound in which four calls are heard."""
    wave = np.random.default_rng(0).normal(0, 0.01, 30 * RATE_HZ).astype(np.float32)
    write_wav(tmp_path / "dawn.wav", wave, RATE_HZ)
    monkeypatch.setattr(setup, "listener_of", lambda rate, profile: Scripted(calls(4)))
    monkeypatch.chdir(tmp_path)

    def call(*words: str) -> Result:
        return CliRunner().invoke(cli, ["live", *words])

    return call


FILE = ("--input", "dawn.wav", "--speed", "0", "--start", "2026-05-12T04:30:00")


def test_it_sums_up_why_calls_were_left_alone(run: Run) -> None:
    words = ["--port", "simulated", "--rules", "shadow"]
    result = run("--input", "dawn.wav", "--speed", "0", "--start", "2026-05-12T04:59:30", *words)
    assert "  silent 4 times: the quiet end of the hour (manners.quiet_share)" in result.output
    assert "4 phrases heard, 0 answered" in result.output
    assert "not known when it was recorded" not in result.stderr


def test_a_rehearsal_does_not_hang_on_when_it_is_run(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a recording whose time of day is not known; run at the quiet end of an hour."""

    class Late(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> Late:
            return cls(2026, 5, 12, 8, 59, 30, tzinfo=tz)

    monkeypatch.setattr(setup, "datetime", Late)
    undated = ("--input", "dawn.wav", "--speed", "0", "--port", "simulated", "--log", "day.log")
    result = run(*undated, "--rules", "shadow")
    assert "quiet end of the hour" not in result.output
    assert "4 phrases heard, 0 answered" not in result.output
    told = "dawn.wav: not known when it was recorded: rules and manners go by no time of day"
    assert f"{told}; --start tells it" in result.stderr
    # Nor does what is answered anew of its log.
    day = read_day(Path("day.log"))
    assert heard_score(day).header.start is reply_score(day).header.start is None
    assert day.clock_steps[0].text.startswith("not known when it was recorded")


def test_a_file_is_answered_on_a_simulated_board_and_logged(run: Run) -> None:
    result = run(*FILE, "--port", "simulated", "--log", "day.log", "--rules", "shadow")
    assert result.exit_code == 0, result.output
    assert "4 phrases heard" in result.output
    log = Path("day.log")
    (head,) = [entry.body for entry in log_rows(log, "day")]
    assert head["palette"] == "Fettle"
    assert head["palette_sha256"] == fingerprint(FETTLE)
    assert head["rules"] == "shadow"
    assert head["recording"] == "dawn.wav"
    assert head["sample_rate_hz"] == RATE_HZ
    assert head["start"] == "2026-05-12T04:30:00"
    assert len(list(log_rows(log, "phrase"))) == 4
    strikes = [e.body for e in log_rows(log, "command") if e.body["what"] == "strike"]
    assert strikes
    assert {row["fate"] for row in strikes} == {"executed"}
    assert next(log_rows(log, "phrase")).wall.startswith("2026-05-12T04:30:0")


def test_without_a_machine_it_says_what_it_would_strike(run: Run) -> None:
    result = run(*FILE, "--rules", "shadow")
    assert result.exit_code == 0, result.output
    assert "commands only listening" in result.output
    assert "answers 0 by" in result.output


def test_json_is_one_object_a_line_and_nothing_else(run: Run) -> None:
    result = run(*FILE, "--port", "simulated", "--json")
    rows: list[dict[str, Any]] = [json.loads(line) for line in result.stdout.splitlines()]
    kinds = {row["kind"] for row in rows}
    assert {"phrase", "reply", "status"} <= kinds
    phrase = next(row["body"] for row in rows if row["kind"] == "phrase")
    assert len(phrase["notes"]) == 3


def test_a_snippet_that_the_end_cuts_short_is_kept(run: Run) -> None:
    run(*FILE, "--port", "simulated", "--log", "whole.log", "--rules", "shadow")
    *_, last = log_rows(Path("whole.log"), "reply")
    wave = np.zeros(round((last.at_s + 0.2) * RATE_HZ), np.float32)
    write_wav(Path("dawn.wav"), wave, RATE_HZ)
    run(*FILE, "--port", "simulated", "--log", "cut.log", "--snippets", "kept", "--rules", "shadow")
    replies = len(list(log_rows(Path("cut.log"), "reply")))
    assert replies == len(list(log_rows(Path("whole.log"), "reply")))
    assert len(list(Path("kept").glob("*.flac"))) == replies


def test_snippets_are_kept(run: Run) -> None:
    run(*FILE, "--port", "simulated", "--snippets", "kept", "--rules", "shadow")
    assert list(Path("kept").glob("20260512T0430*-phrase-*.flac"))


def test_it_sleeps_outside_its_hours(run: Run) -> None:
    result = run(*FILE, "--from", "05:00", "--until", "09:00", "--log", "day.log")
    assert "it sleeps until 05:00" in result.output
    assert not list(log_rows(Path("day.log"), "phrase"))


def test_it_plays_no_more_after_so_many_strikes(run: Run) -> None:
    result = run(*FILE, "--port", "simulated", "--max-strikes", "2", "--rules", "shadow")
    assert "as many as were allowed" in result.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--input", "none.wav"), "none.wav"),
        # A clock at three times the pace of the sound called every answer late.
        (("--input", "-", "--speed", "3"), "--speed: what is heard as it comes has its own pace"),
        (("--input", "-", "--start", "2026-05-12T04:00"), "--start: what is heard as it comes"),
        ((*FILE, "--from", "05:00"), "--until"),
        ((*FILE, "--from", "05:00", "--until", "05:00"), "--until: sleeps and wakes at the same"),
        ((*FILE, "--from", "5 am", "--until", "09:00"), "not a time of day"),
        ((*FILE, "--port", "/dev/ttyNONE", "--yes"), "can't follow sound"),
        (("--input", "dawn.wav", "--port", "/dev/ttyNONE"), "add --yes"),
        (("--input", "dawn.wav", "--port", "/dev/ttyNONE", "--yes"), "ttyNONE"),
        ((*FILE, "--port", "simulated", "--midi", "Synth"), "a port and a MIDI output at once"),
        ((*FILE, "--rules", "nobody"), "nobody"),
        ((*FILE, "--log", "dawn.wav"), "would write over"),
    ],
)
def test_a_mistake_is_told_in_one_line(run: Run, words: tuple[str, ...], said: str) -> None:
    result = run(*words)
    assert result.exit_code not in (0, 1) or result.exception is not None
    assert said in f"{result.output}{result.exception}"


def test_raw_sound_on_standard_input(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    raw = (np.zeros(3 * RATE_HZ)).astype("<i2").tobytes()
    result = CliRunner().invoke(
        cli, ["live", "--input", "-", "--rate", str(RATE_HZ), "--rules", "shadow"], input=raw
    )
    assert result.exit_code == 0, result.output
    assert "1 phrase heard, 0 answered" in result.output


def test_silences_that_differ_in_a_figure_only_are_summed_up(
    capfd: pytest.CaptureFixture[str],
) -> None:
    view = LiveView(False, lambda why: None)
    for late_s in (3.1, 3599.0):
        why = f"the sound comes {late_s} s late"
        view.record(Record(1.0, "reply", {"phrase": 3, "unanswered": why}))
    view.close(0)
    assert "silent 2 times: the sound comes … s late" in capfd.readouterr().out


def test_a_phrase_that_was_renamed_is_shown(capfd: pytest.CaptureFixture[str]) -> None:
    view = LiveView(False, lambda why: None)
    view.record(Record(65.0, "voice", {"phrase": 3, "voice": "B"}))
    view.close(0)
    assert "00:01:05  heard 3: voice B after all" in capfd.readouterr().out

"""What the live engine writes is what report and replay read."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from field_helpers import log_rows
from live_helpers import RATE_HZ, Scripted
from test_live_engine import calls

from callresp.cli import cli
from callresp.field.day_reader import read_day
from callresp.field.statistics import statistics_of
from callresp.io.audio import write_wav
from callresp.live import setup


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Half a minute in which four calls are heard, answered on a simulated board; twice."""
    wave = np.random.default_rng(0).normal(0, 0.01, 30 * RATE_HZ).astype(np.float32)
    write_wav(tmp_path / "dawn.wav", wave, RATE_HZ)
    monkeypatch.setattr(setup, "listener_of", lambda rate, profile: Scripted(calls(4)))
    monkeypatch.chdir(tmp_path)
    for start in ("2026-05-12T04:30:00", "2026-05-12T04:45:00"):
        words = ["live", "--input", "dawn.wav", "--speed", "0", "--port", "simulated"]
        words += ["--start", start, "--log", "day.log", "--rules", "shadow"]
        done = CliRunner().invoke(cli, words)
        assert done.exit_code == 0, done.output
    return Path("day.log")


def test_a_live_day_is_reported_and_replayed(log: Path) -> None:
    found = read_day(log)
    assert found.unreadable == 0
    assert [run.begins_s for run in found.runs] == [0.0, 900.0]
    assert found.clock_steps == ()
    figures = statistics_of(found)
    assert figures.calls == 8
    assert figures.answered + sum(figures.unanswered.values()) == 8
    struck = [e for e in log_rows(log, "command") if e.body["what"] == "strike"]
    assert figures.strokes == len(struck) > 0
    # Every stroke belongs to a note, and falls where the note was to be heard.
    onsets = {note.id: note.onset_s for note in found.answers()}
    for command in found.commands:
        if command.what == "strike":
            assert command.reply is not None
            assert command.at_s == pytest.approx(onsets[command.reply], abs=0.1)
    assert figures.energy_wh is not None
    assert figures.latency_ms
    done = CliRunner().invoke(cli, ["report", str(log), "--json"])
    assert json.loads(done.stdout)["palette"] == "Fettle"
    done = CliRunner().invoke(cli, ["replay", str(log), "--rules", "answer", "--json"])
    ways = {way["label"]: way for way in json.loads(done.stdout)["ways"]}
    assert set(ways) == {"as played", "shadow, anew", "answer"}
    assert ways["as played"]["answered"] == figures.answered

"""The corpus tool: scenes by name, from the shell."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

import corpus
from callresp.errors import UserError
from callresp.io.audio import open_recording
from callresp.io.resources import shipped
from callresp.io.score_files import read_heard


def _run(*words: str) -> list[dict[str, object]]:
    done = CliRunner().invoke(corpus.corpus, [*words, "--json"], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return [json.loads(row) for row in done.output.splitlines()]


def test_list_names_every_scene_and_its_use() -> None:
    rows = _run("list")
    assert [row["name"] for row in rows] == shipped("scenes")
    assert {row["use"] for row in rows} == {"demo", "tuning", "scoring"}
    needed = {"solo", "duet", "chorus", "chorus-in-wind", "rhythm", "dawn-hour", "hollin-carr"}
    assert needed <= {row["name"] for row in rows}


def test_make_writes_sound_and_truth(tmp_path: Path) -> None:
    (row,) = _run("make", "duet", "--out", str(tmp_path), "--seconds", "6", "--seed", "77")
    heard = read_heard(tmp_path / "duet.truth.jsonl")
    assert row["notes"] == len(heard.notes) > 0
    assert heard.header.detector == "truth"
    assert "seed 77" in heard.header.profile
    assert open_recording(tmp_path / "duet.wav").duration_s == pytest.approx(6.0)


def test_same_seed_same_files(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        _run("make", "solo", "--out", str(tmp_path / folder), "--seconds", "3")
    for name in ("solo.wav", "solo.truth.jsonl"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_all_leaves_the_long_ones_for_when_they_are_asked_for() -> None:
    usual, everything = corpus.wanted(("all",), False, None), corpus.wanted(("all",), True, None)
    assert {"dawn-hour", "weather-hour"} == set(everything) - set(usual) - {"score-weather"}
    assert set(corpus.wanted(("all",), False, 5.0)) == set(everything)


def test_mistakes_are_told_in_a_line(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no file and no shipped name 'nowhere'"):
        CliRunner().invoke(
            corpus.corpus, ["make", "nowhere", "--out", str(tmp_path)], catch_exceptions=False
        )
    done = CliRunner().invoke(corpus.corpus, ["make", "solo", "--snr-db", "200"])
    assert done.exit_code == 2

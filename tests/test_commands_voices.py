"""Singers put right by hand: kept in the score, the old one kept too, phrases closed anew."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile as sf
from click.testing import CliRunner
from reply_helpers import note, score_of

from callresp.cli import cli
from callresp.io.score import HeardScore
from callresp.io.score_files import read_heard, write_heard


@pytest.fixture
def heard(tmp_path: Path) -> Path:
    path = tmp_path / "dawn.heard.jsonl"
    notes = []
    for n in range(40):
        low = n % 2 == 0
        hertz, voice = (900.0, "A") if low else (5000.0, "B")
        notes.append(note(n, 0.2 * n, 0.1, hertz, voice=voice, phrase=n % 2))
    write_heard(path, score_of(*notes))
    return path


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(cli, [str(word) for word in words])
    return done.exit_code, done.output


def test_two_voices_are_merged_and_the_old_score_is_kept(heard: Path) -> None:
    before = heard.read_bytes()
    code, _ = run("voices", heard, "--merge", "A", "B")
    assert code == 0
    score = read_heard(heard)
    assert {one.voice for one in score.notes} == {"A"}
    assert {one.phrase for one in score.notes} == {0}
    assert score.header.by_hand == ("merged B into A",)
    assert (heard.parent / "dawn.1.heard.jsonl").read_bytes() == before


def test_a_voice_is_split_into_two(heard: Path, tmp_path: Path) -> None:
    run("voices", heard, "--merge", "A", "B")
    out = tmp_path / "mended.heard.jsonl"
    code, _ = run("voices", heard, "--split", "A", "-o", out)
    assert code == 0
    score = read_heard(out)
    assert score.header.by_hand == ("merged B into A", "split A into A and B")
    voices = {(one.pitch_hz, one.voice) for one in score.notes}
    assert len(voices) == 2
    assert {voice for _, voice in voices} == {"A", "B"}


@pytest.mark.parametrize("words", [("--merge", "A", "Z"), ("--split", "Q"), ("--merge", "A", "A")])
def test_a_mistake_is_told_and_nothing_is_written(heard: Path, words: tuple[str, ...]) -> None:
    before = heard.read_bytes()
    done = CliRunner().invoke(cli, ["voices", str(heard), *words])
    assert done.exit_code != 0
    assert heard.read_bytes() == before
    assert list(heard.parent.iterdir()) == [heard]


def test_voices_are_listed(heard: Path) -> None:
    code, text = run("voices", heard, "--json")
    assert code == 0
    assert '"voice":"A"' in text.replace(" ", "")


def test_hearing_the_recording_again_keeps_what_was_corrected_by_hand(tmp_path: Path) -> None:
    recording, heard = tmp_path / "dawn.wav", tmp_path / "dawn.heard.jsonl"
    sf.write(recording, 0.1 * np.sin(np.arange(8000)), 16_000)
    assert run("transcribe", recording)[0] == 0
    assert run("transcribe", recording)[0] == 0
    assert [one.name for one in tmp_path.iterdir() if "heard" in one.name] == [heard.name]
    corrected = msgspec.structs.replace(read_heard(heard).header, by_hand=("merged B into A",))
    write_heard(heard, HeardScore(header=corrected, notes=()))
    before = heard.read_bytes()
    again, said = run("transcribe", recording)
    assert again == 0
    kept = tmp_path / "dawn.1.heard.jsonl"
    assert f"{heard} was corrected by hand; kept as {kept}" in said
    assert kept.read_bytes() == before
    assert not read_heard(heard).header.by_hand

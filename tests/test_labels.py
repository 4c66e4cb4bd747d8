"""Labels out of a heard score, and the score put right by the labels that came back."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from callresp.cli import cli
from callresp.errors import UserError
from callresp.evaluate.annotations import Mark, read_marks
from callresp.evaluate.labels import Corrections, corrected, labels_of
from callresp.io.audio import write_wav
from callresp.io.score import HeardHeader, HeardScore, Note
from callresp.io.score_files import read_heard, write_heard


def note(number: int, onset_s: float, voice: str = "A", hz: float | None = 3000.4) -> Note:
    track = () if hz is None else ((onset_s, hz), (onset_s + 0.1, hz))
    return Note(
        id=number,
        onset_s=onset_s,
        offset_s=onset_s + 0.1,
        pitch_hz=hz,
        level_db=-30.0,
        voice=voice,
        track=track,
    )


SCORE = HeardScore(
    header=HeardHeader(recording="dawn.wav", duration_s=9.0),
    notes=(note(4, 0.123456789), note(7, 1.0, "B", None), note(9, 2.0, "A", 2500.0)),
)


def marks(text: str, tmp_path: Path) -> tuple[Mark, ...]:
    path = tmp_path / "labels.txt"
    path.write_text(text)
    return read_marks(path)


def applied(text: str, tmp_path: Path) -> tuple[HeardScore, Corrections]:
    return corrected(SCORE, marks(text, tmp_path), "labels.txt", lambda a, b: -42.0)


def test_labels_are_begin_end_and_text_between_tabs() -> None:
    assert labels_of(SCORE).splitlines() == [
        "0.123457\t0.223457\tA 3000 Hz #4",
        "1.000000\t1.100000\tB #7",
        "2.000000\t2.100000\tA 2500 Hz #9",
    ]


notes = st.lists(
    st.tuples(
        st.floats(-0.9, 3600),
        st.floats(0, 5),
        st.sampled_from("AB"),
        st.none() | st.floats(30, 2e4),
    ),
    min_size=1,
    max_size=20,
)


@settings(max_examples=50, deadline=None)
@given(notes)
def test_labels_that_nobody_touched_change_nothing(
    rows: list[tuple[float, float, str, float | None]],
) -> None:
    made = [
        Note(id=n, onset_s=at, offset_s=max(at, 0) + long, pitch_hz=hz, level_db=-9, voice=v)
        for n, (at, long, v, hz) in enumerate(sorted(rows, key=lambda row: row[0]))
    ]
    score = HeardScore(header=HeardHeader(duration_s=9), notes=tuple(made))
    back = [line.split("\t") for line in labels_of(score).splitlines()]
    same, done = corrected(score, [Mark(float(a), float(b), text) for a, b, text in back], "x")
    assert same == score
    assert str(done) == "nothing changed"


def test_every_kind_of_correction(tmp_path: Path) -> None:
    text = (
        "0.123457\t0.180000\tA 3000 Hz #4\n"  # an edge moved
        "1.0\t1.1\tC 2800 Hz #7\n"  # another singer, and a pitch
        "5.0\t5.2\tD 4100 Hz\n"  # a new one; note 9 is gone
    )
    score, done = applied(text, tmp_path)
    assert done == Corrections(moved=1, renamed=1, repitched=1, added=1, removed=1)
    first, second, third = score.notes
    assert (first.onset_s, first.offset_s) == (SCORE.notes[0].onset_s, 0.18)
    assert first.track == ((0.123456789, 3000.4),)
    assert (second.voice, second.pitch_hz, second.id) == ("C", 2800.0, 7)
    assert (third.id, third.voice, third.pitch_hz, third.level_db) == (10, "D", 4100.0, -42.0)
    assert score.header.by_hand == ("labels: 1 moved, 1 renamed, 1 repitched, 1 added, 1 removed",)


def test_a_bare_name_goes_with_the_note_it_lies_over(tmp_path: Path) -> None:
    score, done = applied(
        "0.13\t0.22\twren\n1.0\t1.1\tB #7\n2.0\t2.04\tA\n2.06\t2.1\tA\n", tmp_path
    )
    # Neither half of note 9 is half of it or more by itself: both are new, and like it.
    assert done == Corrections(moved=1, renamed=1, added=2, removed=1)
    assert [(n.id, n.voice, n.pitch_hz, n.level_db) for n in score.notes] == [
        (4, "wren", 3000.4, -30.0),
        (7, "B", None, -30.0),
        (10, "A", 2500.0, -30.0),
        (11, "A", 2500.0, -30.0),
    ]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("0\t1\tA #5\n", "names a note that is not there"),
        ("0\t1\tA #4\n0\t1\tA #4\n", "two labels are note #4"),
        ("0\t1\t#4\n", "names no voice"),
        ("0\t1\tA 0 Hz #4\n", "a pitch of 0 Hz"),
        ("0\t1\tA 3,1 kHz #4\n", "no number of hertz"),
        ("0\t1\tA -3000 Hz #4\n", "no number of hertz"),
        ("0\t1\tA 3120,5 Hz\n", "no number of hertz"),
        ("1\t1\tA #4\n", "has no length"),
        ("5\t5\tA\n", "has no length"),
        ("0\t1e9\tA #4\n", "after the recording's end at 9 s"),
        ("8\t30\tA\n", "after the recording's end at 9 s"),
    ],
)
def test_what_labels_can_not_say_is_told(text: str, told: str, tmp_path: Path) -> None:
    with pytest.raises(UserError, match=told):
        applied(text, tmp_path)
    # A singer may be named after what is no pitch.
    assert applied("0.13\t0.22\tMHz 2 #4\n", tmp_path)[0].notes[0].voice == "MHz 2"


def test_a_new_note_needs_its_recording(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="level of the new note at 5 s is not known"):
        corrected(SCORE, marks("5\t6\tA\n", tmp_path), "labels.txt")
    with pytest.raises(UserError, match="holds no sound"):
        corrected(SCORE, marks("5\t6\tA\n", tmp_path), "labels.txt", lambda a, b: -200.0)


def test_the_command_there_and_back(tmp_path: Path) -> None:
    heard = tmp_path / "dawn.heard.jsonl"
    write_heard(heard, SCORE)
    out = CliRunner().invoke(cli, ["labels", str(heard)])
    assert out.exit_code == 0
    labels = tmp_path / "dawn.labels.txt"
    again = CliRunner().invoke(cli, ["labels", str(heard), "--apply", str(labels), "--json"])
    assert msgspec.json.decode(again.output) == {
        "heard": str(heard), "moved": 0, "renamed": 0, "repitched": 0, "added": 0, "removed": 0,
        "kept": None,
    }  # fmt: skip
    assert read_heard(heard) == SCORE
    # A full-scale sine of half the amplitude is 6.02 dB down (AES17: 0 dB is the full-scale sine).
    time_s = np.arange(9 * 16000) / 16000
    write_wav(tmp_path / "dawn.wav", 0.5 * np.sin(2 * np.pi * 1000 * time_s), 16000)
    labels.write_text(labels.read_text() + "5.0\t6.0\tB\n")
    added = CliRunner().invoke(cli, ["labels", str(heard), "--apply", str(labels)])
    assert added.exit_code == 0, added.output
    assert "1 added" in added.output
    mended = read_heard(heard)
    assert mended.notes[-1].level_db == pytest.approx(-6.02, abs=0.05)
    # A rest of four seconds closes a phrase.
    assert mended.notes[-1].phrase != mended.notes[1].phrase
    assert read_heard(tmp_path / "dawn.1.heard.jsonl") == SCORE


def test_a_label_track_is_not_written_over_a_score(tmp_path: Path) -> None:
    heard = tmp_path / "dawn.heard.jsonl"
    write_heard(heard, SCORE)
    write_heard(tmp_path / "other.heard.jsonl", SCORE)
    words = ["labels", str(heard), "-o", str(tmp_path / "other.heard.jsonl")]
    done = CliRunner().invoke(cli, words)
    assert isinstance(done.exception, UserError)
    assert "a label track would write over" in str(done.exception)

"""Scores: what is written is read back, and what is wrong is refused."""

from __future__ import annotations

from pathlib import Path
from typing import TypeVar

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from callresp.errors import UserError
from callresp.io.score import (
    HeardHeader,
    HeardScore,
    Note,
    ReplyHeader,
    ReplyNote,
    ReplyScore,
    Unanswered,
    phrases,
)
from callresp.io.score_files import line, read_heard, read_reply, write_heard, write_reply

NOTE = '{"id":%d,"onset_s":%d,"offset_s":1000,"pitch_hz":null,"level_db":0,"voice":"A"}'
seconds = st.floats(0, 90000, allow_nan=False)
shares = st.floats(0, 1, allow_nan=False)
hertz = st.none() | st.floats(20, 20000)
words = st.text(max_size=12)


@st.composite
def notes(draw: st.DrawFn) -> Note:
    onset = draw(seconds)
    return Note(
        id=draw(st.integers(0, 10**6)),
        onset_s=onset,
        offset_s=onset + draw(st.floats(0, 5)),
        pitch_hz=draw(hertz),
        level_db=draw(st.floats(-200, 20)),
        voice=draw(words),
        tonality=draw(shares),
        phrase=draw(st.integers(0, 50)),
        track=tuple(draw(st.lists(st.tuples(seconds, st.floats(20, 20000)), max_size=4))),
    )


@st.composite
def reply_notes(draw: st.DrawFn) -> ReplyNote:
    onset = draw(seconds)
    return ReplyNote(
        id=draw(st.integers(0, 10**6)),
        onset_s=onset,
        offset_s=draw(st.none() | st.just(onset + 1.0)),
        instrument=draw(words),
        force=draw(shares),
        phrase=draw(st.integers(0, 50)),
        heard=draw(st.none() | st.integers(0, 99)),
        heard_phrase=draw(st.integers(0, 99)),
        rule=draw(words),
        why=draw(words),
        asked_hz=draw(hertz),
    )


AnyNote = TypeVar("AnyNote", Note, ReplyNote)


def numbered(run: list[AnyNote]) -> list[AnyNote]:
    """In order of onset, each with a number of its own."""
    run = sorted(run, key=lambda note: note.onset_s)
    return [msgspec.structs.replace(note, id=number) for number, note in enumerate(run)]


@given(st.lists(notes(), max_size=6))
def test_heard_score_round_trips(tmp_path_factory: pytest.TempPathFactory, run: list[Note]) -> None:
    run = numbered(run)
    last = max((note.offset_s for note in run), default=0.0)
    score = HeardScore(header=HeardHeader(recording="a.wav", duration_s=last + 1), notes=tuple(run))
    path = tmp_path_factory.mktemp("heard") / "a.heard.jsonl"
    write_heard(path, score)
    assert read_heard(path) == score


@given(st.lists(reply_notes(), max_size=6))
def test_reply_score_round_trips(
    tmp_path_factory: pytest.TempPathFactory, run: list[ReplyNote]
) -> None:
    run = numbered(run)
    score = ReplyScore(
        header=ReplyHeader(palette="p", rules="r"),
        notes=tuple(run),
        unanswered=(Unanswered(unanswered=3, at_s=1.0, rule="quiet", why="it is noon"),),
    )
    path = tmp_path_factory.mktemp("reply") / "a.reply.jsonl"
    write_reply(path, score)
    assert read_reply(path) == score


@given(st.lists(notes(), max_size=12))
def test_phrases_hold_every_note_once(run: list[Note]) -> None:
    gathered = [note for phrase in phrases(run) for note in phrase.notes]
    assert sorted(gathered, key=repr) == sorted(run, key=repr)


def test_notes_alone_are_a_score(tmp_path: Path) -> None:
    note = Note(id=0, onset_s=1, offset_s=2, pitch_hz=None, level_db=-20, voice="A")
    path = tmp_path / "piped.jsonl"
    path.write_text(line(note) + "\n")
    score = read_heard(path)
    assert score.notes == (note,)
    assert score.header.duration_s == 2


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("{", "line 1: not JSON"),
        ("[1]", "line 1: not a JSON object"),
        ('{"score":"reply"}', "this is a reply score"),
        ('\n{"id":1,"onset_s":2,"offset_s":1,"pitch_hz":null,"level_db":0,"voice":"A"}', "line 2"),
        ('{"id":1,"onset_s":0,"offset_s":1,"pitch_hz":-5,"level_db":0,"voice":"A"}', "pitch_hz"),
        ('{"id":1,"onset_s":0,"offset_s":1,"level_db":0,"voice":"A"}', "pitch_hz"),
        ('{"score":"heard","version":99}', "newer callresp"),
        ("", "holds no score"),
        ("\n\n", "holds no score"),
        (f"{NOTE % (3, 1)}\n{NOTE % (3, 2)}", "line 2: note 3 stands already at"),
        (f'{{"score":"heard","duration_s":9}}\n{NOTE % (0, 99)}', "past the recording's end"),
    ],
)
def test_a_wrong_line_is_named(tmp_path: Path, text: str, expected: str) -> None:
    path = tmp_path / "bad.jsonl"
    path.write_text(text)
    with pytest.raises(UserError) as told:
        read_heard(path)
    assert expected in str(told.value)
    assert "bad.jsonl" in str(told.value)
    assert "\n" not in str(told.value)


def test_a_missing_score_is_a_users_mistake(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="can't read it"):
        read_heard(tmp_path / "none.jsonl")


def test_values_are_checked_when_made() -> None:
    good = Note(id=0, onset_s=0, offset_s=1, pitch_hz=440, level_db=-20, voice="A")
    for wrong in ({"offset_s": -1.0}, {"tonality": 1.5}, {"pitch_hz": 0.0}, {"level_db": 1e400}):
        with pytest.raises(ValueError, match=next(iter(wrong))):
            msgspec.structs.replace(good, **wrong)
    with pytest.raises(ValueError, match="out of order"):
        HeardScore(
            header=HeardHeader(),
            notes=(msgspec.structs.replace(good, onset_s=0.5), good),
        )

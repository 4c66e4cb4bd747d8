"""A day answered again: the same calls, other rules, and an honest comparison."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import field_helpers
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from field_helpers import START, whole_day
from hypothesis import given
from hypothesis import strategies as st
from plan_helpers import reply_note

from callresp.field import replay as again
from callresp.field.day import FieldDay
from callresp.field.day_reader import read_day
from callresp.field.scores import heard_score, reply_score
from callresp.io.score_files import read_heard, read_reply
from callresp.palette.files import load_palette
from callresp.plan.files import read_plan
from callresp.plan.planner import make_plan
from callresp.reply.metrics import sounding_s
from callresp.reply.replier import answer
from callresp.reply.rules import load_rules
from callresp.verbs.replay import command


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return whole_day(tmp_path_factory.mktemp("again") / "carr.log", hours=1.2)


@pytest.fixture(scope="module")
def day(log: Path) -> FieldDay:
    return read_day(log)


def replay(log: Path, *words: str) -> dict[str, Any]:
    done = CliRunner().invoke(command, [str(log), *words, "--json"], standalone_mode=False)
    assert done.exception is None, done.output
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_the_calls_are_answered_as_any_recordings_are(log: Path, day: FieldDay) -> None:
    found = replay(log, "--rules", "shadow", "--plan")
    assert [way["label"] for way in found["ways"]] == ["as played", "answer, anew", "shadow"]
    heard = read_heard(log.with_name("carr.heard.jsonl"))
    assert heard == heard_score(day)
    # The same by hand, stage by stage.
    machine = load_palette("fettle")
    reply = answer(heard, machine, load_rules("shadow"))
    plan = make_plan(reply, machine).plan
    assert read_reply(log.with_name("carr.shadow.reply.jsonl")).notes == reply.notes
    assert read_plan(log.with_name("carr.shadow.plan.jsonl")).commands == plan.commands
    way = found["ways"][2]
    assert way["asked"] == len(reply.notes)
    assert way["answered"] == len({note.heard_phrase for note in reply.notes})


def test_what_was_played_is_what_the_log_says(log: Path, day: FieldDay) -> None:
    way = replay(log)["ways"][0]
    executed = [command for command in day.commands if command.fate == "executed"]
    assert way["played"] == len(executed)
    assert way["asked"] == way["played"] + sum(way["not_played"].values())
    assert sum(way["work"].values()) == len(executed)


def test_phrases_are_counted_once_in_a_crossing(log: Path) -> None:
    found = replay(log, "--rules", "shadow")
    for row, way in zip(found["beside_as_played"], found["ways"][1:], strict=True):
        assert row["both"] + row["only_one"] == found["ways"][0]["answered"]
        assert row["both"] + row["only_other"] == way["answered"]
        total = row["both"] + row["only_one"] + row["only_other"] + row["neither"]
        assert total == found["calls"]


spans = st.lists(st.tuples(st.integers(0, 300), st.none() | st.integers(0, 40)), max_size=25)


@given(spans)
def test_sounding_time_by_counting_tenths_of_seconds(given_spans: list[Any]) -> None:
    notes, marks = [], np.zeros(400, dtype=bool)
    for number, (onset, length) in enumerate(given_spans):
        end = None if length is None else (onset + length) / 10
        notes.append(reply_note(number, onset / 10, end, "tube 1"))
        # A free ring is counted as a second, as in the measures of a reply.
        marks[onset : onset + (10 if length is None else length)] = True
    assert math.isclose(sounding_s(notes), marks.sum() / 10, abs_tol=1e-6)


@given(st.floats(0.02, 0.98))
def test_two_spells_make_the_day(day: FieldDay, share: float) -> None:
    cut_s = share * day.duration_s
    parts = again.cut_day(day, 0.0, cut_s), again.cut_day(day, cut_s, day.duration_s + 1)
    assert sum(len(part.phrases) for part in parts) == len(day.phrases)
    assert sum(len(part.replies) for part in parts) == len(day.replies)
    assert sum(len(part.sounded()) for part in parts) == len(day.sounded())
    one, other = parts
    for part, phrase in zip([other] * len(other.phrases), other.phrases, strict=True):
        whole = next(p for p in day.phrases if p.id == phrase.id)
        apart = part.moment(phrase.onset_s) - day.moment(whole.onset_s)
        assert abs(apart.total_seconds()) < 1e-5
    assert one.start == START


def test_a_spell_is_mixed_over_silence_and_drawn(log: Path) -> None:
    found = replay(log, "--from", "04:10", "--to", "04:12", "--mix", "--picture")
    assert found["duration_s"] == 120.0
    assert found["start"] == "2026-05-12T04:10:00+01:00"
    wave, rate = soundfile.read(log.with_name("carr.answer-anew.rehearsal.wav"))
    assert len(wave) / rate >= 115.0
    first = read_heard(log.with_name("carr.heard.jsonl")).notes[0].onset_s
    # Nobody sings in it: before the first call could be answered it is silent.
    assert np.abs(wave[: int(first * rate)]).max() < 1e-6
    assert np.abs(wave).max() > 1e-3
    assert log.with_name("carr.answer-anew.png").stat().st_size > 50_000


@pytest.mark.parametrize(
    ("words", "start", "duration_s"),
    [
        (["--from", "03:40", "--to", "03:50"], "03:40:00", 600.0),
        (["--from", "03:30", "--to", "03:41"], "03:40:00", 60.0),
        (["--from", "00:00", "--to", "23:59"], "03:40:00", 4320.0),
        (["--from", "04:50", "--to", "00:10"], "04:50:00", 120.0),
    ],
)
def test_a_spell_may_begin_before_the_day_and_end_after_it(
    log: Path, words: list[str], start: str, duration_s: float
) -> None:
    found = replay(log, *words)
    assert found["start"] == f"2026-05-12T{start}+01:00"
    assert found["duration_s"] == pytest.approx(duration_s, abs=1.0)


def test_a_spell_from_after_a_night_is_not_the_whole_night(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(field_helpers, "START", START.replace(hour=23))
    log = whole_day(tmp_path / "night.log", hours=0.5)
    assert replay(log, "--from", "23:30")["duration_s"] == pytest.approx(1800, abs=1.0)
    done = CliRunner().invoke(command, [str(log), "--from", "00:20"])
    assert "the day ended at 00:10" in str(done.exception)


def test_its_own_answers_stand_beside_what_is_answered_anew(day: FieldDay) -> None:
    machine = load_palette("fettle")
    heard = heard_score(day)
    went = again.as_played(day, heard, machine)
    assert went.answered <= {phrase.id for phrase in day.phrases}
    assert {note.id for note in went.notes} <= {note.id for note in reply_score(day).notes}
    assert 0 < went.figures.time_share < 1


def test_mistakes_are_told(log: Path, tmp_path: Path) -> None:
    long = whole_day(tmp_path / "long.log", hours=7.5)
    for path, words, text in (
        (log, ["--from", "4.30"], "not a time of day"),
        (log, ["--from", "12:00"], "the day ended at"),
        (log, ["--to", "03:30"], "the day began at 03:40"),
        (log, ["--rules", "nobody"], "nobody"),
        (log, ["-o", str(log)], "would write over"),
        (long, ["--mix"], "too long"),
    ):
        done = CliRunner().invoke(command, [str(path), *words])
        assert text in str(done.exception)

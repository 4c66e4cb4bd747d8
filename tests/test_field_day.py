"""A day read back: whole, cut by a kill, empty, over midnight, with restarts."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import msgspec
import pytest
from field_helpers import START, Writer, day_row, heard, whole_day
from hypothesis import example, given, settings
from hypothesis import strategies as st

from callresp.errors import UserError
from callresp.field.day import FieldDay
from callresp.field.day_reader import read_day
from callresp.field.log import FieldLog
from callresp.field.scores import heard_score, reply_score
from callresp.field.statistics import busiest_minute, statistics_of
from callresp.io.score import HeardScore, Phrase, phrases
from callresp.io.score_files import read_heard, write_heard


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> FieldDay:
    return read_day(whole_day(tmp_path_factory.mktemp("day") / "carr.log", hours=3.0))


def test_counts_agree_with_what_was_written(day: FieldDay) -> None:
    figures = statistics_of(day)
    assert figures.calls == len(day.phrases) == sum(hour.calls for hour in figures.hours)
    assert figures.answered + sum(figures.unanswered.values()) == figures.calls
    assert figures.strokes == sum(hour.strokes for hour in figures.hours)
    assert figures.strokes == sum(work.struck for work in figures.strikers)
    for work in figures.strikers:
        assert work.asked == work.struck + work.refused
        assert work.busiest_minute <= work.struck
    # The last status of the log tells the same count on its own way.
    last = [row.strikes for row in day.statuses][-1]
    assert last is not None
    assert last <= figures.strokes


def test_an_answer_of_which_nothing_sounded_is_none(day: FieldDay) -> None:
    before = statistics_of(day)
    sounded = {note.id for note in day.sounded()}
    reply = next(r for r in day.replies if sounded & {note.id for note in r.notes})
    ids = {note.id for note in reply.notes}
    commands = tuple(
        replace(one, fate="left off", played_s=None) if one.reply in ids else one
        for one in day.commands
    )
    after = statistics_of(replace(day, commands=commands))
    assert after.answered == before.answered - 1
    told = "nothing of its answer was played"
    assert after.unanswered[told] == before.unanswered.get(told, 0) + 1
    assert sum(h.answers for h in after.hours) == sum(h.answers for h in before.hours) - 1
    assert after.answered + sum(after.unanswered.values()) == after.calls


def test_hours_are_those_of_the_clock(day: FieldDay) -> None:
    hours = statistics_of(day).hours
    assert [hour.start.strftime("%H:%M") for hour in hours] == ["03:00", "04:00", "05:00", "06:00"]
    fourth = [p for p in day.phrases if day.moment(p.onset_s).hour == 4]
    assert hours[1].calls == len(fourth) > 0


@example([60.0, 1e-195])
@given(st.lists(st.floats(0, 600), max_size=60))
def test_the_busiest_minute_by_trying_them_all(times: list[float]) -> None:
    most = max((sum(t <= u < t + 60 for u in times) for t in times), default=0)
    assert busiest_minute(times)[0] == most


def test_a_log_without_rows_is_told(tmp_path: Path) -> None:
    with (
        FieldLog(tmp_path / "empty.log"),
        pytest.raises(UserError, match="nothing is in this log yet"),
    ):
        read_day(tmp_path / "empty.log")


def test_a_day_on_which_nothing_sang(tmp_path: Path) -> None:
    with FieldLog(tmp_path / "still.log") as log:
        Writer(log, START).status(600.0)
    still = read_day(tmp_path / "still.log")
    figures = statistics_of(still)
    assert (figures.calls, figures.answered, figures.strokes) == (0, 0, 0)
    assert still.duration_s == 600.0
    assert heard_score(still).notes == ()


def test_over_midnight(tmp_path: Path) -> None:
    late = datetime.fromisoformat("2026-05-12T23:30:00+01:00")
    with FieldLog(tmp_path / "night.log") as log:
        writer = Writer(log, late)
        for at_s in (60.0, 1900.0, 5500.0):
            writer.phrase(at_s)
    night = read_day(tmp_path / "night.log")
    hours = statistics_of(night).hours
    assert [(hour.start.day, hour.start.hour, hour.calls) for hour in hours] == [
        (12, 23, 1),
        (13, 0, 1),
        (13, 1, 1),
    ]


def test_runs_are_set_one_after_another(tmp_path: Path) -> None:
    with FieldLog(tmp_path / "twice.log") as log:
        first = Writer(log, START)
        one = first.phrase(100.0)
        first.status(200.0)
        # Half an hour later somebody switches it on again: its clock begins at 0.
        second = Writer(log, START + timedelta(minutes=30), seed=2, rules="shadow")
        other = second.phrase(50.0)
        second.add(51.0, "reply", {"phrase": other.id, "rule": "m", "unanswered": "no"})
        second.status(100.0)
    twice = read_day(tmp_path / "twice.log")
    assert [run.begins_s for run in twice.runs] == [0.0, 1800.0]
    assert twice.runs[0].ends_s == 200.0
    assert [phrase.onset_s for phrase in twice.phrases] == [one.onset_s, 1800 + other.onset_s]
    # Both were phrase 0 of their run.
    assert [phrase.id for phrase in twice.phrases] == [0, 1]
    assert twice.replies[0].phrase == 1
    assert statistics_of(twice).rules == "answer, shadow"
    # Counts of status rows begin anew: both runs struck nothing.
    assert statistics_of(twice).energy_wh == round(0.9 * 300 / 3600, 3)


def test_a_clock_that_was_set_back_turns_no_time_round(tmp_path: Path) -> None:
    with FieldLog(tmp_path / "step.log") as log:
        first = Writer(log, START)
        first.phrase(1000.0)
        first.start -= timedelta(minutes=10)
        first.status(1010.0)
        second = Writer(log, START - timedelta(minutes=10), seed=2)
        second.phrase(5.0)
    step = read_day(tmp_path / "step.log")
    assert [event.text for event in step.clock_steps] == ["the clock was set back by 600 s"]
    assert step.runs[1].begins_s >= step.runs[0].ends_s
    onsets = [phrase.onset_s for phrase in step.phrases]
    assert onsets == sorted(onsets)


def test_rows_from_elsewhere_are_left_out_and_counted(tmp_path: Path) -> None:
    with FieldLog(tmp_path / "odd.log") as log:
        writer = Writer(log, START)
        writer.phrase(1.0)
        for kind in ("phrase", "reply", "command", "status", "fault"):
            writer.add(3.0, kind, {"unheard": "of"})
            writer.add(3.0, kind, ["a", 1])
    odd = read_day(tmp_path / "odd.log")
    assert len(odd.phrases) == 1
    # A status row without anything known is one, all the same.
    assert odd.unreadable == 9


KILLED = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from field_helpers import START, Writer
from callresp.field.log import FieldLog
writer = Writer(FieldLog(Path(sys.argv[1])), START)
at_s = 0.0
while True:
    at_s += 2.0
    writer.reply(writer.phrase(at_s))
    writer.status(at_s + 1.9)
    print(writer.phrases, flush=True)
"""


def test_a_log_cut_by_a_kill(tmp_path: Path) -> None:
    path = tmp_path / "cut.log"
    words = [sys.executable, "-c", KILLED, str(path), str(Path(__file__).parent)]
    killed = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    assert killed.stdout is not None
    for line in killed.stdout:
        if int(line) >= 150:
            break
    killed.send_signal(signal.SIGKILL)
    killed.stdout.close()
    killed.wait()
    cut = read_day(path)
    assert cut.unreadable == 0
    assert len(cut.phrases) >= 149
    assert statistics_of(cut).calls == len(cut.phrases)


def test_a_log_on_a_card_that_can_t_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Brought home with its write-ahead file, on a medium that is locked."""
    card = tmp_path / "card"
    card.mkdir()
    with FieldLog(tmp_path / "day.log") as log:
        Writer(log, START).phrase(1.0)
        log.commit(5.0)
        for name in ("day.log", "day.log-wal"):
            shutil.copy(tmp_path / name, card)
    before = {part.name: part.read_bytes() for part in card.iterdir()}
    assert len(before["day.log-wal"]) > 0
    # Whoever runs as root could write all the same.
    real = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: mode != os.W_OK and real(path, mode))
    assert len(read_day(card / "day.log").phrases) == 1
    assert {part.name: part.read_bytes() for part in card.iterdir()} == before


onsets = st.lists(st.floats(0.0, 80000.0), min_size=1, max_size=6).map(sorted)
hz = st.none() | st.floats(60.0, 12000.0)


@st.composite
def some_phrases(draw: st.DrawFn) -> list[Phrase]:
    """Phrases as an engine would close them: notes numbered as they come."""
    found, number = [], 0
    for index in range(draw(st.integers(0, 6))):
        notes = []
        for onset_s in draw(onsets):
            onset_s = round(onset_s, 3)
            notes.append(heard(number, onset_s, draw(hz), voice=draw(st.sampled_from("AB"))))
            number += 1
        found.append(Phrase(id=index, voice="A", notes=tuple(notes)))
    return found


@settings(max_examples=40, deadline=None)
@given(written=some_phrases())
def test_log_to_day_to_heard_score_and_back(
    written: list[Phrase], tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("trip")
    with FieldLog(folder / "day.log") as log:
        log.append(0.0, "day", day_row(START), wall=START)
        for phrase in written:
            at_s = phrase.offset_s
            log.append(at_s, "phrase", phrase, wall=START + timedelta(seconds=at_s))
    day = read_day(folder / "day.log")
    score = heard_score(day)
    write_heard(folder / "day.heard.jsonl", score)
    back = read_heard(folder / "day.heard.jsonl")
    assert back == score
    assert {note.id: note for note in back.notes} == {
        note.id: msgspec.structs.replace(note, phrase=phrase.id)
        for phrase in written
        for note in phrase.notes
    }
    if written:
        regrouped = {phrase.id: phrase.notes for phrase in phrases(back.notes)}
        assert regrouped == {phrase.id: phrase.notes for phrase in day.phrases}
    assert back.header.start == START.isoformat()


def test_a_phrase_that_was_renamed_has_its_last_voice(tmp_path: Path) -> None:
    notes = [heard(n, 1.0 + 0.2 * n, 1800.0) for n in range(4)]
    with FieldLog(tmp_path / "day.log") as log:
        log.append(0.0, "day", day_row(START), wall=START)
        for number, own in enumerate((notes[:2], notes[2:])):
            log.append(3.0, "phrase", Phrase(id=number, voice="A", notes=tuple(own)), wall=START)
        for voice in "BC":
            log.append(9.0, "voice", {"phrase": 1, "voice": voice}, wall=START)
    day = read_day(tmp_path / "day.log")
    assert [phrase.voice for phrase in day.phrases] == ["A", "C"]
    assert [note.voice for note in heard_score(day).notes] == ["A", "A", "C", "C"]
    assert not day.unreadable


def test_the_days_own_answers_as_a_score(day: FieldDay) -> None:
    reply = reply_score(day)
    figures = statistics_of(day)
    asked = {note.heard_phrase for note in reply.notes}
    # Of one answer all strokes came too late.
    sounded = {note.id for note in day.sounded()}
    assert len({n.heard_phrase for n in reply.notes if n.id in sounded}) == figures.answered
    assert len(asked) - figures.answered == figures.unanswered["nothing of its answer was played"]
    assert len(reply.unanswered) == figures.calls - len(asked)
    by_id = {note.id: note for note in heard_score(day).notes}
    for note in reply.notes:
        assert note.heard is not None
        assert by_id[note.heard].phrase == note.heard_phrase
        assert by_id[note.heard].offset_s < note.onset_s
    assert isinstance(heard_score(day), HeardScore)


def test_a_first_run_dated_a_year_early_is_a_day_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "early.log"
    with FieldLog(path) as log:
        Writer(log, START - timedelta(days=365, hours=1)).phrase(5.0)
        second = Writer(log, START)
        second.phrase(100.0)
        second.status(3600.0)
    early = read_day(path)
    figures = statistics_of(early)
    assert figures.duration_s < 2.5 * 3600
    assert len(figures.hours) <= 3
    assert "365 days without a run" in early.clock_steps[0].text
    assert early.moment(early.phrases[1].onset_s) == START + timedelta(seconds=100.0)
    assert [run.start.year for run in early.runs] == [2025, 2026]


@pytest.mark.parametrize("year", [1970, 2000])
def test_a_run_without_a_clock_stands_right_before_the_next(tmp_path: Path, year: int) -> None:
    path = tmp_path / "unset.log"
    with FieldLog(path) as log:
        Writer(log, datetime.fromisoformat(f"{year}-01-01T01:00:00+01:00")).status(20.0)
        Writer(log, START).phrase(100.0)
    unset = read_day(path)
    assert unset.start == START - timedelta(seconds=20.0)
    assert unset.duration_s < 200.0
    assert unset.clock_steps[0].text == f"the clock was not set: it said 1 January {year}"


def test_a_clock_set_right_dates_what_was_before(tmp_path: Path) -> None:
    path = tmp_path / "set.log"
    with FieldLog(path) as log:
        writer = Writer(log, START - timedelta(days=400))
        writer.phrase(10.0)
        writer.start = START
        for at_s in (20.0, 30.0, 4000.0):
            writer.status(at_s)
        writer.phrase(4010.0)
    found = read_day(path)
    assert found.start == START
    assert found.moment(found.phrases[0].onset_s) == START + timedelta(seconds=10.0)
    (step,) = found.clock_steps
    assert step.text == f"the clock was set forward by {400 * 86400} s"
    assert [hour.start for hour in statistics_of(found).hours] == [
        START.replace(minute=0),
        START.replace(hour=4, minute=0),
    ]


def test_rows_whose_times_can_t_be_true_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "odd.log"
    with FieldLog(path) as log:
        writer = Writer(log, START)
        writer.status(10.0)
        log.append(1e7, "status", {}, wall=START + timedelta(seconds=11))
        log.append(12.0, "status", {}, wall=START.replace(year=9999))
        writer.status(13.0)
        late = Phrase(id=9, voice="A", notes=(heard(99, 5e7, 2000.0),))
        writer.add(14.0, "phrase", late)
        writer.add(15.0, "command", {"channel": 1, "what": "strike", "fate": "x", "at_s": 1e300})
        writer.add(16.0, "status", {"supply_v": 1e300, "strikes": 10**400, "coil_c": 20.0})
        writer.phrase(17.0)
    odd = read_day(path)
    assert odd.unreadable == 3
    assert odd.duration_s < 30.0
    assert odd.clock_steps == ()
    assert statistics_of(odd).supply_v is not None
    assert [row.coil_c for row in odd.statuses][-1] == 20.0
    assert odd.statuses[-1].supply_v is None


def test_what_the_boards_sensors_read_is_in_the_day(tmp_path: Path) -> None:
    path = tmp_path / "day.log"
    with FieldLog(path) as log:
        writer = Writer(log, START)
        writer.status(10.0)
        for at_s, lux in ((20.0, 3), (30.0, 410)):
            writer.add(at_s, "status", {"lux": lux, "air_c": -1.5, "humidity_pct": 97})
    day = read_day(path)
    assert (day.statuses[0].lux, day.statuses[-1].lux) == (None, 410)
    found = statistics_of(day)
    assert found.lux is not None
    assert (found.lux.lowest, found.lux.highest) == (3, 410)
    assert found.air_c is not None
    assert found.humidity_pct is not None


def test_a_run_whose_first_row_is_lost_is_a_run(tmp_path: Path) -> None:
    path = tmp_path / "headless.log"
    with FieldLog(path) as log:
        Writer(log, START).status(5000.0)
        # Its engine's clock began at 0 again, 60 s after the first run ended.
        for at_s in (10.0, 20.0, 30.0, 40.0):
            wall = START + timedelta(seconds=5060.0 + at_s)
            log.append(at_s, "status", {"supply_v": 12.5}, wall=wall)
    found = read_day(path)
    assert [run.begins_s for run in found.runs] == [0.0, 5060.0]
    assert found.unreadable == 0
    assert len(found.statuses) == 5


def test_a_dampers_hold_is_no_note(tmp_path: Path) -> None:
    path = tmp_path / "hold.log"
    with FieldLog(path) as log:
        writer = Writer(log, START)
        phrase = writer.phrase(1.0)
        note = {"id": 0, "onset_s": 4.0, "offset_s": 5.0, "instrument": "tube 1", "force": 0.5}
        note |= {"phrase": 0, "heard": None, "heard_phrase": phrase.id, "rule": "echo"}
        writer.add(3.0, "reply", {"phrase": phrase.id, "rule": "echo", "notes": [note]})
        for what, fate in (("strike", "late"), ("hold", "executed")):
            body = {"channel": 0, "what": what, "fate": fate, "reply": 0, "at_s": 3.9}
            writer.add(5.0, "command", body)
    assert read_day(path).sounded() == []


@pytest.mark.parametrize(
    ("last", "why"),
    [
        ({"text": "stopped: enough", "state": "stopped"}, "the run ended before it was decided"),
        ({"text": "the run ended: the sound", "ended": "x"}, "the run ended before it was decided"),
        ({"text": "a gust"}, "the log breaks off before it was decided"),
    ],
)
def test_what_a_run_leaves_undecided(tmp_path: Path, last: dict[str, str], why: str) -> None:
    path = tmp_path / "end.log"
    with FieldLog(path) as log:
        writer = Writer(log, START)
        writer.phrase(1.0)
        writer.add(5.0, "remark", last)
    assert statistics_of(read_day(path)).unanswered == {why: 1}

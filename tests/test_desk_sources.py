"""What the desk opens: recordings, scores, plans, field logs, folders; and the tiles it draws."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest
from desk_helpers import RATE_HZ, SECONDS, job, notes, served
from field_helpers import whole_day

from callresp.desk import session
from callresp.desk.answers import AT_ONCE_NOTES, Cancelled, HeardIndex, make_answer, strokes_of
from callresp.desk.chorus import COLUMNS, ROWS, Chorus, Levels
from callresp.desk.opening import open_job
from callresp.desk.session import DeskSession
from callresp.desk.source import jobs_in, open_source
from callresp.errors import UserError
from callresp.io.audio import Waveform, open_recording
from callresp.io.score import HeardHeader, HeardScore
from callresp.io.score_files import read_heard, write_heard, write_reply
from callresp.palette.files import load_palette
from callresp.plan.files import write_plan
from callresp.plan.planner import make_plan
from callresp.reply.replier import answer
from callresp.reply.rules import load_rules

PALETTE = load_palette("pocket")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A whole job: recording, heard score, reply and plan, on the pocket palette."""
    job(tmp_path)
    heard = read_heard(tmp_path / "dawn.heard.jsonl")
    reply = answer(heard, PALETTE, load_rules("shadow"))
    header = msgspec.structs.replace(
        reply.header, palette="pocket", rules="shadow", heard_file="dawn.heard.jsonl"
    )
    reply = msgspec.structs.replace(reply, header=header)
    write_reply(tmp_path / "dawn.reply.jsonl", reply)
    write_plan(tmp_path / "dawn.plan.jsonl", make_plan(reply, PALETTE).plan)
    return tmp_path


@pytest.mark.parametrize("ending", ["wav", "heard.jsonl", "reply.jsonl", "plan.jsonl"])
def test_any_file_of_a_job_opens_the_whole(folder: Path, ending: str) -> None:
    source = open_source(folder / f"dawn.{ending}")
    assert source.recording is not None
    assert source.heard == read_heard(folder / "dawn.heard.jsonl")
    if ending in ("reply.jsonl", "plan.jsonl"):
        assert source.palette in ("pocket", PALETTE.name)
    with served(folder / f"dawn.{ending}") as desk:
        state = desk.get("/api/state")
        assert state["source"]["notes"] == len(notes())
        assert state["sources"] == [state["source"]["file"]], "what is open is what is picked"
        if ending == "reply.jsonl":
            assert (state["palette"]["name"], state["rules"]["values"]["name"]) == (
                "pocket",
                "shadow",
            )


def test_a_folder_opens_its_first_job_and_lists_one_file_for_each(folder: Path) -> None:
    job(folder, "dusk")
    (folder / "notes.txt").write_text("nothing to open")
    assert [path.name for path in jobs_in(folder)] == ["dawn.wav", "dusk.wav"]
    assert open_source(folder).path.name == "dawn.wav"


def test_a_score_without_its_recording_is_shown_and_its_strokes_heard(folder: Path) -> None:
    (folder / "dawn.wav").unlink()
    with served(folder / "dawn.heard.jsonl") as desk:
        state = desk.get("/api/state")
        assert not state["source"]["has_sound"]
        chunks = [
            np.frombuffer(desk.ask(f"/api/machine/{state['sound']}/{n}")[1], "<f4")
            for n in range(6)
        ]
        assert np.abs(np.concatenate(chunks)).max() > 1e-3
        assert desk.ask("/api/evidence/0")[0] == 422


def test_a_field_log_is_opened_as_the_day_that_it_tells(tmp_path: Path) -> None:
    log = whole_day(tmp_path / "day.log", hours=0.3)
    with served(log) as desk:
        state = desk.get("/api/state")
        assert state["source"]["kind"] == "field log"
        assert state["source"]["notes"] > 10
        assert state["source"]["start"] is not None


def test_what_is_none_of_these_is_refused_in_one_line(folder: Path, tmp_path: Path) -> None:
    (folder / "x.toml").write_text('name = "x"')
    with pytest.raises(UserError, match="which the desk can't open"):
        open_source(folder / "x.toml")
    with pytest.raises(UserError):
        open_source(folder / "missing.wav")
    (tmp_path / "empty").mkdir()
    with pytest.raises(UserError, match="holds nothing to open"):
        open_source(tmp_path / "empty")


def test_a_heard_score_of_another_length_is_heard_anew(tmp_path: Path) -> None:
    path = job(tmp_path)
    header = HeardHeader(recording="dawn.wav", duration_s=99.0)
    write_heard(tmp_path / "dawn.heard.jsonl", HeardScore(header=header, notes=()))
    assert open_source(path).heard is None


def test_the_axis_reaches_what_was_heard(tmp_path: Path) -> None:
    time_s = np.arange(6 * 48000) / 48000
    rng = np.random.default_rng(1)
    wave = 0.001 * rng.standard_normal(len(time_s)) + 0.1 * np.sin(2 * np.pi * 13000 * time_s) * (
        (time_s > 2) & (time_s < 3)
    )
    chorus = Chorus(Waveform(wave, 48000))
    chorus.read()
    chorus.look()
    high = msgspec.structs.replace(notes()[0], pitch_hz=13000.0, high_hz=13000.0)
    score = HeardScore(header=HeardHeader(duration_s=6.0), notes=(high,))
    assert chorus.high_hz < 13000
    assert chorus.reach(score)
    assert chorus.tile(5, 0) is None, "what was drawn for the old axis is not shown on the new"
    # Whoever asks for it meanwhile waits for it.
    threading.Timer(0.05, chorus.look).start()
    tile = np.frombuffer(chorus.tile(5, 0, 20.0) or b"", np.uint8).reshape(ROWS, COLUMNS)
    row = int(ROWS * np.log(13000 / chorus.low_hz) / np.log(chorus.high_hz / chorus.low_hz))
    assert tile[row - 2 : row + 3, int(2500 / 32)].max() > 200
    assert not chorus.reach(score)


def ends(work: Callable[[], object]) -> str:
    """How work in a thread of its own ends where it is refused."""
    told: list[str] = []

    def run() -> None:
        try:
            work()
        except UserError as fault:
            told.append(str(fault))

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(20)
    assert not thread.is_alive(), "it still waits"
    return told[0]


def test_a_recording_that_has_gone_since_is_told_and_not_waited_for(tmp_path: Path) -> None:
    path = job(tmp_path)
    chorus = Chorus(open_recording(path))
    path.unlink()
    chorus.start()
    assert chorus.looked.wait(20)
    assert chorus.fault is not None
    assert ends(lambda: chorus.chunk(0)) == chorus.fault


def test_what_is_drawn_anew_when_a_recording_has_gone_fails_quietly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = job(tmp_path)
    one = DeskSession(open_job(path))
    path.unlink()
    monkeypatch.setattr(Chorus, "reach", lambda *_: True)
    failed: list[object] = []
    monkeypatch.setattr(threading, "excepthook", failed.append)
    others = threading.enumerate()  # of desks that earlier tests still serve
    one.start()
    assert one.ready.wait(20)
    for thread in threading.enumerate():
        if thread not in others and thread.name.startswith("desk "):
            thread.join(20)
    assert not failed
    assert one.trouble is not None


def test_nobody_waits_for_a_session_that_is_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Else Ctrl-C would not end the desk before all has been heard.
    let_go = threading.Event()

    def slow(*_: object) -> HeardScore:
        let_go.wait()
        raise UserError("too late")

    monkeypatch.setattr(session, "hear", slow)
    one = DeskSession(open_job(job(tmp_path)))
    threading.Thread(target=one.start, daemon=True).start()
    unread = Chorus(open_recording(tmp_path / "dawn.wav"))
    try:
        one.close()
        unread.close()
        assert ends(one.need_heard)
        assert ends(lambda: unread.chunk(0))
    finally:
        let_go.set()


def test_a_stretch_that_the_overview_has_not_reached_is_drawn_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("callresp.desk.chorus.SHORT", 0)
    time_s = np.arange(60 * RATE_HZ) / RATE_HZ
    wave = 0.01 * np.random.default_rng(2).standard_normal(len(time_s))
    wave += 0.1 * np.sin(2 * np.pi * 3000 * time_s) * ((time_s > 50) & (time_s < 51))
    drawn = []

    class Closed(Chorus):
        """Closed in its first piece of half a minute."""

        def _levels(self, level: int, first: int, last: int) -> Levels:
            self.close()
            return super()._levels(level, first, last)

    for kind in (Closed, Chorus):
        chorus = kind(Waveform(wave, RATE_HZ))
        chorus.read()
        chorus.look()
        drawn.append((chorus.tile(5, 6), chorus.tile(9, 0)))
    (alone, far), (whole, far_too) = drawn
    assert alone == whole
    assert np.frombuffer(alone or b"", np.uint8).max() > 200
    assert far is None
    assert far_too is not None


def test_the_first_part_of_a_long_recording_is_the_wholes(tmp_path: Path) -> None:
    """What is answered around the playhead first is, there, what the whole will be."""
    path = job(tmp_path)
    own = read_heard(tmp_path / "dawn.heard.jsonl").notes
    copies = 2 + AT_ONCE_NOTES // len(own)
    many = tuple(
        msgspec.structs.replace(
            note,
            id=n * len(own) + note.id,
            onset_s=note.onset_s + n * SECONDS,
            offset_s=note.offset_s + n * SECONDS,
            phrase=note.phrase + 5 * n,
            track=(),
        )
        for n in range(copies)
        for note in own
    )
    header = HeardHeader(duration_s=copies * SECONDS)
    heard, rules = HeardIndex(HeardScore(header=header, notes=many)), load_rules("answer")
    middle_s = copies * SECONDS / 2
    part = make_answer(1, heard, PALETTE, rules, around_s=middle_s)
    whole = make_answer(2, heard, PALETTE, rules)
    assert not part.whole
    assert whole.whole

    def strokes(of: object) -> list[tuple[float, str]]:
        return [
            (mark.at_s, mark.instrument)
            for mark in of.marks  # type: ignore[attr-defined]
            if part.from_s + 2 < mark.at_s < part.to_s - 12
        ]

    shy = msgspec.structs.replace(rules.manners, share_max=0.05)
    quiet = msgspec.structs.replace(rules, manners=shy)
    few = make_answer(3, heard, PALETTE, quiet, around_s=middle_s)
    alone = {silence.unanswered for silence in few.reply.unanswered}
    before = {number for number in alone if heard.phrases[number].offset_s < few.from_s}
    assert before
    assert strokes_of(heard, few, {})["silent"] == sorted(alone - before)
    assert len(strokes(whole)) > 3
    same = set(strokes(part)) & set(strokes(whole))
    assert len(same) >= 0.8 * len(strokes(whole))
    assert open_recording(path).sample_rate_hz == RATE_HZ


def test_an_answer_that_nobody_waits_for_ends_at_the_next_call(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*_: object) -> None:
        raise AssertionError("it was planned all the same")

    monkeypatch.setattr("callresp.desk.answers.make_plan", never)
    heard, asked = HeardIndex(read_heard(folder / "dawn.heard.jsonl")), iter([False, False, False])
    rules = load_rules("answer")
    with pytest.raises(Cancelled):
        make_answer(1, heard, PALETTE, rules, cancelled=lambda: next(asked, True))

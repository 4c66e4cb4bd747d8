"""The loop on strikers: passes where they are told to be, limits over all of them, and the stop."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from desk_helpers import job, served
from plan_helpers import reply_note

from callresp.desk import machine as machines
from callresp.desk.machine import MachineRun, Machines
from callresp.errors import UserError
from callresp.io.score import ReplyNote
from callresp.link.board import SimulatedBoard
from callresp.link.session import Session
from callresp.palette.files import load_palette

PALETTE = load_palette("fettle")
STEP_S = 0.002


def struck(number: int, at_s: float, offset_s: float | None = None) -> ReplyNote:
    return reply_note(number, at_s, offset_s, ("tube 1", "tube 3", "oak block")[number % 3], 0.7)


class Steps:
    """A board and a line in steps of time, in place of a port: nothing depends on the clock."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, until_s: float) -> None:
        self.begin, self.until_s, self.now_s = threading.Event(), until_s, 0.0
        self.board = SimulatedBoard(PALETTE, drift_ppm=80.0, ahead_s=50.0)
        monkeypatch.setattr(machines, "stream_session", self.stream)
        monkeypatch.setattr(machines, "GONE_S", 1e9)

    def stream(
        self,
        session: Session,
        url: str,
        clock: object,
        ending: Callable[[], bool],
        watch: Callable[[Session, float], None],
    ) -> None:
        assert self.begin.wait(20)
        while self.now_s < self.until_s and not ending():
            out = session.poll(self.now_s)
            data = self.board.receive(out, self.now_s) if out else self.board.advance(self.now_s)
            session.receive(data, self.now_s)
            watch(session, self.now_s)
            self.now_s += STEP_S


def run_of(notes: list[ReplyNote], from_s: float, to_s: float) -> MachineRun:
    return MachineRun(PALETTE, notes, from_s, to_s, "a port in steps")


def test_each_pass_falls_where_the_page_says(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = Steps(monkeypatch, 14.0)
    notes = [struck(0, 5.2), struck(1, 5.9, 6.1), struck(2, 7.5), struck(3, 9.0)]
    run = run_of(notes, 5.0, 8.0)
    # The third pass is later than its length: a sound card's clock is not the server's.
    starts = (3.0, 6.0, 9.004)
    for start_s in starts:
        run.add_pass(run._zero_s + start_s)
    steps.begin.set()
    run._thread.join(60)
    state = run.state()
    wanted = sorted((s + n.onset_s - 5.0, n.id) for s in starts for n in notes if n.onset_s < 8.0)
    found = sorted((at_s - run._zero_s, reply) for reply, at_s in state.strokes)
    assert [reply for _, reply in found] == [reply for _, reply in wanted]
    assert max(abs(a - b) for (a, _), (b, _) in zip(found, wanted, strict=True)) < 0.001
    assert state.refused == 0
    assert state.passes == 3


def test_heat_and_duty_of_all_passes_count_together(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = Steps(monkeypatch, 40.0)
    notes = [reply_note(n, 0.06 * n, None, "tube 1") for n in range(12)]
    run = run_of(notes, 0.0, 0.8)
    for number in range(40):
        run.add_pass(run._zero_s + 3.0 + 0.8 * number)
    steps.begin.set()
    run._thread.join(120)
    state = run.state()
    assert state.played > 100
    # What the limits do not let through is left out; the board itself refuses nothing.
    assert state.refused > 0
    outcomes = run.session.report.outcomes if run.session else {}
    assert set(outcomes) <= {"executed"}, outcomes


def test_a_muted_striker_is_not_struck(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = Steps(monkeypatch, 14.0)
    looked = MachineRun._tick

    def tick(run: MachineRun, session: Session, now_s: float) -> None:
        run.muted = frozenset({"oak block" if now_s < 7.2 else "tube 1"})
        looked(run, session, now_s)

    monkeypatch.setattr(MachineRun, "_tick", tick)
    run = run_of([struck(0, 0.5), struck(1, 0.9), struck(2, 1.3)], 0.0, 2.0)
    for number in range(5):
        run.add_pass(run._zero_s + 3.0 + 2.0 * number)
    steps.begin.set()
    run._thread.join(60)
    found = [(round(at_s - run._zero_s, 1), reply) for reply, at_s in run.state().strokes]
    first = [(s + at_s, n) for s in (3.0, 5.0) for n, at_s in ((0, 0.5), (1, 0.9))]
    # The block's stroke at 8.3 s had been passed over already, a second and a half before.
    then = [(7.9, 1), (9.9, 1), (10.3, 2), (11.9, 1), (12.3, 2)]
    assert sorted(found) == sorted((round(at_s, 1), n) for at_s, n in first + then)
    assert run.state().refused == 0


def test_a_stop_ends_it_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = Steps(monkeypatch, 1e6)
    run = run_of([struck(0, 0.5)], 0.0, 1.0)
    run.add_pass(run._zero_s + 3.0)
    steps.begin.set()
    run.stop()
    assert not run.state().running
    assert run.state().said == "stopped"
    with pytest.raises(UserError):
        run.add_pass(run._zero_s + 30.0)


def test_a_page_that_has_gone_stops_it(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = Steps(monkeypatch, 1e6)
    monkeypatch.setattr(machines, "GONE_S", -1.0)
    run = run_of([], 0.0, 1.0)
    steps.begin.set()
    run._thread.join(20)
    assert run.state().said == "stopped: the page has gone"


def test_nothing_moves_without_a_yes_or_on_a_port_that_is_not_there() -> None:
    def never() -> MachineRun:
        raise AssertionError("it was started")

    with pytest.raises(UserError, match="nothing moves"):
        Machines().start("simulated", False, never)
    with pytest.raises(UserError, match="no port"):
        Machines().start("/dev/nonesuch", True, never)
    assert "/dev/nonesuch" in Machines(("/dev/nonesuch",)).choices()


def test_the_page_must_say_yes_too(tmp_path: Path) -> None:
    with served(job(tmp_path)) as desk:
        told = desk.get("/api/board")
        assert len(told["cautions"]) == 4
        assert told["state"] is None
        ask = {"port": "simulated", "from_s": 0.0, "to_s": 4.0}
        assert desk.ask("/api/board/start", {**ask, "yes": False})[0] == 422
        assert desk.ask("/api/board/start", ask)[0] == 400
        assert desk.ask("/api/board/start", {**ask, "yes": True}, token="no")[0] == 401
        assert desk.ask("/api/board/passes", {"starts_s": [told["now_s"] + 1]})[0] == 422
        assert desk.get("/api/board")["state"] is None

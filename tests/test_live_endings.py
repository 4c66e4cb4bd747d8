"""Every way in which a live session ends: all is released, and the log says how."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acting_listener import Act, Acting
from click.testing import CliRunner, Result
from field_helpers import log_rows
from live_helpers import RATE_HZ

from callresp.cli import cli
from callresp.field.day_reader import read_day
from callresp.field.log import END_KEY, FieldLog
from callresp.field.timeline import timeline
from callresp.io.audio import write_wav
from callresp.link import stop_request
from callresp.link.stop_request import StopListener, request_stop
from callresp.live import setup
from callresp.live.engine import LiveEngine
from callresp.live.links import SimulatedLink

FILE = ("--input", "dawn.wav", "--speed", "0", "--start", "2026-05-12T04:30:00")
LIVE = (*FILE, "--port", "simulated", "--log", "day.log", "--rules", "shadow")
# Whatever whoever runs the tests has its jobs ignore.
pytestmark = pytest.mark.usefixtures("own_signals")
SIGNALS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT]


class Session:
    """Runs the command; keeps its link, to look at the board afterwards."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._monkeypatch = monkeypatch
        self.links: list[SimulatedLink] = []
        real = SimulatedLink

        def kept(*given: Any) -> SimulatedLink:
            self.links.append(real(*given))
            return self.links[-1]

        monkeypatch.setattr(setup, "SimulatedLink", kept)

    def run(self, act: Act, again: Act = lambda: None, words: tuple[str, ...] = LIVE) -> Result:
        """Run it; `act` while a coil is on."""
        self.acting = Acting(act, again, lambda at_s: bool(self.links and self._on))
        self._monkeypatch.setattr(setup, "listener_of", lambda rate, profile: self.acting)
        return CliRunner().invoke(cli, ["live", *words])

    @property
    def _on(self) -> bool:
        return bool(self.links[-1].board.on_channels)

    def all_released_and_told(self, how: str) -> None:
        assert self.acting.acted
        board = self.links[-1].board
        did = [row.did for row in board.log]
        assert did.count("on") > 0
        assert board.on_channels == []
        assert did.count("on") * 2 == len(did)
        rows = list(log_rows(Path("day.log")))
        assert rows[-1].kind == "remark"
        assert rows[-1].body[END_KEY] == how
        # In the report, too.
        assert timeline(read_day(Path("day.log")))[-1].text == f"the run ended: {how}"


@pytest.fixture
def session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Session:
    write_wav(tmp_path / "dawn.wav", np.zeros(30 * RATE_HZ), RATE_HZ)
    monkeypatch.chdir(tmp_path)
    return Session(monkeypatch)


@pytest.mark.parametrize("number", SIGNALS)
@pytest.mark.parametrize("often", [1, 3])
def test_a_signal_while_it_sounds(session: Session, number: signal.Signals, often: int) -> None:
    """Once, or again and again until the last row is written."""

    def send() -> None:
        for _ in range(often):
            os.kill(os.getpid(), number)

    before = signal.getsignal(number)
    done = session.run(send, send if often > 1 else lambda: None)
    words = "stopped with Ctrl-C" if number == signal.SIGINT else f"stopped by {number.name}"
    session.all_released_and_told(words)
    assert done.exit_code == (1 if number == signal.SIGINT else 0), done.output
    assert isinstance(done.exception, SystemExit) or done.exception is None
    assert signal.getsignal(number) == before


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGHUP])
def test_a_signal_that_was_ignored_from_outside_stays_so(
    session: Session, number: signal.Signals
) -> None:
    """As in a shell's background and under nohup: the terminal goes, the machine plays on."""
    signal.signal(number, signal.SIG_IGN)
    done = session.run(lambda: os.kill(os.getpid(), number))
    assert done.exit_code == 0, done.output
    session.all_released_and_told("the sound ended")
    assert signal.getsignal(number) is signal.SIG_IGN


def test_ctrl_c_ends_with_130(tmp_path: Path, session: Session) -> None:
    done = alone("import os; os.kill(os.getpid(), 2)", tmp_path)
    assert (done.returncode, b"Traceback" in done.stderr) == (130, False)


def test_the_sound_ends(session: Session) -> None:
    done = session.run(lambda: None)
    assert done.exit_code == 0, done.output
    session.all_released_and_told("the sound ended")


def test_a_cap(session: Session) -> None:
    session.run(lambda: None, words=(*LIVE, "--max-hours", "0.0015"))
    session.all_released_and_told("0.0015 h, as long as was allowed")


def test_another_terminal(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    listeners: list[StopListener] = []
    said: list[str] = []
    entered = StopListener.__enter__

    def noted(self: StopListener) -> StopListener:
        listeners.append(self)
        return entered(self)

    monkeypatch.setattr(StopListener, "__enter__", noted)
    # Of its own, or a simulated session of another worker might hear it instead.
    monkeypatch.setattr(stop_request, "port_identity", lambda url: f"{Path.cwd()}/{url}")

    def request() -> None:
        said.append(request_stop("simulated"))

    asks = threading.Thread(target=request)

    def ask() -> None:
        asks.start()
        assert listeners[0].requested.wait(120)

    session.run(ask)
    asks.join()
    assert said == ["the running session has stopped everything"]
    session.all_released_and_told("stopped from another terminal")


def test_a_fault_in_the_program(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise ZeroDivisionError("no such number")

    done = session.run(fail)
    assert isinstance(done.exception, ZeroDivisionError)
    session.all_released_and_told("a fault in the program: ZeroDivisionError: no such number")


def test_a_fault_while_ending_skips_nothing(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(self: LiveEngine) -> None:
        raise ZeroDivisionError("at the end")

    monkeypatch.setattr(LiveEngine, "finish", fail)
    session.run(lambda: os.kill(os.getpid(), signal.SIGTERM))
    session.all_released_and_told("stopped by SIGTERM")


HERE = Path(__file__).parent


def alone(act: str, folder: Path, words: tuple[str, ...] = LIVE, **more: Any) -> Any:
    """The command in a process of its own."""
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE), *sys.path])}
    more = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **more}
    program = [sys.executable, str(HERE / "acting_listener.py"), act, *words]
    return subprocess.run(program, cwd=folder, env=env, check=False, **more)


def test_after_a_kill_the_next_start_says_that_the_last_run_was_cut(
    tmp_path: Path, session: Session
) -> None:
    done = alone("import os; os.kill(os.getpid(), 9)", tmp_path)
    assert done.returncode == -signal.SIGKILL
    cut = list(log_rows(Path("day.log")))
    assert cut[-1].body.get(END_KEY) is None
    again = session.run(lambda: None)
    assert again.exit_code == 0
    assert "the last run was cut" in again.output
    said = [row.body["text"] for row in log_rows(Path("day.log"), "remark")]
    assert f"the last run was cut: its log breaks off at {cut[-1].wall}, without its end" in said
    assert any("the last run was cut" in row.text for row in timeline(read_day(Path("day.log"))))
    # The run after that one has nothing to say of it.
    assert "was cut" not in session.run(lambda: None).output


def test_a_second_session_on_one_log_is_refused(session: Session) -> None:
    found: list[Result] = []

    def another() -> None:
        found.append(CliRunner().invoke(cli, ["live", *LIVE]))

    session.run(another)
    assert "another callresp is writing this file" in str(found[0].exception)
    session.all_released_and_told("the sound ended")
    assert not Path("day.log-lock").exists()
    assert len(list(log_rows(Path("day.log"), "day"))) == 1


def test_what_a_crash_left_behind_locks_nobody_out(session: Session) -> None:
    Path("day.log-lock").touch()
    assert session.run(lambda: None).exit_code == 0


def test_another_programs_database_is_refused(session: Session) -> None:
    import sqlite3

    base = sqlite3.connect("day.log")
    base.execute("CREATE TABLE recipes (name TEXT)")
    base.commit()
    base.close()
    before = Path("day.log").read_bytes()
    done = session.run(lambda: None)
    assert "another program's database" in str(done.exception)
    assert Path("day.log").read_bytes() == before


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_full_disk_behind_its_output_does_not_end_the_day(
    tmp_path: Path, session: Session
) -> None:
    with Path("/dev/full").open("wb") as full:
        done = alone("pass", tmp_path, stdout=full)
    assert (done.returncode, done.stderr) == (1, b"")
    its_output_failed("No space left on device")


def test_a_reader_that_goes_away_does_not_end_the_day(tmp_path: Path, session: Session) -> None:
    own, other = os.pipe()
    os.close(own)
    done = alone("pass", tmp_path, stdout=other)
    os.close(other)
    assert (done.returncode, done.stderr) == (1, b"")
    its_output_failed("Broken pipe")


def its_output_failed(why: str) -> None:
    log = Path("day.log")
    faults = [row.body["what"] for row in log_rows(log, "fault")]
    assert faults == [f"standard output takes no more lines ({why}); it goes on without"]
    assert len(list(log_rows(log, "phrase"))) == 4
    assert list(log_rows(log))[-1].body[END_KEY] == "the sound ended"


def test_a_reader_that_stops_reading_does_not_hold_the_machine_up(
    tmp_path: Path, session: Session
) -> None:
    """Its pipe is full from the start, and nobody ever reads."""
    own, other = os.pipe()
    os.set_blocking(other, False)
    with suppress(BlockingIOError):
        while True:
            os.write(other, bytes(4096))
    os.set_blocking(other, True)
    done = alone("pass", tmp_path, stdout=other)
    os.close(own)
    os.close(other)
    assert (done.returncode, done.stderr) == (0, b"")
    assert list(log_rows(Path("day.log")))[-1].body[END_KEY] == "the sound ended"


def test_closed_standard_streams_are_no_traceback(tmp_path: Path, session: Session) -> None:
    def close_all() -> None:
        for handle in (0, 1, 2):
            os.close(handle)

    assert alone("pass", tmp_path, preexec_fn=close_all).returncode == 0
    assert list(log_rows(Path("day.log")))[-1].body[END_KEY] == "the sound ended"
    done = alone("pass", tmp_path, ("--input", "-"), preexec_fn=lambda: os.close(0))
    assert done.returncode == 2
    assert done.stderr == b"callresp: standard input is closed; pipe raw PCM into it\n"


def test_rows_that_a_full_disk_keeps_are_counted(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From SQLite itself: the file may not grow any more."""
    append, given = FieldLog.append, [0]

    def until_full(self: FieldLog, *words: Any) -> None:
        if not given[0]:
            (pages,) = self._base.execute("PRAGMA page_count").fetchone()
            self._base.execute(f"PRAGMA max_page_count = {pages}")
        given[0] += 1
        append(self, *words)

    monkeypatch.setattr(FieldLog, "append", until_full)
    done = session.run(lambda: None)
    kept = len(list(log_rows(Path("day.log"))))
    lost = given[0] - kept
    assert lost > 10
    assert f"{lost} rows of the log lost" in done.output
    assert done.exit_code == 1

"""Stopping from a second terminal, asking who is there, trying channels, dry runs."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import weakref
from pathlib import Path
from unittest import mock

import pytest
from board_on_pty import PATIENCE_S, served, wait_until
from click.testing import CliRunner
from link_helpers import FETTLE, plan_of

from callresp.cli import cli, main
from callresp.commands.stream_view import live_view
from callresp.errors import UserError
from callresp.io.files import write_text
from callresp.link import stop_request
from callresp.link.board import SimulatedBoard
from callresp.link.messages import FAULTS, HelloAck, SensorReadings, Status, Stop, StrikeAt
from callresp.link.port import BoardConnection, open_port
from callresp.link.session import Session
from callresp.link.signals import kept
from callresp.link.stop_request import StopListener, request_stop
from callresp.link.stream import Watch, stream
from callresp.plan.files import write_plan


def callresp(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "callresp", *words]
    return subprocess.run(
        command, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=60
    )


# As a service, cron, sudo and an ssh login have them: nothing of the session's own.
ELSEWHERE = {"PATH": "/usr/bin:/bin", "HOME": "/nonexistent", "TMPDIR": "/nonexistent"}
STOP = [sys.executable, "-m", "callresp", "stop", "--port"]


def test_a_terminal_with_nothing_in_common_stops_the_stream() -> None:
    done: list[Session] = []
    with served(SimulatedBoard(FETTLE)) as at:
        runner = threading.Thread(target=lambda: done.append(stream(plan_of(400, 0.2), at.port)))
        runner.start()
        wait_until(lambda: at.strokes >= 3)
        where = {**ELSEWHERE, "PYTHONPATH": os.pathsep.join(sys.path)}
        asked = subprocess.run([*STOP, at.port], env=where, capture_output=True, text=True)
        runner.join()
        assert asked.stdout == "the running session has stopped everything\n", asked.stderr
        # The last bytes may wait in the line for the board, which is a thread of this process.
        wait_until(lambda: isinstance(at.heard[-1], Stop) and at.released)
    report = done[0].report
    assert report.outcomes["stopped by the host"] > 300
    assert sum(report.outcomes.values()) == report.commands


def test_a_link_to_the_port_finds_it_too(tmp_path: Path) -> None:
    with served(SimulatedBoard(FETTLE)) as at, StopListener(at.port) as listener:
        link = tmp_path / "by-id"
        link.symlink_to(at.port)
        asked = threading.Thread(target=request_stop, args=(str(link),))
        asked.start()
        assert listener.requested.wait(PATIENCE_S)
        listener.released()
        asked.join()


def test_a_program_that_sits_on_the_address_is_passed_over() -> None:
    """It takes every connection and says nothing sensible; or nothing at all."""
    family, address = next(stop_request._addresses("/dev/ttyPLANTED"))
    with socket.socket(family, socket.SOCK_STREAM) as planted:
        planted.bind(address)
        planted.listen()

        def answer() -> None:
            with contextlib.suppress(OSError):
                while True:
                    connection, _ = planted.accept()
                    with connection:
                        connection.sendall(b"stopped\n")

        threading.Thread(target=answer, daemon=True).start()
        with StopListener("/dev/ttyPLANTED") as listener:
            assert listener.reachable
            asked: list[str] = []
            ask = threading.Thread(target=lambda: asked.append(request_stop("/dev/ttyPLANTED")))
            ask.start()
            assert listener.requested.wait(PATIENCE_S)
            assert not asked
            listener.released()
            ask.join()
        planted.shutdown(socket.SHUT_RDWR)
    assert asked == ["the running session has stopped everything"]


def test_only_the_right_words_stop_it() -> None:
    """As from a web page that a browser on this computer was made to send."""
    with StopListener("/dev/ttyX") as listener:
        family, address = next(stop_request._addresses("/dev/ttyX"))
        before = set(threading.enumerate())
        for said in (b"POST / HTTP/1.1\n", b"callresp stop /dev/ttyY\n", b"\n", b"x" * 9000):
            with socket.socket(family, socket.SOCK_STREAM) as stranger:
                stranger.connect(address)
                with contextlib.suppress(OSError):
                    stranger.sendall(said)
                    # Whoever waits for a word does not keep the program from ending.
                    assert all(one.daemon for one in set(threading.enumerate()) - before)
                    assert stranger.recv(100) == b""
        assert not listener.requested.is_set()


def test_where_every_address_is_taken_it_plays_on_and_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(stop_request, "ADDRESSES", 1)
    with StopListener("/dev/ttyX"), StopListener("/dev/ttyX") as second:
        assert not second.reachable
        second.released()


def test_in_use_is_not_check_the_cable() -> None:
    with served(SimulatedBoard(FETTLE)) as at:
        held = open_port(at.port)
        with pytest.raises(UserError, match="in use by a program that takes no stop") as told:
            request_stop(at.port)
        held.close()
        assert told.value.where == at.port
    assert "; end that program, or press the stop on the board" in str(told.value)


@pytest.mark.usefixtures("own_signals")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT])
def test_a_signal_stops_the_stream_in_order(number: signal.Signals, tmp_path: Path) -> None:
    plan, played = tmp_path / "a.plan.jsonl", tmp_path / "played.jsonl"
    write_plan(plan, plan_of(400, 0.1).plan)
    with served(SimulatedBoard(FETTLE)) as at:
        words = ["stream", str(plan), "--port", at.port, "--palette", "fettle", "--yes"]
        host = subprocess.Popen(
            [sys.executable, "-m", "callresp", *words, "--log", str(played)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        wait_until(lambda: at.strokes >= 6)
        host.send_signal(number)
        _, told = host.communicate()
        assert host.returncode == 128 + number
        assert b"Traceback" not in told
        wait_until(lambda: isinstance(at.heard[-1], Stop) and at.released)
    outcomes = [json.loads(line)["fate"] for line in played.read_text().splitlines()]
    assert outcomes.count("stopped by the host") > 300
    assert len(outcomes) == len(plan_of(400, 0.1).plan.commands)


def died(number: int, frame: object) -> None:
    """As the system ends a program that has no say in it, without ending the tests."""
    raise RuntimeError("it died on the spot")


@pytest.mark.usefixtures("own_signals")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_second_signal_costs_no_log(
    number: signal.Signals, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As where a terminal is closed under a shell, or a service manager loses patience."""

    def written(path: Path, text: str) -> None:
        os.kill(os.getpid(), number)
        write_text(path, text)

    monkeypatch.setattr("callresp.commands.stream.write_text", written)
    monkeypatch.setattr("callresp.link.simulator.write_text", written)
    signal.signal(number, died)
    plan, played, board = (tmp_path / name for name in ("a.plan.jsonl", "p.jsonl", "b.jsonl"))
    write_plan(plan, plan_of(4, 0.1).plan)
    words = ["stream", str(plan), "--port", "simulated", "--palette", "fettle", "--speed", "20"]
    done = CliRunner().invoke(cli, [*words, "--log", str(played), "--board-log", str(board)])
    assert done.exit_code == 0, done.exception
    assert len(played.read_text().splitlines()) == len(plan_of(4, 0.1).plan.commands)
    assert '"did":"on"' in board.read_text()


@pytest.mark.usefixtures("own_signals")
def test_a_signal_before_a_stream_begins_ends_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def opened(*given: object) -> contextlib.AbstractContextManager[Watch]:
        os.kill(os.getpid(), signal.SIGTERM)
        return live_view(FETTLE, 1)

    monkeypatch.setattr("callresp.commands.stream.live_view", opened)
    plan, board = tmp_path / "a.plan.jsonl", tmp_path / "b.jsonl"
    write_plan(plan, plan_of(4, 0.1).plan)
    words = ["stream", str(plan), "--port", "simulated", "--palette", "fettle"]
    signal.signal(signal.SIGTERM, died)
    with pytest.raises(SystemExit) as ended:
        main([*words, "--board-log", str(board)])
    assert ended.value.code == 128 + signal.SIGTERM
    assert board.read_text() == ""


@pytest.mark.usefixtures("own_signals")
def test_under_nohup_a_stream_goes_on_when_its_terminal_goes(tmp_path: Path) -> None:
    plan = tmp_path / "a.plan.jsonl"
    write_plan(plan, plan_of(400, 0.1).plan)
    with served(SimulatedBoard(FETTLE)) as at:
        words = ["stream", str(plan), "--port", at.port, "--palette", "fettle", "--yes"]
        with subprocess.Popen(
            ["nohup", sys.executable, "-m", "callresp", *words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        ) as host:
            wait_until(lambda: at.strokes >= 3)
            host.send_signal(signal.SIGHUP)
            wait_until(lambda: at.strokes >= 6)
            host.send_signal(signal.SIGTERM)
        assert host.returncode == 128 + signal.SIGTERM
        wait_until(lambda: at.released)


def test_stopping_without_a_session_speaks_to_the_board() -> None:
    with served(SimulatedBoard(FETTLE)) as at:
        with BoardConnection(at.port) as line:
            line.hello()
            line.heartbeat()
            line.send(StrikeAt(0, 0, 0, 100))
        assert "released everything" in request_stop(at.port)
        assert isinstance(at.heard[-1], Stop)
        told = json.loads(callresp("stop", "--port", at.port, "--json").stdout)
        assert told == {
            "port": at.port,
            "said": "no session was running; the board has released everything",
        }


def test_identify_compares_with_the_palette() -> None:
    done = callresp("identify", "--port", "simulated", "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["coils"] == 13
    assert told["enough_channels"] is True
    assert (told["lights"], told["mode"]) == (1, 0)


@pytest.mark.parametrize("faults", [[], ["rain"], ["line damaged", "silence from the host"]])
def test_identify_tells_the_faults_that_the_board_has(
    faults: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    bits = sum(1 << FAULTS.index(name) for name in faults)
    line = mock.MagicMock()
    line.hello.return_value = HelloAck(5, 1, 5, 13, 1, 64, 200, 1)
    line.wait_for.return_value = Status(12_000, 20, 21, 0, 0, bits)
    line.sensed = SensorReadings()
    monkeypatch.setattr("callresp.commands.board.BoardConnection", lambda url: line)
    line.__enter__.return_value = line
    words = ["identify", "--port", "/dev/ttyX", "--json"]
    told = json.loads(CliRunner().invoke(cli, words).output)
    assert set(told["faults"]) == set(faults)


def test_try_plays_what_was_named_and_says_how_it_went() -> None:
    words = ("--port", "simulated", "--yes", "--only", "tube 3", "--only", "bead shaker")
    done = callresp("try", *words, "--json")
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert [one["instrument"] for one in told] == ["tube 3", "bead shaker"]
    # On a busy computer the board may let go: then it says so, and so does the status.
    assert all(one["well"] == (set(one["fates"]) == {"executed"}) for one in told)
    assert done.returncode == (0 if all(one["well"] for one in told) else 1), done.stderr
    nobody = callresp("try", "--port", "simulated")
    assert (nobody.returncode, nobody.stdout) == (2, "")
    assert nobody.stderr == "callresp: nobody is there to say yes; add --yes\n"
    wrong = callresp("try", "--port", "simulated", "--yes", "--only", "tube 9")
    assert wrong.returncode == 2
    assert "no 'tube 9' in Fettle" in wrong.stderr


def test_nothing_moves_without_a_yes(tmp_path: Path) -> None:
    plan = tmp_path / "a.plan.jsonl"
    write_plan(plan, plan_of(3).plan)
    done = callresp("stream", str(plan), "--port", str(tmp_path / "tty"), "--palette", "fettle")
    assert done.returncode == 2
    assert "caution: coils get hot" in done.stderr
    assert "nobody is there to confirm" in done.stderr


def test_a_dry_run_sends_nothing(tmp_path: Path) -> None:
    plan = tmp_path / "a.plan.jsonl"
    write_plan(plan, plan_of(3).plan)
    words = ("--port", str(tmp_path / "tty"), "--palette", "fettle", "--dry-run")
    done = callresp("stream", str(plan), *words)
    assert done.returncode == 0, done.stderr
    count = len(plan_of(3).plan.commands)
    assert f"{count} commands, all within the limits; nothing sent" in done.stdout
    told = json.loads(callresp("stream", str(plan), *words, "--json").stdout)
    assert told == {"plan": str(plan), "commands": count, "sent": 0}


def test_ports_is_quiet_where_there_are_none() -> None:
    assert callresp("ports", "--json").returncode == 0


@pytest.mark.usefixtures("own_signals")
def test_ctrl_c_that_python_ignores_in_a_callback_comes_again() -> None:
    """As in the callback of a module's lock: `live` went on for the rest of the day."""

    class Module:
        pass

    def interrupted(gone: object) -> None:
        raise KeyboardInterrupt

    def ignored_once() -> None:
        module = Module()
        lock = weakref.ref(module, interrupted)
        del module
        assert lock() is None  # Python has ignored it, and we are still here
        until_s = time.monotonic() + 20.0
        while time.monotonic() < until_s:
            time.sleep(0.01)

    before = sys.unraisablehook
    with pytest.raises(KeyboardInterrupt), kept():
        ignored_once()
    assert sys.unraisablehook is before


def test_other_faults_that_python_ignores_are_told_as_before(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    told: list[object] = []
    monkeypatch.setattr("sys.unraisablehook", lambda what: told.append(what.exc_type))
    with kept():
        lock = weakref.ref(type("Gone", (), {})(), lambda gone: 1 / 0)
    assert (lock(), told) == (None, [ZeroDivisionError])

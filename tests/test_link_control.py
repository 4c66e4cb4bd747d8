"""Stopping from a second terminal, asking who is there, trying channels, dry runs."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

from link_helpers import FETTLE, plan_of

from callresp.link.messages import StrikeAt
from callresp.link.port import simulated_board
from callresp.link.session import Session
from callresp.link.stop_request import BoardConnection, request_stop, stop_file
from callresp.link.stream import stream
from callresp.plan.files import write_plan


def callresp(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "callresp", *words]
    return subprocess.run(
        command, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=60
    )


def test_a_second_terminal_stops_the_stream(tmp_path: Path) -> None:
    log = tmp_path / "board.jsonl"
    done: list[Session] = []
    with simulated_board(FETTLE, log) as port:
        runner = threading.Thread(
            target=lambda: done.append(stream(plan_of(400, 0.2), port)), daemon=True
        )
        runner.start()
        until = time.monotonic() + 20
        while not stop_file(port).parent.is_dir() and time.monotonic() < until:
            time.sleep(0.01)
        time.sleep(2.5)
        assert "running stream has stopped" in request_stop(port)
        runner.join(timeout=10)
        assert not runner.is_alive()
    report = done[0].report
    assert report.outcomes["stopped by the host"] > 300
    rows = [json.loads(line) for line in log.read_text().splitlines()]
    on = sum(row["did"] == "on" for row in rows)
    assert on == len(rows) - on


def test_ctrl_c_stops_everything_in_order(tmp_path: Path) -> None:
    plan, log = tmp_path / "a.plan.jsonl", tmp_path / "board.jsonl"
    played = tmp_path / "played.jsonl"
    write_plan(plan, plan_of(400, 0.1).plan)
    with simulated_board(FETTLE, log) as port:
        words = ["stream", str(plan), "--port", port, "--palette", "fettle", "--yes"]
        host = subprocess.Popen(
            [sys.executable, "-m", "callresp", *words, "--log", str(played)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        # The stream takes away a stop that nobody waits for: then it has begun.
        word, until = stop_file(port), time.monotonic() + 30
        word.touch()
        while word.exists() and time.monotonic() < until:
            time.sleep(0.02)
        time.sleep(3.0)
        host.send_signal(signal.SIGINT)
        _, told = host.communicate(timeout=20)
    assert host.returncode == 130
    assert b"Traceback" not in told
    rows = [json.loads(line) for line in log.read_text().splitlines()]
    on = sum(row["did"] == "on" for row in rows)
    assert on > 5
    assert on == len(rows) - on
    outcomes = [json.loads(line)["fate"] for line in played.read_text().splitlines()]
    assert outcomes.count("stopped by the host") > 300


def test_stopping_without_a_stream_speaks_to_the_board() -> None:
    with simulated_board(FETTLE) as port:
        with BoardConnection(port) as line:
            line.hello()
            line.heartbeat()
            line.say(StrikeAt(0, 0, 0, 100))
        assert "released everything" in request_stop(port)


def test_identify_compares_with_the_palette() -> None:
    done = callresp("identify", "--port", "simulated", "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["coils"] == 13
    assert told["enough_channels"] is True
    assert told["faults"] == []
    assert (told["lights"], told["mode"]) == (1, 0)


def test_try_plays_softly_and_says_so() -> None:
    words = ("--port", "simulated", "--yes", "--only", "tube 3", "--only", "bead shaker")
    done = callresp("try", *words, "--json")
    assert done.returncode == 0, done.stderr
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert [one["instrument"] for one in told] == ["tube 3", "bead shaker"]
    assert all(one["well"] for one in told)
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
    assert "nothing sent" in done.stdout


def test_ports_is_quiet_where_there_are_none() -> None:
    assert callresp("ports", "--json").returncode == 0

"""No command writes over what it reads, and a bad target is told before any work."""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import signal
import socket
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from callresp.cli import main
from callresp.io.audio import write_wav
from callresp.io.resources import corpus

RATE = 48000


def callresp(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """A command as the program runs it, in this process: each of its own would import all anew."""
    out, err, status = io.StringIO(), io.StringIO(), 0
    before = Path.cwd()
    os.chdir(folder)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main(words)
    except SystemExit as end:
        status = int(end.code or 0)
    finally:
        os.chdir(before)
    return subprocess.CompletedProcess(words, status, out.getvalue(), err.getvalue())


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a recording, its heard score, reply, plan, and settings of one's own."""
    folder = tmp_path_factory.mktemp("job")
    time_s = np.arange(4 * RATE) / RATE
    gate = (time_s % 0.4 < 0.12) & (time_s < 2)
    noise = 1e-4 * np.random.default_rng(0).standard_normal(len(time_s))
    write_wav(folder / "dawn.wav", 0.2 * np.sin(2 * np.pi * 2500 * time_s) * gate + noise, RATE)
    shutil.copy(corpus() / "palettes" / "fettle.toml", folder / "mine.toml")
    shutil.copy(corpus() / "rules" / "answer.toml", folder / "rules.toml")
    for words in (
        ("transcribe", "dawn.wav"),
        ("reply", "dawn.heard.jsonl", "--palette", "mine.toml", "--rules", "rules.toml"),
        ("check", "dawn.reply.jsonl"),
    ):
        done = callresp(folder, *words)
        assert done.returncode in (0, 1), done.stderr
    return folder


OVER = [
    ("transcribe", "dawn.wav", "-o", "dawn.wav"),
    ("transcribe", "dawn.wav", "--json", "-o", "./dawn.wav"),
    ("transcribe", "dawn.wav", "-o", "link.wav"),
    ("reply", "dawn.heard.jsonl", "-o", "dawn.heard.jsonl"),
    ("reply", "dawn.heard.jsonl", "--palette", "mine.toml", "-o", "mine.toml"),
    ("reply", "dawn.heard.jsonl", "--rules", "rules.toml", "-o", "rules.toml"),
    ("check", "dawn.reply.jsonl", "-o", "dawn.reply.jsonl"),
    ("check", "dawn.reply.jsonl", "--palette", "mine.toml", "-o", "mine.toml"),
    ("rehearse", "dawn.plan.jsonl", "-o", "dawn.wav"),
    ("rehearse", "dawn.plan.jsonl", "-o", "dawn.plan.jsonl"),
    ("rehearse", "dawn.plan.jsonl", "--picture-file", "dawn.wav"),
    ("export", "dawn.plan.jsonl", "-o", "dawn.plan.jsonl"),
    ("export", "dawn.plan.jsonl", "-o", "dawn.heard.jsonl"),
    ("stream", "dawn.plan.jsonl", "--port", "simulated", "--log", "dawn.plan.jsonl"),
    ("stream", "dawn.plan.jsonl", "--port", "simulated", "--board-log", "dawn.plan.jsonl"),
    ("audition", "dawn.heard.jsonl", "-o", "dawn.heard.jsonl"),
    ("compare", "dawn.wav", "-o", "dawn.wav"),
    ("calibrate", "dawn.wav", "--level", "94", "-o", "dawn.wav"),
    ("sheet", "mine.toml", "-o", "mine.toml"),
    ("measure", "dawn.wav", "-o", "dawn.wav"),
    ("strike-test", "--palette", "mine.toml", "-o", "mine.plan.jsonl"),
]


@pytest.mark.parametrize("words", OVER, ids=" ".join)
def test_nothing_is_written_over_what_is_read(made: Path, words: tuple[str, ...]) -> None:
    if not (made / "link.wav").exists():
        os.link(made / "dawn.wav", made / "link.wav")
    before = {path.name: path.read_bytes() for path in made.iterdir()}
    done = callresp(made, *words)
    assert done.returncode == 2
    assert "would write over a file that this command needs" in done.stderr
    assert done.stderr.count("\n") == 1
    assert {path.name: path.read_bytes() for path in made.iterdir()} == before


@pytest.mark.parametrize(
    ("target", "told"), [("no/such/x.jsonl", "there is no folder no/such"), (".", "is a folder")]
)
def test_a_bad_target_is_told_and_makes_no_folder(made: Path, target: str, told: str) -> None:
    done = callresp(made, "transcribe", "dawn.wav", "-o", target)
    assert done.returncode == 2
    assert told in done.stderr
    assert not (made / "no").exists()


@pytest.mark.parametrize(
    "words", [("palette", "fettle"), ("rules", "answer"), ("rules", "answer", "--for", "pocket")]
)
def test_a_copy_makes_no_folder(made: Path, words: tuple[str, ...]) -> None:
    done = callresp(made, *words, "--copy", "no/such/x.toml")
    assert done.returncode == 2
    assert "there is no folder no/such" in done.stderr
    assert not (made / "no").exists()


@pytest.mark.parametrize("speed", ["nan", "inf", "0", "-3", "1e9"])
def test_a_speed_that_is_none_is_refused(made: Path, speed: str) -> None:
    done = callresp(made, "stream", "dawn.plan.jsonl", "--port", "simulated", "--speed", speed)
    assert done.returncode == 2
    assert "--speed" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "words", [("--distance", "1e300"), ("--distance", "nan"), ("--from", "1"), ("--to", "2")]
)
def test_what_rehearse_can_not_use_is_refused(made: Path, words: tuple[str, ...]) -> None:
    done = callresp(made, "rehearse", "dawn.plan.jsonl", *words)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_a_reader_that_goes_away_is_no_fault(made: Path) -> None:
    """As in `callresp transcribe … --json | head -1` under `set -o pipefail`."""
    command = [sys.executable, "-m", "callresp", "transcribe", "dawn.wav", "--json"]
    with subprocess.Popen(
        command, cwd=made, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as running:
        assert running.stdout is not None
        running.stdout.close()
        assert running.stderr is not None
        said = running.stderr.read()
        assert running.wait(timeout=120) == 0
    assert said == b""


@pytest.mark.usefixtures("own_signals")
def test_a_broken_stream_still_leaves_its_log(made: Path) -> None:
    words = ["stream", "dawn.plan.jsonl", "--port", "simulated", "--log", "played.jsonl"]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as told:
        told.bind(("127.0.0.1", 0))
        told.settimeout(60)
        running = subprocess.Popen(
            [sys.executable, "-m", "callresp", *words, "--osc-to", str(told.getsockname()[1])],
            cwd=made,
            stderr=subprocess.PIPE,
        )
        told.recv(65536)
    running.send_signal(signal.SIGINT)
    _, said = running.communicate(timeout=60)
    assert running.returncode == 130, said
    assert (made / "played.jsonl").is_file()
    assert b"Traceback" not in said

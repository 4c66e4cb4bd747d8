"""The command line: one line and status 2 for a mistake, help with examples."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from callresp import __version__
from callresp.cli import COMMANDS
from callresp.io.audio import write_wav


def callresp(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "callresp", *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_version_comes_from_one_place() -> None:
    assert callresp("--version").stdout.strip().endswith(__version__)


def test_an_unknown_verb_is_answered_with_the_nearest() -> None:
    done = callresp("transcibe", "x.wav")
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr == "callresp: no command 'transcibe'; did you mean 'transcribe'?\n"


@pytest.mark.parametrize("verb", list(COMMANDS))
def test_every_command_has_help_with_an_example(verb: str) -> None:
    done = callresp(verb, "--help")
    assert done.returncode == 0
    assert f"callresp {verb}" in done.stdout.split("Options:")[0].split("Usage:")[1]
    assert "Example" in done.stdout


def test_a_missing_recording_is_one_line() -> None:
    done = callresp("transcribe", "no-such.wav")
    assert done.returncode == 2
    assert done.stderr.startswith("callresp: no-such.wav: can't be read")
    assert done.stderr.count("\n") == 1


def test_an_error_of_the_library_names_the_option_that_it_came_from(tmp_path: Path) -> None:
    write_wav(tmp_path / "dawn.wav", np.zeros(4800), 48000)
    done = callresp("transcribe", str(tmp_path / "dawn.wav"), "--detector", "natve")
    assert done.returncode == 2
    assert done.stderr == "callresp: --detector: no detector 'natve'; did you mean 'native'?\n"

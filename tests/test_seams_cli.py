"""The command line: one line and status 2 for a mistake, help with examples."""

from __future__ import annotations

import logging
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import click
import numpy as np
import pytest
from click.testing import CliRunner
from listen_helpers import RATE_HZ, calls

from callresp import __version__
from callresp.cli import COMMANDS, cli, main
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


def test_an_interrupt_behind_another_fault_is_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # Python 3.11 does so where it comes while a class is made, as in half of all imports.
    def making_a_class(*words: object, **given: object) -> None:
        raise RuntimeError("Error calling __set_name__") from KeyboardInterrupt()

    monkeypatch.setattr(cli, "main", making_a_class)
    with pytest.raises(SystemExit) as end:
        main(["rules"])
    assert (end.value.code, capsys.readouterr().err) == (130, "callresp: stopped\n")


def test_where_nothing_was_heard_it_says_what_to_try(tmp_path: Path) -> None:
    noise = 1e-3 * np.random.default_rng(0).standard_normal(2 * RATE_HZ)
    write_wav(tmp_path / "rain.wav", noise, RATE_HZ)
    said = callresp("transcribe", str(tmp_path / "rain.wav")).stdout
    assert "0 notes" in said
    assert said.endswith("try another --profile, or see why with callresp explain\n")


def test_products_of_matrices_have_one_thread() -> None:
    # Others busy-wait on a core that something else needs; they start as numpy is loaded.
    script = """if True:
        import os, sys
        class Watch:
            def find_spec(self, name, path=None, target=None):
                if name == "numpy":
                    print(os.environ.get("OPENBLAS_NUM_THREADS"))
        sys.meta_path.insert(0, Watch())
        from callresp.cli import main
        main(["transcribe", "missing.wav"])"""
    own = {name: text for name, text in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    found = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, env=own)
    assert found.stdout.split() == ["1"], found.stderr


@pytest.mark.parametrize("verb", list(COMMANDS))
def test_every_command_has_help_with_an_example(verb: str) -> None:
    done = CliRunner().invoke(cli, [verb, "--help"], prog_name="callresp")
    assert done.exit_code == 0
    assert f"callresp {verb}" in done.output.split("Options:")[0].split("Usage:")[1]
    assert "Example" in done.output


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


def examples(verb: str, text: str) -> list[list[str]]:
    """The words of every call of `verb` that its help shows."""
    found = []
    for line in text.splitlines():
        for part in re.split(r" \| |   +", line.strip()):
            if part.startswith(f"callresp {verb}"):
                found.append(shlex.split(part)[2:])
    return found


def context() -> click.Context:
    return click.Context(cli)


@pytest.mark.parametrize("verb", list(COMMANDS))
def test_what_help_shows_can_be_typed(verb: str) -> None:
    command = cli.get_command(context(), verb)
    assert command is not None
    shown = examples(verb, command.help or "")
    assert shown
    for words in shown:
        command.make_context(verb, list(words), parent=context())


QUICKER = {"compare": ["--detector", "native"], "stream": ["--speed", "10"]}


def test_the_five_steps_of_the_readme_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    section = text.split("## Five steps")[1].split("\n## ")[0]
    typed = [" ".join(code.split()) for code in re.findall(r"`(callresp [^`]*)`", section)]
    write_wav(tmp_path / "dawn.wav", calls((0.5, 1.0, 1.5, 12.5, 13.0), 16.0), RATE_HZ)
    monkeypatch.chdir(tmp_path)
    for line in typed:
        if line.split()[1] in ("strike-test", "measure"):
            continue
        words = shlex.split(line)[1:] + QUICKER.get(line.split()[1], [])
        done = CliRunner().invoke(cli, words)
        assert done.exit_code in (0, 1), (line, done.output, done.exception)
    made = {path.name for path in tmp_path.iterdir()}
    assert made >= {
        "dawn.heard.jsonl", "dawn.compare.png", "dawn.explain.png", "dawn.reply.jsonl",
        "dawn.plan.jsonl", "dawn.rehearsal.wav", "dawn.png", "dawn.mid",
    }  # fmt: skip


@pytest.mark.parametrize("watched", [True, False])
def test_who_looks_on_is_told_what_takes_long(
    watched: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("callresp.cli.is_terminal", lambda stream: watched)
    ours = logging.getLogger("callresp")
    ours.setLevel(logging.NOTSET)
    assert CliRunner().invoke(cli, ["rules"]).exit_code == 0
    told = ours.isEnabledFor(logging.INFO)
    ours.setLevel(logging.NOTSET)
    assert told == watched
    assert not logging.getLogger("another").isEnabledFor(logging.INFO)


def test_importing_the_package_loads_no_more_than_errors() -> None:
    """Ctrl-C before the command's entry is a traceback, so nothing slow may come before it."""
    root = Path(sys.modules["callresp"].__file__ or "").parents[1]
    script = f"import sys; sys.path.insert(0, {str(root)!r}); old = set(sys.modules)"
    script += "; import callresp; print(*sorted(set(sys.modules) - old))"
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["__future__", "callresp", "callresp.errors"]

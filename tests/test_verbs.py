"""What is typed: each verb fits the function that it calls, and its help loads little."""

from __future__ import annotations

import importlib
import inspect
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import fields, is_dataclass

import click
import pytest

from callresp.cli import COMMANDS, cli

HELP = """
import contextlib, io, sys
from callresp.cli import COMMANDS, main
for verb in COMMANDS:
    for word in ("--help", "--no-such-option"):
        with (
            contextlib.redirect_stdout(io.StringIO()),
            contextlib.redirect_stderr(io.StringIO()),
            contextlib.suppress(SystemExit),
        ):
            main([verb, word])
print(*sys.modules)
"""


def test_help_and_a_mistake_load_nothing_that_takes_long() -> None:
    done = subprocess.run([sys.executable, "-c", HELP], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "callresp.verbs.live" in loaded
    assert not loaded & {"numpy", "scipy", "numba", "soundfile", "sqlite3", "rich", "tomlkit"}
    assert not {name for name in loaded if name.startswith("callresp.commands.")} - {
        "callresp.commands.ui"
    }


WRONG_NAMES = """
import sys
from callresp.cli import main
for words in (
    "transcribe none.wav", "explain none.wav", "audition none.wav", "live --palette none.toml"
):
    try:
        main(words.split())
    except SystemExit as ended:
        assert ended.code == 2
print(*sys.modules)
"""


def test_a_wrong_name_is_told_before_the_listener_is_loaded() -> None:
    words = [sys.executable, "-c", WRONG_NAMES]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stderr.count("\n") == 4
    assert not set(done.stdout.split()) & {"numba", "scipy"}


def test_every_verb_has_json_for_scripts() -> None:
    without = {
        verb
        for verb in COMMANDS
        if (command := cli.get_command(click.Context(cli), verb)) is not None
        and "as_json" not in {one.name for one in command.params}
    }
    assert without == set()


def taken(function: object, module: object) -> set[str]:
    """What a function takes, or where that is anything, the fields that it is read into."""
    assert callable(function)
    parameters = inspect.signature(function).parameters.values()
    if all(one.kind is not inspect.Parameter.VAR_KEYWORD for one in parameters):
        return {one.name for one in parameters}
    (options,) = (
        value
        for name, value in vars(module).items()
        if is_dataclass(value) and name.endswith("Options")
    )
    return {field.name for field in fields(options)}


@pytest.mark.parametrize("verb", list(COMMANDS))
def test_a_verb_gives_what_the_function_that_it_calls_takes(
    verb: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[tuple[str, set[str]]] = []

    def noted(function: str, given: Mapping[str, object]) -> None:
        calls.append((function, set(given)))

    monkeypatch.setattr("callresp.verbs.options.call", noted)
    command = cli.get_command(click.Context(cli), verb)
    assert command is not None
    assert command.callback is not None
    command.callback(**{one.name: () for one in command.params if one.name})
    ((function, given),) = calls
    name, _, inner = function.partition(".")
    module = importlib.import_module(f"callresp.commands.{name}")
    assert given == taken(getattr(module, inner), module)

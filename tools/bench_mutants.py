#!/usr/bin/env python3
"""Change the code a little, thousands of ways, and count how many changes the tests notice.

\b
    python tools/bench_mutants.py
    python tools/bench_mutants.py --room plan --sample 400 --show
    python tools/bench_mutants.py --room reply --only 'callresp.reply.memory.*'

mutmut makes the changes (a sign turned, a bound moved, a number off by one, an argument left
out) and runs for each the tests that reach the changed function, the fastest first, until one
fails or they have taken `--seconds` together: what is not noticed by then counts as not noticed,
though a slower test might. Of each room a random `--sample` is tried, the same one
for the same seed; the share caught is printed with its 95 % interval (Wilson's), and every
change that no test noticed, with --show as a diff. A change that makes the tests run for ever
counts as caught, if it does so again with five times the time (a busy machine is slow as well);
one that no test reaches, as not. What only words an error or the help of a
command otherwise is not drawn. `equal_changes.toml` lists changes that nobody can notice, each
with the reason: they count as neither, and an entry that fits no line of the code is refused.

Works in a copy of the checkout. With --keep FOLDER the copy and what was caught stay there: the
next run tries only the others, with the tests that there are by then. Status 0: every room
reached its bar. 1: not.
"""

from __future__ import annotations

import ast
import json
import random
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from dataclasses import dataclass
from fnmatch import fnmatch
from itertools import accumulate
from pathlib import Path

import click
from bench_table import Table
from mutmut.stats import status_by_exit_code
from scipy.stats import binomtest

ROOT = Path(__file__).resolve().parent.parent
CAUGHT = frozenset({"killed", "timeout", "segfault", "suspicious", "caught by type check"})
# Asked for on purpose: mutmut makes its changes and times the tests before it looks for names.
NO_SUCH_CHANGE = "callresp.none"
# How often the time that its tests took unchanged a change may take.
PATIENCE = 4.0
TIMES = Path("mutants", "mutmut-stats.json")
EQUAL = Path(__file__).with_name("equal_changes.toml")


@dataclass(frozen=True, slots=True)
class Room:
    """Which files are changed, which tests are to notice, and what share of changes they must.

    `named` leaves out tests whose names don't fit pytest's ``-k``.
    """

    files: str
    tests: tuple[str, ...]
    bar: float
    named: str = ""


PLAN_TESTS = (
    "test_plan_*.py",
    "test_rehearse_auditions.py",
    "test_wiring_page.py",
    "test_play.py",
)
# What the core in C is held to holds for the simulated board as well.
LINK_TESTS = (
    "test_link_*.py",
    "test_control_view.py",
    "test_play.py",
    "test_seams_targets.py",
    "test_firmware_core.py",
    "test_firmware_kept.py",
)
ROOMS = {
    "plan": Room("callresp/plan/*", PLAN_TESTS, 0.9),
    "link": Room("callresp/link/*", LINK_TESTS, 0.9, "simulated or not firmware"),
    "reply": Room("callresp/reply/*", ("test_reply_*.py", "test_live_engine.py"), 0.8),
    "strike_test": Room("callresp/strike_test/*", ("test_measure_*.py",), 0.8),
    "echoes": Room("callresp/echoes/*", ("test_ask_place.py", "test_rehearse_echoes.py"), 0.8),
}


@click.command(help=__doc__, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--room", "rooms", multiple=True, type=click.Choice(list(ROOMS)))
@click.option("--only", default="*", help="Changes whose name fits this pattern.")
@click.option("--sample", default=200, show_default=True, help="Changes tried in each room.")
@click.option("--seed", default=0, show_default=True)
@click.option("--seconds", default=30.0, show_default=True, help="Of tests for each change.")
@click.option("--examples", default=10, show_default=True, help="Of a property test, at most.")
@click.option("--workers", default=2, show_default=True)
@click.option("--keep", type=click.Path(path_type=Path), help="Work here, and leave it.")
@click.option("--show", is_flag=True, help="Print each survivor as a diff.")
def bench(
    rooms: tuple[str, ...],
    only: str,
    sample: int,
    seed: int,
    seconds: float,
    examples: int,
    workers: int,
    keep: Path | None,
    show: bool,
) -> None:
    table = Table(
        "Changes that the tests notice",
        (
            "room",
            "changes",
            "tried",
            "equal",
            "caught",
            "share",
            "least",
            "most",
            "asked",
        ),
        places=2,
    )
    survivors, short, equal = [], False, equal_changes()
    with tempfile.TemporaryDirectory() as scratch:
        for name in rooms or tuple(ROOMS):
            room, folder = ROOMS[name], (keep or Path(scratch)) / name
            prepare(folder, room, examples)
            whole = folder / "all-times.json"  # an earlier run left fewer to mutmut
            if whole.exists():
                shutil.copy(whole, folder / TIMES)
            mutmut(folder, "run", "--max-children", workers, NO_SUCH_CHANGE)
            timed = keep_fastest(folder, seconds)
            whole.write_text(timed, encoding="utf-8")
            wordings = only_wordings(folder)
            made = sorted(
                key for key in results(folder) if fnmatch(key, only) and key not in wordings
            )
            if not made:
                raise click.ClickException(f"{name}: no change was made; see what mutmut said")
            drawn = random.Random(seed).sample(made, min(sample, len(made)))
            left = [key for key in drawn if results(folder)[key] not in CAUGHT]
            if left:
                mutmut(folder, "run", "--max-children", workers, *left)
            if slow := [key for key in drawn if results(folder)[key] == "timeout"]:
                wait(folder, 5 * PATIENCE)
                mutmut(folder, "run", "--max-children", workers, *slow)
            found = {key: results(folder)[key] for key in drawn}
            caught = sum(status in CAUGHT for status in found.values())
            missed = [key for key, status in found.items() if status not in CAUGHT]
            diffs = {key: mutmut(folder, "show", key) for key in missed}
            missed = [key for key in missed if change_of(key, diffs[key]) not in equal]
            judged = caught + len(missed)
            sure = binomtest(caught, judged).proportion_ci(method="wilson")
            share = caught / judged
            count = len(made), len(drawn), len(drawn) - judged, caught
            table.add(name, *count, share, sure.low, sure.high, room.bar)
            short |= share < room.bar
            for key in sorted(missed):
                survivors.append(f"{key}: {found[key]}")
                if show:
                    survivors.append(diffs[key])
    click.echo(table.text())
    click.echo("\nnot noticed:")
    click.echo("\n".join(survivors) or "none")
    sys.exit(short)


def prepare(folder: Path, room: Room, examples: int) -> None:
    """A copy of the checkout with mutmut's settings; one that is there is brought up to date."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("callresp", "corpus", "tests", "tools"):
        shutil.copytree(
            ROOT / name,
            folder / name,
            dirs_exist_ok=True,
            ignore=shutil.ignore_patterns("__pycache__", ".*"),
        )
    for name in ("README.md", "DEVELOPERS.md", "LICENSE"):
        shutil.copy2(ROOT / name, folder / name)
    for path in (folder / "tests").glob("*.py"):
        few = re.sub(
            r"max_examples=(\d+)",
            lambda found: f"max_examples={min(int(found[1]), examples)}",
            path.read_text(encoding="utf-8"),
        )
        path.write_text(few, encoding="utf-8")
    tests = [
        f"tests/{path.name}"
        for pattern in room.tests
        for path in sorted((ROOT / "tests").glob(pattern))
    ]
    arguments = ["-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:cov"]
    settings = {
        "source_paths": ["callresp"],
        "only_mutate": [room.files],
        "also_copy": ["corpus", "tools", "README.md", "DEVELOPERS.md", "LICENSE"],
        "pytest_add_cli_args": [*arguments, *(["-k", room.named] if room.named else [])],
        "pytest_add_cli_args_test_selection": tests,
        "track_dependencies": False,
        "use_git_change_detection": False,
        "timeout_multiplier": PATIENCE,
        "timeout_constant": 5.0,
    }
    lines = [f"{key} = {json.dumps(value)}" for key, value in settings.items()]
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    (folder / "pyproject.toml").write_text(
        "\n".join([text, "[tool.mutmut]", *lines, ""]), encoding="utf-8"
    )


def wait(folder: Path, patience: float) -> None:
    """Give changes that are tried from now on so often the time of their tests."""
    path = folder / "pyproject.toml"
    text = path.read_text(encoding="utf-8")
    longer = re.sub("(?m)^timeout_multiplier = .*", f"timeout_multiplier = {patience}", text)
    path.write_text(longer, encoding="utf-8")


def keep_fastest(folder: Path, seconds: float) -> str:
    """Of the tests that reach a function leave the fastest, and so many as take `seconds`.

    Returns
    -------
    str
        What mutmut had kept of all of them.
    """
    path = folder / TIMES
    if not path.exists():
        raise click.ClickException(f"the tests were not timed; see {folder / 'mutmut.log'}")
    timed = path.read_text(encoding="utf-8")
    stats = json.loads(timed)
    took_s = stats["duration_by_test"]
    for name, tests in stats["tests_by_mangled_function_name"].items():
        tests.sort(key=took_s.__getitem__)
        sums_s = accumulate(took_s[test] for test in tests)
        few = sum(sum_s <= seconds for sum_s in sums_s)
        stats["tests_by_mangled_function_name"][name] = tests[: max(few, 1)]
    path.write_text(json.dumps(stats), encoding="utf-8")
    return timed


def only_wordings(folder: Path) -> set[str]:
    """The changes that only word otherwise what a person reads of a mistake or in a help."""
    found = set()
    for path in sorted((folder / "mutants").rglob("*.meta")):
        file = path.with_suffix("")
        module = ".".join(file.relative_to(folder / "mutants").with_suffix("").parts)
        defined = {
            node.name: node
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
            if isinstance(node, ast.FunctionDef)
        }
        for name, changed in defined.items():
            stem, mark, number = name.rpartition("__mutmut_")
            if mark and number.isdigit():
                before = prose(defined[f"{stem}__mutmut_orig"])
                after = prose(changed)
                if before != after and len(before) == len(after):
                    found.add(f"{module}.{name}")
    return found


def prose(function: ast.FunctionDef) -> list[str]:
    """The constant texts of more than one word in errors raised, and in helps of options."""
    texts = []
    for node in ast.walk(function):
        told: list[ast.AST] = []
        if isinstance(node, ast.Raise):
            told = [node]
        elif isinstance(node, ast.Call):
            name = getattr(node.func, "id", "")
            told = [node] if name.endswith("Error") else []
            told += [word.value for word in node.keywords if word.arg in {"help", "description"}]
        texts += [
            part.value
            for part in told
            for part in ast.walk(part)
            if isinstance(part, ast.Constant)
            and isinstance(part.value, str)
            and " " in part.value.strip()
        ]
    return texts


def change_of(key: str, diff: str) -> tuple[str, str, str]:
    """A change as `EQUAL` names it: its function, and the lines before and after."""
    module, _, name = key.rpartition("__mutmut_")[0].rpartition(".")
    # mutmut's names: `x_name` of a function, `xǁClassǁname` of a method.
    name = ".".join(name.split("ǁ")[1:]) or name.removeprefix("x_")
    lines = [line for line in diff.splitlines() if not line.startswith(("---", "+++"))]
    was, now = (
        " ".join(line[1:].strip() for line in lines if line.startswith(mark)) for mark in "-+"
    )
    return f"{module}.{name}", was, now


def equal_changes(path: Path = EQUAL) -> set[tuple[str, str, str]]:
    """The changes that nobody can notice; an entry whose line the code no longer has is refused."""
    found = set()
    for entry in tomllib.loads(path.read_text(encoding="utf-8"))["change"]:
        function, was, now = entry["function"], entry["was"], entry["now"]
        parts, tree = function.split("."), ROOT
        while not tree.with_suffix(".py").is_file() and parts:
            tree /= parts.pop(0)
        source = tree.with_suffix(".py").read_text(encoding="utf-8") if parts else ""
        node: ast.AST | None = ast.parse(source)
        for part in parts:
            inside = ast.iter_child_nodes(node) if node else ()
            node = next((one for one in inside if getattr(one, "name", "") == part), None)
        lines = (ast.get_source_segment(source, node) if node else None) or ""
        if was not in " ".join(line.strip() for line in lines.splitlines()) or not entry["why"]:
            raise click.ClickException(f"{path.name}: {function} has no such line: {was}")
        found.add((function, was, now))
    return found


def mutmut(folder: Path, *words: object) -> str:
    """Run mutmut in a copy; return what it printed."""
    command = [str(Path(sys.executable).with_name("mutmut")), *map(str, words)]
    with (folder / "mutmut.log").open("a+", encoding="utf-8") as log:
        start = log.seek(0, 2)
        subprocess.run(command, cwd=folder, stdout=log, stderr=subprocess.STDOUT, check=False)
        log.seek(start)
        return log.read()


def results(folder: Path) -> dict[str, str]:
    """What became of every change that was made, by its name."""
    found: dict[str, str] = {}
    for path in sorted((folder / "mutants").rglob("*.meta")):
        codes = json.loads(path.read_text(encoding="utf-8"))["exit_code_by_key"]
        found |= {key: status_by_exit_code[code] for key, code in codes.items()}
    return found


if __name__ == "__main__":
    bench()

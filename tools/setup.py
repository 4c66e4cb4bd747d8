#!/usr/bin/env python3
"""Set up callresp in a virtual environment of its own, then run one thing in it.

    python3 tools/setup.py demo     set up, then run the main job on the demo scene
    python3 tools/setup.py test     set up for developing, then run the tests
    python3 tools/setup.py          set up only

Needs nothing but the standard library of Python 3.11, 3.12, 3.13 or 3.14 and
the pip that came with it. Packages are installed at the exact versions and
hashes of tools/lock-run.txt (demo) or tools/lock-dev.txt (test). Each lock
serves every Python and system, and is whole: pip resolves nothing, so that
what is released later changes nothing. What is there already is not installed
again.
"""

import argparse
import hashlib
import os
import platform
import shlex
import shutil
import subprocess
import sys
import sysconfig
import venv
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
TOOLS = ROOT / "tools"

OLDEST, NEWEST = (3, 11), (3, 14)
# As `platform` calls them. Elsewhere numba, which compiles the inner loops, has no wheels.
SYSTEMS = (
    ("Linux", "x86_64"),
    ("Linux", "aarch64"),
    ("Darwin", "arm64"),
    ("Windows", "AMD64"),
)


# Older Pythons read this file too, and are to be refused in plain words, not by a syntax error:
# quoted types down to the refusal, and nowhere an assignment within an expression.
def refusal(version: "tuple[int, ...]", kind: str, system: str, machine: str) -> "str | None":
    """Why callresp can't be set up here, in one line; None where it can."""
    if not OLDEST <= version[:2] <= NEWEST:
        return f"Python 3.11, 3.12, 3.13 or 3.14 is needed, this is {version[0]}.{version[1]}"
    if kind != "cpython":
        return f"the standard build of CPython is needed, this is {kind}"
    if (system, machine) not in SYSTEMS:
        return (
            f"no compiled packages for {system} on {machine}; there are for Linux on x86_64 and"
            " aarch64, macOS on arm64, and Windows on AMD64"
        )
    return None


def refusal_here() -> "str | None":
    """Why callresp can't be set up by this Python on this system; None where it can."""
    kind = sys.implementation.name
    if sysconfig.get_config_var("Py_GIL_DISABLED"):
        kind += ", free-threaded"
    return refusal(sys.version_info[:3], kind, platform.system(), platform.machine())


if sys.version_info < OLDEST:
    # Before anything below is read that such a Python can't.
    sys.stderr.write(f"setup: {refusal_here()}\n")
    sys.exit(2)


def main() -> int:
    """Parse the words, set up, and hand over."""
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").split("\n")[0],
        epilog="More words after 'demo' or 'test' go to callresp demo or to pytest.",
    )
    parser.add_argument("what", nargs="?", choices=["demo", "test", "none"], default="none")
    parser.add_argument("--venv", type=Path, default=ROOT / ".venv", help="default: .venv")
    args, rest = parser.parse_known_args()
    reason = refusal_here()
    if reason is not None:
        print(f"setup: {reason}", file=sys.stderr)
        return 2
    python = prepare(args.venv, "dev" if args.what == "test" else "run")
    if args.what == "demo":
        status = run([python, "-m", "callresp", "demo", *rest])
        say(f"a shell finds callresp after: {activation(args.venv)}")
        return status
    if args.what == "test":
        return run_tests(python, rest)
    print(f"ready: {python.parent / 'callresp'} --help")
    return 0


def prepare(folder: Path, which: str) -> Path:
    """Make or refresh the environment at `folder`; return its Python."""
    python = python_of(folder)
    lock = lock_file(which)
    stamp = folder / f"callresp-{which}.sha256"
    wanted = fingerprint(lock, folder)
    if python.exists() and stamp.exists() and stamp.read_text() == wanted:
        return python
    if not python.exists() or made_by(folder) != sys.version_info[:2]:
        make_venv(folder)
    say("installing the packages of tools/lock-run.txt (some minutes the first time)")
    check(install_words(python, lock_file("run")))
    # The build back end comes from the lock too: nothing is fetched unpinned.
    check([*pip(python), "--no-deps", "--no-build-isolation", "--editable", ROOT])
    say("compiling the inner loops once")
    with subprocess.Popen([python, "-m", "callresp.listen.precompile"], cwd=ROOT) as compiling:
        if which == "dev":
            say("meanwhile installing the rest of tools/lock-dev.txt")
            check(install_words(python, lock))
    if compiling.returncode:
        raise SystemExit(f"setup: compiling the inner loops ended with {compiling.returncode}")
    stamp.write_text(wanted)
    return python


def python_of(folder: Path) -> Path:
    """The Python of an environment."""
    return folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def activation(folder: Path) -> str:
    """What to type so that the environment's commands are found."""
    if os.name == "nt":
        return str(folder / "Scripts" / "activate")
    return shlex.join(["source", str(folder / "bin" / "activate")])


def lock_file(which: str) -> Path:
    """The lock of what it takes to "run" callresp, or to "dev"elop it, on any Python."""
    return TOOLS / f"lock-{which}.txt"


def pip(python: Path) -> list[str | Path]:
    """The first words of installing anything."""
    return [python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]


def install_words(python: Path, lock: Path) -> list[str | Path]:
    """The command that installs a lock.

    A lock names all that is needed, so nothing is resolved. An older pip would
    otherwise look up anew what an extra such as ``coverage[toml]`` may mean
    today, and stop at a release that is newer than the lock.

    Nor is all compiled that is installed: Python does so with what is imported.
    """
    how = ["--no-deps", "--no-compile", "--require-hashes", "--only-binary", ":all:"]
    return [*pip(python), *how, "--requirement", lock]


def made_by(folder: Path) -> tuple[int, ...] | None:
    """The Python version that an environment was made by; None if it is none."""
    try:
        lines = (folder / "pyvenv.cfg").read_text(encoding="utf-8").splitlines()
    except OSError:
        return None
    found = dict(line.replace(" ", "").partition("=")[::2] for line in lines)
    version = found.get("version") or found.get("version_info") or "0.0"
    return tuple(int(part) for part in version.split(".")[:2])


def make_venv(folder: Path) -> None:
    """Make the environment, and leave none behind that is half made.

    One of our own that another Python made is replaced. Whatever else is in the
    folder stays.
    """
    ours = not folder.exists() or any(folder.glob("callresp-*.sha256"))
    maker = made_by(folder)
    if maker not in (None, sys.version_info[:2]) and not ours:
        version = ".".join(map(str, maker or ()))
        raise SystemExit(
            f"setup: {folder} was made by Python {version}: delete it, or run setup.py by that"
        )
    say(f"making a virtual environment in {folder}")
    try:
        # As "python -m venv" does it: a copied Python does not start everywhere.
        links = os.name != "nt"
        venv.EnvBuilder(with_pip=True, clear=ours, symlinks=links).create(folder)
    except (OSError, subprocess.CalledProcessError) as fault:
        if ours:
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
    # One more than there are cores, since some tests wait for a port or a browser; each begins
    # with a run of files of its own, so that what a file's tests share is mostly made once.
    workers = str(min(os.cpu_count() or 1, 8) + 1)
    say("pytest")
    spread = ["-n", workers, "--dist", "worksteal"]
    return run([python, "-m", "pytest", *spread, *rest]) or status


def say(text: str) -> None:
    """Tell what is being done."""
    print(f"setup: {text}", file=sys.stderr, flush=True)


def run(words: Sequence[str | Path]) -> int:
    """Run a command from the root of the checkout; return its status."""
    return subprocess.run([str(word) for word in words], cwd=ROOT, check=False).returncode


def check(words: Sequence[str | Path]) -> None:
    """Run a command that must succeed."""
    status = run(words)
    if status:
        raise SystemExit(f"setup: '{' '.join(str(w) for w in words[:4])} …' ended with {status}")


if __name__ == "__main__":
    sys.exit(main())

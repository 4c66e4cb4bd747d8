"""The set-up: who is refused, what is installed, and locks that hold on every Python and system."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import check_locks
import pytest
import setup
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from callresp.listen.detectors.madmom import has_wheel

ROOT = Path(__file__).parent.parent
PYTHONS = [(3, 11), (3, 12), (3, 13), (3, 14)]
# As sys.platform, platform.system and platform.machine tell them; from memory.
SYSTEMS = [
    ("linux", "Linux", "x86_64"),
    ("linux", "Linux", "aarch64"),
    ("darwin", "Darwin", "arm64"),
    ("win32", "Windows", "AMD64"),
]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def _environment(version: tuple[int, int], platform: str, machine: str) -> dict[str, str]:
    minor = ".".join(map(str, version))
    return {
        "python_version": minor,
        "python_full_version": f"{minor}.0",
        "sys_platform": platform,
        "platform_machine": machine,
        "platform_python_implementation": "CPython",
        "implementation_name": "cpython",
        "extra": "",
    }


def _entries(which: str) -> list[tuple[Requirement, list[str]]]:
    text = (ROOT / "tools" / f"lock-{which}.txt").read_text(encoding="utf-8")
    found = []
    for entry in text.replace("\\\n", " ").splitlines():
        asked, *hashes = re.split(r"\s+--hash=", entry.strip())
        found.append((Requirement(asked), hashes))
    return found


# ---- who is refused ----


@pytest.mark.parametrize("version", PYTHONS)
@pytest.mark.parametrize(("system", "machine"), [names[1:] for names in SYSTEMS])
def test_supported_pythons_are_let_in(version: tuple[int, int], system: str, machine: str) -> None:
    assert setup.refusal((*version, 1), "cpython", system, machine) is None


@pytest.mark.parametrize(
    ("version", "kind", "system", "machine", "said"),
    [
        ((3, 10, 13), "cpython", "Linux", "x86_64", "3.11, 3.12, 3.13 or 3.14 is needed"),
        ((3, 15, 0), "cpython", "Linux", "x86_64", "this is 3.15"),
        ((2, 7, 18), "cpython", "Linux", "x86_64", "this is 2.7"),
        ((3, 11, 9), "pypy", "Linux", "x86_64", "this is pypy"),
        ((3, 13, 0), "cpython, free-threaded", "Linux", "x86_64", "free-threaded"),
        ((3, 12, 1), "cpython", "Darwin", "x86_64", "no compiled packages for Darwin on x86_64"),
        ((3, 12, 1), "cpython", "Linux", "armv7l", "no compiled packages for Linux on armv7l"),
    ],
)
def test_others_are_refused_in_one_line(
    version: tuple[int, ...], kind: str, system: str, machine: str, said: str
) -> None:
    reason = setup.refusal(version, kind, system, machine)
    assert reason is not None
    assert said in reason
    assert "\n" not in reason


def test_pythons_are_those_that_the_project_names() -> None:
    named = {
        name.rpartition(" ")[2] for name in PROJECT["classifiers"] if re.search(r":: 3\.\d+$", name)
    }
    assert named == {f"{a}.{b}" for a, b in PYTHONS}
    assert PROJECT["requires-python"] == ">=" + ".".join(map(str, setup.OLDEST))
    span = [setup.OLDEST, setup.NEWEST]
    assert span == [PYTHONS[0], PYTHONS[-1]]
    assert sorted(check_locks.FIRST_PIP) == PYTHONS


def test_old_pythons_can_read_as_far_as_the_refusal() -> None:
    # Python 3.6 has neither ":=" nor "from __future__ import annotations".
    compile_by_36 = "import ast; ast.parse(open(0).read(), feature_version=(3, 6))"
    source = (ROOT / "tools" / "setup.py").read_text(encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", compile_by_36], input=source, text=True, capture_output=True
    )
    assert done.returncode == 0, done.stderr
    assert "__future__" not in source


# ---- the environment ----


def test_the_demo_says_how_its_next_commands_are_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its last lines are commands of callresp, which no shell finds after the set-up alone."""
    folder = tmp_path / "an environment"
    (folder / "bin").mkdir(parents=True)
    (folder / "bin" / "activate").write_text(f'PATH="{folder}/bin:$PATH"\n')
    (folder / "bin" / "callresp").write_text("#!/bin/sh\necho here\n")
    (folder / "bin" / "callresp").chmod(0o755)
    monkeypatch.setattr(setup, "prepare", lambda venv, which: venv / "bin" / "python")
    monkeypatch.setattr(setup, "run", lambda words: 0)
    monkeypatch.setattr(sys, "argv", ["setup.py", "demo", "--venv", str(folder)])
    assert setup.main() == 0
    typed = capsys.readouterr().err.splitlines()[-1].partition("after: ")[2]
    said = subprocess.run(["bash", "-c", f"{typed} && callresp"], capture_output=True, text=True)
    assert said.stdout == "here\n"


def test_the_fingerprint_knows_what_it_was_made_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    project, lock = tmp_path / "pyproject.toml", tmp_path / "lock.txt"
    monkeypatch.setattr(setup, "ROOT", tmp_path)
    project.write_text("[project]\n")
    lock.write_text("numpy==2.4.6\n")
    seen = [setup.fingerprint(lock, tmp_path / "a")]
    assert setup.fingerprint(lock, tmp_path / "a") == seen[0]
    seen.append(setup.fingerprint(lock, tmp_path / "b"))
    lock.write_text("numpy==2.4.7\n")
    seen.append(setup.fingerprint(lock, tmp_path / "a"))
    project.write_text("[project]\nname = 'callresp'\n")
    seen.append(setup.fingerprint(lock, tmp_path / "a"))
    monkeypatch.setattr(sys, "version_info", (3, 14, 9, "final", 0))
    seen.append(setup.fingerprint(lock, tmp_path / "a"))
    monkeypatch.setattr(setup, "ROOT", tmp_path / "moved")
    (tmp_path / "moved").mkdir()
    (tmp_path / "moved" / "pyproject.toml").write_text(project.read_text())
    seen.append(setup.fingerprint(lock, tmp_path / "a"))
    assert len(set(seen)) == len(seen)


def test_a_lock_is_installed_as_it_stands() -> None:
    words = setup.install_words(Path("python"), setup.lock_file("run"))
    # pip's own documentation of these options, under "pip install".
    assert {"--no-deps", "--require-hashes", "--no-compile"} <= set(words)
    assert words[words.index("--only-binary") + 1] == ":all:"
    assert words[-1] == ROOT / "tools" / "lock-run.txt"
    assert setup.lock_file("dev") == ROOT / "tools" / "lock-dev.txt"


@pytest.mark.parametrize(
    ("config", "version"),
    [
        ("home = /usr/bin\nversion = 3.12.1\n", (3, 12)),
        ("version_info = 3.13.0.final.0\nhome=/usr/bin\n", (3, 13)),
        ("home = /usr/bin\n", (0, 0)),
    ],
)
def test_an_environment_tells_which_python_made_it(
    tmp_path: Path, config: str, version: tuple[int, int]
) -> None:
    assert setup.made_by(tmp_path) is None
    (tmp_path / "pyvenv.cfg").write_text(config)
    assert setup.made_by(tmp_path) == version


class _Builder:
    """Stands in for `venv.EnvBuilder`: notes what it is asked, and fails if told to."""

    asked: tuple[bool, Path] | None = None
    fails = False

    def __init__(self, *, with_pip: bool, clear: bool, symlinks: bool) -> None:
        assert with_pip
        assert symlinks is (os.name != "nt")
        self.clear = clear

    def create(self, folder: Path) -> None:
        type(self).asked = (self.clear, folder)
        if self.fails:
            folder.mkdir(exist_ok=True)
            raise OSError("no ensurepip")


@pytest.fixture
def builder(monkeypatch: pytest.MonkeyPatch) -> type[_Builder]:
    class Builder(_Builder):
        pass

    monkeypatch.setattr("venv.EnvBuilder", Builder)
    return Builder


def _old_environment(folder: Path, stamped: bool) -> Path:
    folder.mkdir()
    (folder / "pyvenv.cfg").write_text("version = 3.9.1\n")
    if stamped:
        (folder / "callresp-run.sha256").write_text("0")
    return folder


def test_our_own_environment_of_another_python_is_made_anew(
    tmp_path: Path, builder: type[_Builder]
) -> None:
    folder = _old_environment(tmp_path / "env", stamped=True)
    setup.make_venv(folder)
    assert builder.asked == (True, folder)


def test_someone_elses_environment_is_left_alone(tmp_path: Path, builder: type[_Builder]) -> None:
    folder = _old_environment(tmp_path / "env", stamped=False)
    with pytest.raises(SystemExit, match=r"was made by Python 3\.9: delete it"):
        setup.make_venv(folder)
    assert builder.asked is None


@pytest.mark.parametrize("there", [True, False])
def test_what_was_in_the_folder_stays_when_it_fails(
    tmp_path: Path, builder: type[_Builder], there: bool
) -> None:
    builder.fails = True
    folder = tmp_path / "env"
    if there:
        folder.mkdir()
        (folder / "letter.txt").write_text("keep me")
    with pytest.raises(SystemExit, match="could not make"):
        setup.make_venv(folder)
    assert builder.asked == (not there, folder)
    assert folder.exists() is there


# ---- the locks ----


@pytest.mark.parametrize("which", ["run", "dev"])
def test_a_lock_is_exact_and_names_no_address(which: str) -> None:
    text = (ROOT / "tools" / f"lock-{which}.txt").read_text(encoding="utf-8")
    assert "://" not in text
    assert not re.search(r"^\s*-", text.replace("    --hash=", ""), re.MULTILINE)
    for asked, hashes in _entries(which):
        assert [spec.operator for spec in asked.specifier] == ["=="]
        assert not asked.extras
        assert hashes
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", one) for one in hashes)


@pytest.mark.parametrize("version", PYTHONS)
@pytest.mark.parametrize("system", SYSTEMS, ids=lambda names: "-".join(names[1:]))
def test_a_lock_holds_what_the_project_asks_for(
    version: tuple[int, int], system: tuple[str, str, str]
) -> None:
    here = _environment(version, system[0], system[2])
    dev = PROJECT["optional-dependencies"]["dev"]
    for which, wanted in [
        ("run", PROJECT["dependencies"]),
        ("dev", [*PROJECT["dependencies"], *dev]),
    ]:
        held = {
            canonicalize_name(asked.name): str(asked.specifier).removeprefix("==")
            for asked, _ in _entries(which)
            if asked.marker is None or asked.marker.evaluate(here)
        }
        for asked in map(Requirement, [*wanted, "hatchling>=1.25", "editables"]):
            if asked.marker is None or asked.marker.evaluate(here):
                assert asked.specifier.contains(held[canonicalize_name(asked.name)]), asked.name
            else:
                assert canonicalize_name(asked.name) not in held


def test_developers_run_on_the_versions_that_users_have() -> None:
    run = {(asked.name, str(asked)) for asked, _ in _entries("run")}
    dev = {(asked.name, str(asked)) for asked, _ in _entries("dev")}
    assert run <= dev


@pytest.mark.parametrize("version", [*PYTHONS, (3, 10)])
@pytest.mark.parametrize("system", [*SYSTEMS, ("darwin", "Darwin", "x86_64")])
def test_madmom_is_asked_for_where_it_is_said_to_have_wheels(
    version: tuple[int, int], system: tuple[str, str, str]
) -> None:
    (asked,) = [Requirement(x) for x in PROJECT["dependencies"] if x.startswith("madmom")]
    assert asked.marker is not None
    wanted = version >= (3, 11) and asked.marker.evaluate(
        _environment(version, system[0], system[2])
    )
    assert has_wheel(version, system[0], system[2]) is wanted


# ---- checking the locks ----


def test_each_lock_is_tried_by_the_first_the_own_and_the_newest_pip() -> None:
    assert check_locks.pips((3, 11), "23.2.1") == ["22.3", "23.2.1", "newest"]
    assert check_locks.pips((3, 13), "24.2") == ["24.2", "newest"]


def test_a_lock_that_does_not_install_fails_the_check(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(check_locks, "pips", lambda python, own: ["22.3", own, "newest"])
    monkeypatch.setattr(check_locks, "attempt", lambda pip, which: f"ok: {pip} {which}")
    monkeypatch.setattr(sys, "argv", ["check_locks.py"])
    assert check_locks.main() == 0
    assert capsys.readouterr().out.count("ok:") == 6
    monkeypatch.setattr(check_locks, "attempt", lambda pip, which: "FAILS")
    assert check_locks.main() == 1


@pytest.mark.parametrize(
    ("source", "status", "told"),
    [
        ("raise OSError('no such library of the system')", 0, "lone: no such library"),
        ("import nothing_of_the_kind", 1, "nothing_of_the_kind"),
    ],
)
def test_a_package_may_lack_a_library_of_the_system_but_none_of_the_lock(
    tmp_path: Path, source: str, status: int, told: str
) -> None:
    (tmp_path / "lone.py").write_text(source)
    described = tmp_path / "lone-1.dist-info"
    described.mkdir()
    (described / "METADATA").write_text("Metadata-Version: 2.1\nName: lone\nVersion: 1\n")
    (described / "top_level.txt").write_text("lone\n")
    asking = tmp_path / "asking.toml"
    asking.write_text('[project]\ndependencies = ["lone"]\n')
    done = subprocess.run(
        [sys.executable, "-c", check_locks.IMPORT_ALL, str(asking)],
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == status
    assert told in done.stdout + done.stderr

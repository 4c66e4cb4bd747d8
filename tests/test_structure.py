"""The architecture, held by a test: imports point down, modules stay small."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "callresp"

# From high to low; a room may import what stands below it, and itself.
ROOMS = (
    "__main__",
    "cli",
    "commands",
    "live",
    "field",
    "rehearse",
    "link",
    "plan",
    "reply",
    "palette",
    "listen",
    "scene",
    "sound",
    "score",
    "settings",
    "files",
    "pcm",
    "wavhead",
    "starttime",
    "resources",
    "errors",
)
FLOOR = set(ROOMS[ROOMS.index("sound") :])
MODULES = sorted(PACKAGE.rglob("*.py"))


def room(module: str) -> str:
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else "callresp"


def imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found.update(f"{node.module}.{name.name}" for name in node.names)
    return {name for name in found if name.startswith("callresp.")}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_down(path: Path) -> None:
    own = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    if own == "__init__":
        return
    for name in imports(path):
        other = room(name)
        if own == other or other not in ROOMS:
            continue
        assert (own in FLOOR and other in FLOOR) or ROOMS.index(own) < ROOMS.index(other), (
            f"{own} imports {name}, which stands above it"
        )


def test_every_room_is_known() -> None:
    rooms = {path.relative_to(PACKAGE).parts[0].removesuffix(".py") for path in MODULES}
    assert rooms - {"__init__"} <= set(ROOMS)


def test_the_floor_has_no_circles() -> None:
    below: dict[str, set[str]] = {
        name: {room(other) for other in imports(PACKAGE / f"{name}.py")} & FLOOR for name in FLOOR
    }
    done: set[str] = set()
    while len(done) < len(FLOOR):
        free = {name for name in FLOOR - done if below[name] <= done}
        assert free, f"these import each other: {sorted(FLOOR - done)}"
        done |= free


@pytest.mark.parametrize(
    "path", [*MODULES, *sorted((ROOT / "tools").rglob("*.py"))], ids=lambda p: p.name
)
def test_modules_stay_small(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400


def test_the_top_level_is_as_agreed() -> None:
    folders = {
        path.name
        for path in ROOT.iterdir()
        if path.is_dir() and not path.name.startswith(".") and not path.name.startswith("callresp-")
    }
    agreed = {"callresp", "tests", "corpus", "tools"}
    assert agreed <= folders
    assert folders - agreed <= {"build", "dist", "__pycache__", "callresp.egg-info"}

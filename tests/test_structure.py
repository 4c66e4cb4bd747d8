"""The architecture, held by a test: imports point down, and no modules import each other."""

from __future__ import annotations

import ast
import re
from functools import cache
from graphlib import TopologicalSorter
from itertools import pairwise
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "callresp"

# From high to low; a room may import what stands below it, and itself.
ROOMS = (
    "__main__",
    "cli",
    "verbs",
    "commands",
    "desk",
    "play",
    "osc",
    "live",
    "plots",
    "scout",
    "field",
    "midi",
    "synthesis",
    "firmware",
    "link",
    "echoes",
    "strike_test",
    "plan",
    "reply",
    "rhythm",
    "palette",
    "evaluate",
    "listen",
    "levels",
    "scene",
    "io",
    "errors",
)
MODULES = sorted(PACKAGE.rglob("*.py"))


@cache
def nodes_of(path: Path) -> tuple[ast.AST, ...]:
    """Every node of a module: to parse and to walk it takes most of the time of these tests."""
    return tuple(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room(module: str) -> str:
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else "callresp"


@cache
def imports(path: Path) -> frozenset[str]:
    """Modules of ours that a module imports, also inside functions."""
    known = {name_of(module) for module in MODULES}
    found: set[str] = set()
    for node in nodes_of(path):
        if isinstance(node, ast.Import):
            found.update(name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            for name in node.names:
                inner = f"{node.module}.{name.name}"
                found.add(inner if inner in known else node.module)
    return frozenset(found & known)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_down(path: Path) -> None:
    own = room(name_of(path))
    if own == "callresp":
        return
    for name in imports(path):
        other = room(name)
        if other not in (own, "callresp"):
            assert ROOMS.index(own) < ROOMS.index(other), (
                f"{own} imports {name}, which stands above it"
            )


def test_every_room_is_known() -> None:
    assert {room(name_of(path)) for path in MODULES} - {"callresp"} == set(ROOMS)


def test_no_modules_import_each_other() -> None:
    # A package's __init__ is its face: it imports what stands inside it.
    below = {name_of(path): imports(path) for path in MODULES if path.name != "__init__.py"}
    TopologicalSorter(below).prepare()


def test_the_top_level_is_as_agreed() -> None:
    folders = {
        path.name
        for path in ROOT.iterdir()
        if path.is_dir() and not path.name.startswith(".") and not path.name.startswith("callresp-")
    }
    agreed = {"callresp", "tests", "corpus", "tools"}
    assert agreed <= folders
    assert folders - agreed <= {"build", "dist", "__pycache__", "callresp.egg-info"}


LIBRARY = [path for path in MODULES if room(name_of(path)) not in ("commands", "cli", "__main__")]


@pytest.mark.parametrize("path", LIBRARY, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_errors_of_the_library_name_no_option_of_the_command_line(path: Path) -> None:
    raised = [node.exc for node in nodes_of(path) if isinstance(node, ast.Raise) and node.exc]
    texts = [
        node.value
        for fault in raised
        for node in ast.walk(fault)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]
    assert [text for text in texts if re.search(r"--[a-z]", text)] == []


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_count_is_told_with_a_noun_that_agrees(path: Path) -> None:
    # "1 notes": `io.wording.counted` puts a noun after a count.
    texts = [node.values for node in nodes_of(path) if isinstance(node, ast.JoinedStr)]
    found = [
        f"{ast.unparse(count.value)}{after.value!r}"
        for values in texts
        for count, after in pairwise(values)
        if isinstance(count, ast.FormattedValue) and isinstance(after, ast.Constant)
    ]
    assert [text for text in found if re.match(r"(len|sum)\(.*\)' [a-z]+s\b", text)] == []


def test_a_count_on_the_page_agrees_with_its_noun() -> None:
    # ${notes} notes: `counted` of dom.js puts a noun after a count.
    counts = (
        r"\$\{[\w.]*\b(length|notes|calls|strokes|struck|used|changes|played)\}( of)? [a-z]+s\b"
    )
    pages = sorted((PACKAGE / "desk" / "page").glob("*.js"))
    assert pages
    found = [page.name for page in pages if re.search(counts, page.read_text(encoding="utf-8"))]
    assert found == []


# What a rule file, a request or a row of the log holds is known at run time only; matplotlib's
# keywords are anything's.
UNTYPED = {
    "callresp.desk.api",
    "callresp.desk.messages",
    "callresp.field.log",
    "callresp.plan.auditions",
    "callresp.plots.style",
}


def test_only_compiled_kernels_and_what_is_known_at_run_time_go_untyped() -> None:
    found = {
        name_of(path)
        for path in MODULES
        for node in nodes_of(path)
        if isinstance(node, ast.Name) and node.id == "Any" and path.parent.name != "kernels"
    }
    assert found == UNTYPED


def taken(path: Path) -> set[tuple[str, str]]:
    """Names of other rooms that a module uses: (module, name), imported or as an attribute."""
    found = {
        (node.module, name.name, name.asname or name.name)
        for node in nodes_of(path)
        if isinstance(node, ast.ImportFrom) and node.module
        for name in node.names
    }
    modules = {local: f"{module}.{name}" for module, name, local in found}
    names = {(module, name) for module, name, _ in found}
    for node in nodes_of(path):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            names.add((modules.get(node.value.id, ""), node.attr))
    own = room(name_of(path))
    return {(module, name) for module, name in names if room(module) != own}


def refusals(function: ast.FunctionDef) -> list[ast.Raise]:
    """What a function raises itself, other than to catch it again."""
    walked = list(ast.walk(function))
    caught = [one for one in walked if isinstance(one, ast.Try) and one.handlers]
    inside = {own for one in caught for line in one.body for own in ast.walk(line)}
    raised = [one for one in walked if isinstance(one, ast.Raise) and one.exc]
    return [one for one in raised if one not in inside]


# Of fewer parameters the names, the types and the first line tell enough.
WORDY = 3


def test_what_other_rooms_call_says_what_it_takes_gives_and_refuses() -> None:
    public = set[tuple[str, str]]().union(*map(taken, MODULES))
    lacking = []
    for path in MODULES:
        for node in ast.iter_child_nodes(nodes_of(path)[0]):
            if not isinstance(node, ast.FunctionDef) or (name_of(path), node.name) not in public:
                continue
            heads = set(re.findall(r"^(\w+)\n-{3,}$", ast.get_docstring(node) or "", re.MULTILINE))
            many = len([*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]) >= WORDY
            # A class of ours says itself what it holds.
            plain = re.match(
                r"(tuple|list|dict|float|int|str)\b", ast.unparse(node.returns or node)
            )
            if (
                not ast.get_docstring(node)
                or (many and "Parameters" not in heads)
                or (many and plain and "Returns" not in heads)
                or (refusals(node) and "Raises" not in heads)
            ):
                lacking.append(f"{name_of(path)}.{node.name} has only {sorted(heads)}")
    assert lacking == []


def test_every_place_that_the_guide_names_is_there() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:[a-z_]+/)+[a-z_]*(?:\.[a-z]+)?)`", guide))
    assert len(named) > 40
    lost = {name for name in named if not any((top / name).exists() for top in (ROOT, PACKAGE))}
    assert lost == set()


@pytest.mark.parametrize("path", sorted(PACKAGE.glob("desk/page/*.js")), ids=lambda path: path.name)
def test_the_page_is_as_wide_as_the_rest(path: Path) -> None:
    # What no formatter can break is a text, which may be longer.
    for number, line in enumerate(path.read_text().splitlines(), start=1):
        assert len(line) <= 100 or re.search(r"""["`>].{40}""", line), f"{path.name}:{number}"

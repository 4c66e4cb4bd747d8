"""The bench that changes the code and counts what the tests notice: its reckoning."""

from __future__ import annotations

import json
from pathlib import Path

import bench_mutants as mutants
import click
import pytest


def test_what_became_of_each_change_is_read(tmp_path: Path) -> None:
    folder = tmp_path / "mutants" / "callresp" / "plan"
    folder.mkdir(parents=True)
    codes = {"a": 0, "b": 1, "c": 33, "d": 36, "e": None}
    (folder / "rules.py.meta").write_text(json.dumps({"exit_code_by_key": codes}))
    found = mutants.results(tmp_path)
    assert found == {
        "a": "survived",
        "b": "killed",
        "c": "no tests",
        "d": "timeout",
        "e": "not checked",
    }
    assert {key for key, status in found.items() if status in mutants.CAUGHT} == {"b", "d"}


@pytest.mark.parametrize("name", list(mutants.ROOMS))
def test_each_room_has_files_and_tests(name: str) -> None:
    room = mutants.ROOMS[name]
    assert list(mutants.ROOT.glob(f"{room.files}.py"))
    assert all(list((mutants.ROOT / "tests").glob(pattern)) for pattern in room.tests)


def test_of_the_tests_that_reach_a_function_the_fastest_are_left(tmp_path: Path) -> None:
    (tmp_path / "mutants").mkdir()
    stats = tmp_path / "mutants" / "mutmut-stats.json"
    reach = {"f": ["slow", "fast", "middling"], "g": ["slow"], "h": []}
    took_s = {"slow": 50.0, "fast": 0.1, "middling": 4.0}
    kept = {"tests_by_mangled_function_name": reach, "duration_by_test": took_s}
    stats.write_text(json.dumps(kept))
    mutants.keep_fastest(tmp_path, 5.0)
    found = json.loads(stats.read_text())
    assert found["duration_by_test"] == took_s
    left = found["tests_by_mangled_function_name"]
    assert left == {"f": ["fast", "middling"], "g": ["slow"], "h": []}


def test_what_only_words_a_mistake_otherwise_is_not_drawn(tmp_path: Path) -> None:
    folder = tmp_path / "mutants" / "callresp"
    folder.mkdir(parents=True)
    (folder / "rules.py.meta").write_text("{}")
    (folder / "rules.py").write_text(
        "class Rules:\n"
        "    def xǁRulesǁcheck__mutmut_orig(self):\n"
        "        if self.rest_s < 0 and self.kind != 'a rest':\n"
        "            raise UserError('less than none', where='rest_s', remedy='give more than 0')\n"
        + "".join(
            f"    def xǁRulesǁcheck__mutmut_{number}(self):\n"
            f"        if self.rest_s < {bound} and self.kind != {kind}:\n"
            f"            raise UserError({words})\n"
            for number, bound, kind, words in (
                (1, 0, "'a rest'", "'LESS THAN NONE', where='rest_s', remedy='give more than 0'"),
                (
                    2,
                    0,
                    "'a rest'",
                    "'less than none', where='XXrest_sXX', remedy='give more than 0'",
                ),
                (3, 0, "'a rest'", "'less than none', where='rest_s', "),
                (4, 0, "'A REST'", "'less than none', where='rest_s', remedy='give more than 0'"),
                (5, 1, "'a rest'", "'less than none', where='rest_s', remedy='give more than 0'"),
            )
        )
    )
    assert mutants.only_wordings(tmp_path) == {"callresp.rules.xǁRulesǁcheck__mutmut_1"}


def test_a_change_that_nobody_can_notice_is_named_by_its_lines(tmp_path: Path) -> None:
    diff = "--- callresp/link/port.py\n+++ callresp/link/port.py\n@@ -1,3 +1,3 @@\n def f():\n"
    diff += "-    if at_s < self.next_s:\n+    if at_s <= self.next_s:\n         return 1\n"
    change = ("if at_s < self.next_s:", "if at_s <= self.next_s:")
    for key, name in (("xǁPortǁ_read__mutmut_12", "Port._read"), ("x__read__mutmut_1", "_read")):
        found = mutants.change_of(f"callresp.link.port.{key}", diff)
        assert found == (f"callresp.link.port.{name}", *change)
    assert mutants.equal_changes()
    entry = '[[change]]\nfunction = "{}"\nwas = "{}"\nnow = "x"\nwhy = "{}"\n'
    name, was = "callresp.link.port.Clock.now_s", "- self._start_s) * self.speed"
    path = tmp_path / "equal.toml"
    path.write_text(entry.format(name, was, "so it is"))
    assert mutants.equal_changes(path) == {(name, was, "x")}
    for stale in (
        (name, "return 5", "so it is"),
        (name, was, ""),
        (f"{name}_then", was, "so it is"),
        ("callresp.link.no_such.f", was, "so it is"),
    ):
        path.write_text(entry.format(*stale))
        with pytest.raises(click.ClickException, match="has no such line"):
            mutants.equal_changes(path)

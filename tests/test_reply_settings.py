"""The guide to rule files: complete, and true of what the loader takes and refuses."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Annotated

import msgspec
import pytest
from click.testing import CliRunner
from msgspec import Meta

from callresp.cli import cli
from callresp.errors import UserError
from callresp.io.setting_guide import REQUIRED, Setting, settings_of, told
from callresp.io.settings import SettingsFile, allowed_at, convert
from callresp.reply import rules
from callresp.reply.rules import RuleSet, load_rules

SETTINGS = {one.key: one for one in settings_of(RuleSet)}
# Rule files that want only some lines: what each table can't do without.
NEEDED = {
    "": {"name": '"x"', "description": '"y"'},
    "[[rule]]": {"name": '"r"'},
    "[[rule.table]]": {"from_hz": "0", "to_hz": "24000", "striker": '"lowest"'},
}


def rule_file(setting: Setting, value: str) -> str:
    """A whole rule file that gives one setting a value."""
    name = setting.key.rpartition(".")[2]
    tables = ["", *([] if setting.key == "rule" else ["[[rule]]"])]
    if setting.table not in tables:
        tables.append(setting.table)
    rows = []
    for table in tables:
        given = dict(NEEDED.get(table, {}))
        if table == setting.table:
            given[name] = value
        if setting.key == "rule.pitch" and table == "[[rule]]":
            given["table"] = '[{ from_hz = 0, to_hz = 1, striker = "lowest" }]'
        rows += [table, *(f"{key} = {text}" for key, text in given.items())]
    return "\n".join(rows)


def loads(folder: Path, setting: Setting, value: str) -> bool:
    path = folder / "mine.toml"
    path.write_text(rule_file(setting, value), encoding="utf-8")
    try:
        load_rules(str(path))
    except UserError as fault:
        # Another fault than that of this key would prove nothing.
        if setting.key.rpartition(".")[2] not in str(fault):
            raise
        return False
    return True


def held(folder: Path, key: str) -> object:
    """What the rule file holds at a key, once loaded, as JSON has it."""
    value = json.loads(msgspec.json.encode(load_rules(str(folder / "mine.toml"))))
    for step in key.split("."):
        value = (value[-1] if isinstance(value, list) else value)[step]
    return value


def as_asked(value: object, wanted: object) -> object:
    """A value without what was not asked for: tables are filled up with defaults."""
    if isinstance(value, dict) and isinstance(wanted, dict):
        return {name: value[name] for name in wanted}
    if isinstance(value, list) and isinstance(wanted, list):
        return [as_asked(one, other) for one, other in zip(value, wanted, strict=True)]
    return value


def test_no_field_of_any_table_is_left_out() -> None:
    tables = [
        kind
        for kind in vars(rules).values()
        if isinstance(kind, type)
        and issubclass(kind, msgspec.Struct)
        and kind.__module__ == rules.__name__
    ]
    fields = [field.encode_name for kind in tables for field in msgspec.structs.fields(kind)]
    assert sorted(key.rpartition(".")[2] for key in SETTINGS) == sorted(fields)


@pytest.mark.parametrize("key", SETTINGS)
def test_each_setting_is_told_whole_and_its_example_loads(tmp_path: Path, key: str) -> None:
    setting = SETTINGS[key]
    assert min(map(len, (setting.meaning, setting.sound))) > 10
    assert setting.allowed
    assert setting.default
    assert setting.example != setting.default
    assert loads(tmp_path, setting, setting.example)
    wanted = tomllib.loads(setting.line)[key.rpartition(".")[2]]
    assert as_asked(held(tmp_path, key), wanted) == wanted


@pytest.mark.parametrize("key", SETTINGS)
def test_each_default_told_is_what_a_file_without_the_key_gets(tmp_path: Path, key: str) -> None:
    setting = SETTINGS[key]
    name = key.rpartition(".")[2]
    path = tmp_path / "mine.toml"
    rows = rule_file(setting, setting.example).splitlines()
    path.write_text("\n".join(row for row in rows if row != setting.line), encoding="utf-8")
    if setting.default == REQUIRED:
        with pytest.raises(UserError, match=f"{name}: this key is missing"):
            load_rules(str(path))
        return
    found = held(tmp_path, key)
    if setting.default.startswith("none"):
        assert found is None or isinstance(found, dict)
    else:
        assert found == json.loads(setting.default)


RANGE = re.compile(r"(above )?(-?[\d.]+)(?: to |, up to )(-?[\d.]+)( characters)?$")
RANGED = [key for key, one in SETTINGS.items() if RANGE.search(one.allowed)]


@pytest.mark.parametrize("key", RANGED)
def test_each_range_told_is_the_one_enforced(tmp_path: Path, key: str) -> None:
    setting = SETTINGS[key]
    match = RANGE.search(setting.allowed)
    assert match
    above, low, high, characters = match.groups()
    if characters:
        for count, good in (
            (int(low), True),
            (int(low) - 1, False),
            (int(high), True),
            (int(high) + 1, False),
        ):
            assert loads(tmp_path, setting, f'"{"x" * count}"') is good
        return
    step = 1.0 if "." not in low else 0.001

    def number(at: float) -> str:
        return f"{at:.0f}" if step == 1.0 else f"{at:.4f}"

    first, last = float(low), float(high)
    inside = first + step if above else first
    outside = first if above else first - step
    if setting.allowed.startswith("two"):
        assert loads(tmp_path, setting, f"[{number(first)}, {number(last)}]")
        assert not loads(tmp_path, setting, f"[{number(outside)}, {number(last)}]")
        assert not loads(tmp_path, setting, f"[{number(first)}, {number(last + step)}]")
        assert not loads(tmp_path, setting, f"[{number(last)}, {number(first)}]")
        return
    for at, good in ((inside, True), (outside, False), (last, True), (last + step, False)):
        assert loads(tmp_path, setting, number(at)) is good


def test_most_numbers_have_a_range() -> None:
    assert len(RANGED) >= 25


@pytest.mark.parametrize("key", [key for key, one in SETTINGS.items() if "'" in one.allowed])
def test_each_choice_told_is_taken_and_no_other(tmp_path: Path, key: str) -> None:
    setting = SETTINGS[key]
    choices = re.findall(r"'([^']*)'", setting.allowed)
    many = {"two": '["{0}", "{0}"]', "a list": '["{0}"]'}.get(
        setting.allowed.split(":")[0], '"{0}"'
    )
    for choice in choices:
        assert loads(tmp_path, setting, many.format(choice))
    for other in ("nonesuch", "24:00"):
        assert not loads(tmp_path, setting, many.format(other))


@pytest.mark.parametrize(
    ("key", "lowest"),
    [("seed", "0"), ("rule.when.per_s", "[-1e9, 1e9]"), ("rule.when.level_db", "[-1e9, 1e9]")],
)
def test_what_has_no_end_is_told_so(tmp_path: Path, key: str, lowest: str) -> None:
    assert SETTINGS[key].allowed in ("from 0", "two, the lower first: any number")
    assert loads(tmp_path, SETTINGS[key], lowest)
    assert not loads(tmp_path, SETTINGS["seed"], "-1")


def test_a_field_that_is_not_described_is_a_fault() -> None:
    class Bare(msgspec.Struct):
        told_s: Annotated[float, told("How long it is", "2.0", "longer")] = 1.0
        plain_s: float = 1.0

    with pytest.raises(KeyError):
        settings_of(Bare)


def test_an_open_end_is_told_as_open() -> None:
    class Open(msgspec.Struct):
        share: Annotated[float, Meta(gt=0.0, le=1.0)]

    assert allowed_at(Open, ("share",)) == "above 0.0, up to 1.0"
    with pytest.raises(UserError, match=r"allowed: above 0\.0, up to 1\.0"):
        convert(SettingsFile("share = 0.0", "mine.toml"), Open)


def run(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(cli, ["rules", *words])
    return done.exit_code, done.output


def test_the_command_tells_all_of_them_or_some() -> None:
    code, text = run("--settings", "--json")
    assert code == 0
    assert [json.loads(row)["key"] for row in text.splitlines()] == list(SETTINGS)
    _, text = run("--settings", "tires")
    for part in ("rule.tires: ", "above 0.0, up to 1.0", "default  1.0", "example  tires = 0.8"):
        assert part in text
    _, text = run("--settings", "when", "--json")
    keys = [json.loads(row)["key"] for row in text.splitlines()]
    assert keys == [key for key in SETTINGS if key.startswith("rule.when")]


def test_the_page_holds_every_setting_and_spares_other_files(tmp_path: Path) -> None:
    page = tmp_path / "settings.md"
    for _ in range(2):
        code, _ = run("--settings", "-o", str(page))
        assert code == 0
    text = page.read_text(encoding="utf-8")
    for key, setting in SETTINGS.items():
        part = text.split(f"\n### {key}\n")[1].split("\n### ")[0]
        for told_text in (
            setting.meaning,
            setting.allowed,
            setting.line,
            setting.sound,
            setting.default,
        ):
            assert told_text in part
    page.write_text("my own notes", encoding="utf-8")
    for words in (("--settings", "-o", str(page)), ("--settings", "-o", str(tmp_path / "x.html"))):
        done = CliRunner().invoke(cli, ["rules", *words])
        assert done.exit_code == 2 or isinstance(done.exception, UserError)
    assert page.read_text(encoding="utf-8") == "my own notes"
    assert [path.name for path in tmp_path.iterdir()] == ["settings.md"]


@pytest.mark.parametrize(
    ("words", "told_text"),
    [
        (["--settings", "dampin"], "did you mean 'damping'"),
        (["shadow", "--settings", "when"], "give it alone"),
        (["-o", "x.md"], "give --settings"),
    ],
)
def test_a_mistake_is_told(words: list[str], told_text: str) -> None:
    done = CliRunner().invoke(cli, ["rules", *words])
    assert done.exit_code != 0
    assert told_text in done.output + str(done.exception)

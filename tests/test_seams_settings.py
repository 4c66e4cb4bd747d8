"""Settings: a mistake in a TOML file is answered with its line, key and range."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import msgspec
import pytest
from msgspec import Meta

from callresp.errors import UserError
from callresp.io.settings import SettingsFile, lines_of, load


class Coil(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    pulse_ms: Annotated[float, Meta(ge=1.0, le=50.0)]
    kind: Literal["push", "pull"] = "push"


class Bell(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    name: str
    coil: Coil
    levels: tuple[Annotated[float, Meta(ge=0.0)], ...] = ()


class Box(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    bell: tuple[Bell, ...]
    title: str = ""


GOOD = """\
title = "box"  # a comment

[[bell]]
name = "one"
coil = { pulse_ms = 5 }

[[bell]]
name = "two"
levels = [1.0, 2.0]

[bell.coil]
pulse_ms = 6.0
kind = "pull"
"""


def read(tmp_path: Path, text: str) -> Box:
    path = tmp_path / "box.toml"
    path.write_text(text)
    return load(path, Box)[0]


def test_a_good_file_is_read(tmp_path: Path) -> None:
    box = read(tmp_path, GOOD)
    assert [bell.coil.pulse_ms for bell in box.bell] == [5.0, 6.0]


def test_lines_of_finds_tables_in_arrays() -> None:
    found = lines_of(GOOD)
    assert found[("bell", 1, "coil", "kind")] == 13
    assert found[("bell", 0, "name")] == 4
    assert found[("title",)] == 1


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "pulse_ms = 6.0",
            "pulse_ms = 600.0",
            ["line 12", "coil.pulse_ms", "allowed: 1.0 to 50.0"],
        ),
        ('kind = "pull"', 'kind = "drag"', ["line 13", "allowed: 'push', 'pull'"]),
        ('kind = "pull"', 'kid = "pull"', ["line 13", "no such key", "did you mean 'kind'?"]),
        ('name = "two"\n', "", ["bell[2].name", "this key is missing"]),
        ("pulse_ms = 6.0\n", "", ["line 11", "coil.pulse_ms", "add it (1.0 to 50.0)"]),
        (
            GOOD[GOOD.index('name = "two"') :],
            "",
            ["line 7, bell[2]: these keys are missing: name, coil (a table of pulse_ms); add them"],
        ),
        (GOOD, "", ["box.toml, bell: this key is missing; add it (tables of name, coil)"]),
        ("levels = [1.0, 2.0]", "levels = [1.0, -2.0]", ["line 9", "from 0.0"]),
        ('name = "two"', "name = 2", ["line 8", "Expected str"]),
        ("[bell.coil]", "[bell.coil", ["not valid TOML", "line 11"]),
    ],
)
def test_a_mistake_is_named(tmp_path: Path, old: str, new: str, expected: list[str]) -> None:
    assert old in GOOD
    with pytest.raises(UserError) as told:
        read(tmp_path, GOOD.replace(old, new))
    for part in ["box.toml", *expected]:
        assert part in str(told.value)
    assert "\n" not in str(told.value)


def test_a_rooms_own_check_can_name_a_place() -> None:
    fault = SettingsFile(GOOD, "box.toml").fault_at(
        ("bell", 1, "coil", "pulse_ms"), "too long", "less"
    )
    assert str(fault) == "box.toml, line 12, bell[2].coil.pulse_ms: too long; less"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a = " + "7" * 5000, "not valid TOML"),
        ("a = " + "[" * 5000 + "]" * 5000, "not valid TOML"),
        ("a = 2026-13-41", "not valid TOML"),
        ("[b]\na = inf", "line 2, b.a: inf is no finite number"),
        ("a = [1.0, nan]", "nan is no finite number"),
    ],
)
def test_numbers_that_are_none_are_told_in_one_line(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(UserError) as fault:
        read(tmp_path, text)
    assert told in str(fault.value)
    assert "\n" not in str(fault.value)

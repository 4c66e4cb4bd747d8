"""A guide to the settings of a file, made from the very struct that checks it.

A field is described by `told` within its `Annotated` type; ranges and defaults
are read off the struct, so that what is told is what is enforced.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import get_args, get_origin

import msgspec

from callresp.errors import UserError
from callresp.io.settings import allowed_at, bare, hints_of

REQUIRED = "none: must be given"
UNITS = {"s": "s", "hz": "Hz", "db": "dB", "cents": "cents"}


@dataclass(frozen=True, slots=True)
class Setting:
    """One key of a settings file.

    `table` is the TOML header that it stands under (empty at the top), `example`
    and `default` are TOML values; `default` may also say that there is none.
    """

    key: str
    table: str
    meaning: str
    unit: str
    allowed: str
    default: str
    example: str
    sound: str

    @property
    def line(self) -> str:
        """The example as a line of a file."""
        return f"{self.key.rpartition('.')[2]} = {self.example}"


def told(meaning: str, example: str, sound: str, unit: str = "") -> msgspec.Meta:
    """What a setting means, a TOML value, what that sounds like; the unit, if its name has none.

    Parameters
    ----------
    meaning
        What it does, in a line.
    example
        A value, as TOML.
    sound
        What that value sounds like.
    unit
        Where the setting's name does not end in it.
    """
    return msgspec.Meta(
        description=meaning, extra={"example": example, "sound": sound, "unit": unit}
    )


def settings_of(kind: type[msgspec.Struct]) -> list[Setting]:
    """Every setting of a struct and of the structs within it, tables after plain keys.

    Raises
    ------
    KeyError
        When a field is not described.
    """
    return list(_settings(kind, "", ""))


def _settings(kind: type[msgspec.Struct], path: str, table: str) -> Iterator[Setting]:
    hints = hints_of(kind)
    inner: list[tuple[type[msgspec.Struct], str, str]] = []
    for field in msgspec.structs.fields(kind):
        name = field.encode_name
        key = f"{path}.{name}".lstrip(".")
        target, metas = bare(hints[name])
        notes: dict[str, str] = {}
        for meta in metas:
            notes |= {"meaning": meta.description} if meta.description else {}
            notes |= meta.extra or {}
        row = bare(get_args(target)[0])[0] if get_origin(target) is tuple else target
        if isinstance(row, type) and issubclass(row, msgspec.Struct):
            inner.append((row, key, f"[{key}]" if row is target else f"[[{key}]]"))
        yield Setting(
            key=key,
            table=table,
            meaning=notes["meaning"],
            unit=notes["unit"] or UNITS.get(name.rpartition("_")[2], ""),
            allowed=_allowed(kind, name, target),
            default=_default(field, row),
            example=notes["example"],
            sound=notes["sound"],
        )
    for row, key, header in inner:
        yield from _settings(row, key, header)


def _allowed(kind: type[msgspec.Struct], name: str, target: object) -> str:
    """The range of a key; of a list, that of its items."""
    if get_origin(target) is not tuple:
        return allowed_at(kind, (name,)) or _kind_name(target)
    items = get_args(target)
    each = allowed_at(kind, (name, 0)) or _kind_name(items[0])
    if items[-1] is not Ellipsis:
        order = ", the lower first" if bare(items[0])[0] in (int, float) else ""
        return f"two{order}: {each}"
    few = allowed_at(kind, (name,))
    return f"a list{f' of {few}' if few else ''}: {each}"


def _kind_name(target: object) -> str:
    plain = bare(target)[0]
    if isinstance(plain, type) and issubclass(plain, msgspec.Struct):
        return "a table"
    words = {bool: "true or false", str: "any text", float: "any number"}
    return next(text for kind, text in words.items() if plain is kind)


def _default(field: msgspec.structs.FieldInfo, row: object) -> str:
    if field.required:
        return REQUIRED
    default = field.default
    if default is None:
        return "none: not asked for"
    if isinstance(default, msgspec.Struct) and callable(row) and default == row():
        return "none: each of its settings has its own"
    return json.dumps(msgspec.to_builtins(default))


def named(settings: Sequence[Setting], key: str) -> list[Setting]:
    """The settings of a key, whole or only its end, and what lies within it; all of "".

    Raises
    ------
    UserError
        When there is none, with the nearest.
    """
    if not key:
        return list(settings)
    found = [one for one in settings if f".{key}." in f".{one.key}."]
    if not found:
        known = {one.key.rpartition(".")[2]: "" for one in settings}
        near = difflib.get_close_matches(key.rpartition(".")[2], known, n=1)
        remedy = f"did you mean '{near[0]}'?" if near else f"known: {', '.join(known)}"
        raise UserError("no such setting", where=key, remedy=remedy)
    return found


def as_lines(setting: Setting) -> list[str]:
    """A setting as text for a terminal."""
    return [
        f"{setting.key}: {setting.meaning}",
        *(f"  {name:9}{value}" for name, value in _rows(setting)),
    ]


def _rows(setting: Setting) -> Iterator[tuple[str, str]]:
    if setting.unit:
        yield "unit", setting.unit
    yield "range", setting.allowed
    yield "default", setting.default
    yield "example", setting.line
    yield "sound", setting.sound


def as_markdown(title: str, settings: Sequence[Setting]) -> str:
    """The settings as a page, a part for each table of the file."""
    rows = [f"# {title}"]
    for table in dict.fromkeys(setting.table for setting in settings):
        rows += ["", f"## {f'`{table}`' if table else 'At the top of the file'}"]
        for setting in settings:
            if setting.table != table:
                continue
            rows += ["", f"### {setting.key}", "", f"{setting.meaning}.", ""]
            for name, value in _rows(setting):
                exact = name == "example" or (name == "default" and value[:4] != "none")
                rows.append(f"- {name}: {f'`{value}`' if exact else value}")
    return "\n".join(rows) + "\n"

"""Settings files: TOML read into checked, frozen values.

Goal
----
Palettes, rule sets, listening profiles and scene recipes are all TOML files
that people write by hand. A mistake in one is answered with the file, the
line, the key and what is allowed there.

Conventions
-----------
A settings file is described by frozen `msgspec.Struct` classes made with
``forbid_unknown_fields=True`` and `Annotated[..., msgspec.Meta(ge=, le=)]`
fields; units sit in the names of the keys. Rules across keys go in
``__post_init__`` (raise `ValueError`), or in a check of the room's own that
calls `fault_at`.

Source: TOML v1.0.0.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from itertools import takewhile
from pathlib import Path
from typing import Annotated, TypeVar, get_args, get_origin, get_type_hints

import msgspec

from callresp.errors import UserError
from callresp.io.files import read_text

T = TypeVar("T")
Path_ = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"""^\s*("[^"]*"|'[^']*'|[A-Za-z0-9_\-. ]+?)\s*=""")
_STEP = re.compile(r"\.([A-Za-z0-9_\-]+)|\[(\d+)\]|\[\.\.\.\]")


def lines_of(text: str) -> dict[Path_, int]:
    """Line number of every table and key of a TOML text.

    Tables in arrays are numbered from 0: ``("striker", 1, "pitch_hz")``.
    """
    found: dict[Path_, int] = {}
    counts: dict[Path_, int] = {}
    table: Path_ = ()
    for number, row in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(row):
            table = _resolve(header[2], counts, opens_item=header[1] == "[[")
            found.setdefault(table, number)
        elif key := _KEY.match(row):
            found.setdefault(table + tuple(_names(key[1])), number)
    return found


def _names(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]


def _resolve(dotted: str, counts: dict[Path_, int], *, opens_item: bool) -> Path_:
    path: Path_ = ()
    names = _names(dotted)
    for depth, name in enumerate(names):
        path = (*path, name)
        if depth == len(names) - 1 and opens_item:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


class SettingsFile:
    """A settings text with its file's name: knows where each key stands."""

    def __init__(self, text: str, name: str) -> None:
        self.text = text
        self.name = name
        self._lines = lines_of(text)
        try:
            self.tree: dict[str, object] = tomllib.loads(text)
        # Too deep a nesting, and numbers of thousands of digits, are not told as TOML errors.
        except (ValueError, RecursionError) as fault:
            raise UserError(
                f"not valid TOML: {fault}", where=name, remedy="mend that line"
            ) from None
        for path, value in _endless(self.tree):
            raise self.fault_at(path, f"{value} is no finite number", "give a number")

    def __contains__(self, path: Path_) -> bool:
        """Whether a key stands in the file, rather than its default."""
        return _written(self.tree, path) is not None

    def where(self, path: Path_) -> str:
        """The place of a key as text: file, line and key."""
        near = path
        while near and near not in self._lines:
            near = near[:-1]
        line = f", line {self._lines[near]}" if near else ""
        return f"{self.name}{line}, {dotted(path)}" if path else self.name

    def fault_at(self, path: Path_, what: str, remedy: str = "") -> UserError:
        """A `UserError` that names the file, the line and the key at `path`."""
        return UserError(what, where=self.where(path), remedy=remedy)


def _written(value: object, path: Path_) -> object:
    """What stands at a path of a TOML tree; `None` if nothing does."""
    for step in path:
        if isinstance(step, int):
            value = value[step] if isinstance(value, list) and step < len(value) else None
        else:
            value = value.get(step) if isinstance(value, dict) else None
    return value


def _endless(value: object, path: Path_ = ()) -> Iterator[tuple[Path_, float]]:
    """Numbers that are infinite or none, with their places: no setting may be one."""
    if isinstance(value, float) and not math.isfinite(value):
        yield path, value
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from _endless(item, (*path, key))
    elif isinstance(value, list):
        for number, item in enumerate(value):
            yield from _endless(item, (*path, number))


def dotted(path: Path_) -> str:
    """A key path as people write it; items of arrays count from 1."""
    text = ""
    for step in path:
        text += f"[{step + 1}]" if isinstance(step, int) else f".{step}"
    return text.lstrip(".")


def load(path: Path, kind: type[T]) -> tuple[T, SettingsFile]:
    """Read the settings file at `path` as a `kind`; with it its source, for later faults.

    Raises
    ------
    UserError
        With file, line, key and what is allowed.
    """
    source = SettingsFile(read_text(path), str(path))
    return convert(source, kind), source


def convert(source: SettingsFile, kind: type[T]) -> T:
    """Turn a source into a `kind`; faults name the place.

    Raises
    ------
    UserError
        With file, line, key and what is allowed.
    """
    try:
        return msgspec.convert(source.tree, kind)
    except msgspec.ValidationError as fault:
        raise _explained(source, kind, str(fault)) from None


def _explained(source: SettingsFile, kind: type, message: str) -> UserError:
    what, _, pointer = message.partition(" - at `")
    path = _known_steps(pointer.rstrip("`"))
    if unknown := re.search(r"unknown field `([^`]+)`", what):
        name = unknown[1]
        known = _fields_at(kind, path)
        near = difflib.get_close_matches(name, known, n=1)
        hint = f"did you mean '{near[0]}'?" if near else f"known here: {', '.join(known)}"
        return source.fault_at((*path, name), "no such key", hint)
    if missing := re.search(r"missing required field `([^`]+)`", what):
        return _missing(source, kind, path, missing[1])
    allowed = allowed_at(kind, path)
    return source.fault_at(path, what.replace("`", ""), f"allowed: {allowed}" if allowed else "")


def _missing(source: SettingsFile, kind: type, path: Path_, first: str) -> UserError:
    """Tells all keys that a table lacks, and what may stand there: a table is written as one."""
    needed = required_keys(_walk(kind, path)[0])
    absent = [key for key in needed if (*path, key) not in source] or [first]
    told = [f"{key} ({what})" if (what := _wanted(kind, (*path, key))) else key for key in absent]
    if len(told) == 1:
        hint = f"add it{told[0].removeprefix(first)}"
        return source.fault_at((*path, first), "this key is missing", hint)
    return source.fault_at(path, f"these keys are missing: {', '.join(told)}", "add them")


def _wanted(kind: type, path: Path_) -> str:
    """What a key that is missing asks for, as text: its range, or the keys of its table."""
    target, _ = _walk(kind, path)
    row = bare(get_args(target)[0])[0] if get_origin(target) is tuple else target
    inner = required_keys(row)
    if inner:
        return f"{'a table' if row is target else 'tables'} of {', '.join(inner)}"
    return allowed_at(kind, path)


def required_keys(kind: object) -> list[str]:
    """The keys that a settings table must have."""
    if not (isinstance(kind, type) and issubclass(kind, msgspec.Struct)):
        return []
    return [field.encode_name for field in msgspec.structs.fields(kind) if field.required]


def _known_steps(pointer: str) -> Path_:
    """The steps of a pointer as far as they are known (a wildcard ends the path)."""
    steps = _STEP.findall(pointer.removeprefix("$"))
    return tuple(name or int(index) for name, index in takewhile(any, steps))


def _fields_at(kind: type, path: Path_) -> list[str]:
    target, _ = _walk(kind, path)
    if isinstance(target, type) and issubclass(target, msgspec.Struct):
        return [field.encode_name for field in msgspec.structs.fields(target)]
    return []


def bare(kind: object) -> tuple[object, tuple[msgspec.Meta, ...]]:
    """A type without Annotated and Optional, and its Meta."""
    meta: tuple[msgspec.Meta, ...] = ()
    while True:
        if get_origin(kind) is Annotated:
            kind, *metas = get_args(kind)
            meta += tuple(metas)
        elif type(None) in get_args(kind):
            kind = next(part for part in get_args(kind) if part is not type(None))
        else:
            return kind, meta


@cache
def hints_of(kind: type[msgspec.Struct]) -> dict[str, object]:
    """Types of a table's keys, as they are declared; evaluated once."""
    own = get_type_hints(kind, include_extras=True)
    return {field.encode_name: own[field.name] for field in msgspec.structs.fields(kind)}


def _walk(kind: object, path: Path_) -> tuple[object, tuple[msgspec.Meta, ...]]:
    kind, meta = bare(kind)
    for step in path:
        if isinstance(step, int):
            inner = get_args(kind)
            kind, meta = bare(inner[0] if inner else object)
        elif isinstance(kind, type) and issubclass(kind, msgspec.Struct):
            kind, meta = bare(hints_of(kind).get(step, object))
        elif get_origin(kind) in (dict, Mapping):
            kind, meta = bare(get_args(kind)[1])
        else:
            return object, ()
    return kind, meta


def allowed_at(kind: object, path: Path_) -> str:
    """What may stand at `path` of a settings type, as text for a person."""
    target, metas = _walk(kind, path)
    for meta in metas:
        low = meta.ge if meta.ge is not None else meta.gt
        high = meta.le if meta.le is not None else meta.lt
        if low is not None and high is not None:
            return f"above {low}, up to {high}" if meta.ge is None else f"{low} to {high}"
        if low is not None:
            return f"{'from' if meta.ge is not None else 'above'} {low}"
        if high is not None:
            return f"{'up to' if meta.le is not None else 'below'} {high}"
        if meta.max_length is not None:
            return f"{meta.min_length or 0} to {meta.max_length} characters"
        if meta.min_length is not None:
            return f"at least {meta.min_length}"
        if meta.pattern is not None and meta.title:
            return str(meta.title)
    choices = get_args(target)
    if choices and all(isinstance(choice, str) for choice in choices):
        return ", ".join(repr(choice) for choice in choices)
    return ""

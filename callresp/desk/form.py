"""The form for a rule set, made from the very struct that checks a rule file.

What each setting means, its unit, range, default, example and sound come from
`callresp.io.setting_guide`; how it is asked for (a number, a pair, a choice, a list)
from the type of its field.
"""

from __future__ import annotations

import json
from functools import cache
from typing import Literal, cast, get_args, get_origin, get_type_hints

import msgspec

from callresp.io.setting_guide import Setting, settings_of
from callresp.io.settings import bare, hints_of
from callresp.palette.model import Striker
from callresp.reply.rules import RuleSet

Control = Literal["number", "whole", "switch", "choice", "text", "pair", "times", "list", "rows"]


class Field(msgspec.Struct, frozen=True, kw_only=True):
    """One setting as the form asks for it.

    `low` and `high` bound a number, or each of a pair; `None` where nothing does. `default`
    is the value that holds where nothing is given. `optional` settings may be left out.
    """

    key: str
    table: str
    name: str
    meaning: str
    unit: str
    allowed: str
    example: str
    sound: str
    control: Control
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    default: object = None
    optional: bool = False


def fields() -> tuple[Field, ...]:
    """Every setting of a rule set, in the order of the guide; tables themselves left out."""
    return tuple(
        field for setting in settings_of(RuleSet) if (field := _field(setting)) is not None
    )


def _field(setting: Setting) -> Field | None:
    owner, hint, default = _declared(setting.key)
    target, metas = bare(hint)
    optional = type(None) in get_args(hint) or default is None
    control, choices, low, high = _asked(target, metas)
    if control is None:
        return None
    return Field(
        key=setting.key,
        table=owner,
        name=setting.key.rpartition(".")[2],
        meaning=setting.meaning,
        unit=setting.unit,
        allowed=setting.allowed,
        example=_plain(setting.example),
        sound=setting.sound,
        control=control,
        choices=choices,
        low=low,
        high=high,
        default=msgspec.to_builtins(default),
        optional=optional,
    )


def _plain(example: str) -> str:
    return example.strip('"') if example.startswith('"') else example


def _declared(key: str) -> tuple[str, object, object]:
    """The table of a key, its type as declared, and its default."""
    kind: type[msgspec.Struct] = RuleSet
    *way, last = key.split(".")
    for name in way:
        hint = bare(hints_of(kind)[name])[0]
        inner = bare(get_args(hint)[0])[0] if get_origin(hint) is tuple else hint
        kind = cast("type[msgspec.Struct]", inner)
    field = next(f for f in _fields_of(kind) if f.encode_name == last)
    default = None if field.required else field.default
    return ".".join(way), hints_of(kind)[last], default


# Looked up anew for each setting they would take longer than all the rest of the form.
_fields_of = cache(msgspec.structs.fields)

Bounds = tuple[float | None, float | None]


def _bounds(metas: tuple[msgspec.Meta, ...]) -> Bounds:
    low = high = None
    for meta in metas:
        low = meta.ge if meta.ge is not None else meta.gt if meta.gt is not None else low
        high = meta.le if meta.le is not None else meta.lt if meta.lt is not None else high
    return low, high


def _asked(
    target: object, metas: tuple[msgspec.Meta, ...]
) -> tuple[Control | None, tuple[str, ...], float | None, float | None]:
    """How a type is asked for: control, choices and bounds; no control for a table."""
    if get_origin(target) is tuple:
        return _asked_many(target)
    if isinstance(target, type) and issubclass(target, msgspec.Struct):
        return None, (), None, None
    if get_origin(target) is Literal:
        return "choice", get_args(target), None, None
    controls: dict[object, Control] = {bool: "switch", int: "whole", float: "number", str: "text"}
    return controls[target], (), *_bounds(metas)


def _asked_many(
    target: object,
) -> tuple[Control | None, tuple[str, ...], float | None, float | None]:
    first = get_args(target)[0]
    inner, metas = bare(first)
    if get_args(target)[-1] is Ellipsis:
        if isinstance(inner, type) and issubclass(inner, msgspec.Struct):
            # Rules are laid out by the page; rows of a table are asked for in one field.
            return ("rows" if inner.__name__ == "Pitched" else None), (), None, None
        choices = get_args(inner) if get_origin(inner) is Literal else ()
        return "list", choices, None, None
    return ("times" if inner is str else "pair"), (), *_bounds(metas)


def wishes() -> tuple[str, ...]:
    """What may stand for an instrument, beside a palette's own names."""
    plain = ("any", "any pitched", "any unpitched", "lowest", "lowest 2", "highest", "highest 2")
    kinds = get_args(get_type_hints(Striker)["kind"])
    return (*plain, "lowest unpitched", *(f"any {kind}" for kind in kinds))


@cache
def as_json() -> str:
    """The form as JSON, made once."""
    return json.dumps({"fields": msgspec.to_builtins(fields()), "wishes": wishes()})

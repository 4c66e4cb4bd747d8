"""A rule set as the text of its file, changed a setting at a time.

The text is what a session keeps, so that comments and order stay as they were written,
and so that every change is checked by the very struct that checks a rule file.

Conventions
-----------
Settings are named as reasons for silences name them: ``manners.rest_s``,
``rule.1.when.notes``, rules counted from 1. A rule is switched off by a weight of 0; what
it weighed before stands in a comment behind it, in the file too.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping, MutableMapping

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable, Item, Table

from callresp.desk.messages import Value
from callresp.errors import UserError
from callresp.reply.rules import RuleSet, rules_from_text

RULES_MAX = 64
_OFF = re.compile(r"switched off; it weighed ([0-9.]+)")

_CLOSE = re.compile(r"^([^#\n].*)\n\[\[rule\]\]", re.MULTILINE)
_TABLES = (Table, InlineTable, tomlkit.TOMLDocument)


class RuleText:
    """A rule file's text, and the set that it describes.

    Parameters
    ----------
    text
        TOML.
    name
        What errors call it.

    Raises
    ------
    UserError
        With line, key and what is allowed there.
    """

    def __init__(self, text: str, name: str) -> None:
        self.text = text
        self.name = name
        self.rules: RuleSet = rules_from_text(text, name)

    def given(self) -> dict[str, object]:
        """What the file itself gives, without defaults."""
        tree: dict[str, object] = tomllib.loads(self.text)
        return tree

    def set_all(self, changes: Iterable[tuple[str, Value]]) -> RuleText:
        """The same with several settings changed, all or none; checked once they all are."""
        document = self._document()
        for key, value in changes:
            _change(document, key, value)
        return self._changed(document)

    def _changed(self, document: tomlkit.TOMLDocument) -> RuleText:
        # A rule that was added or moved stands off from the one before it, as they do by hand.
        text = _CLOSE.sub(r"\1\n\n[[rule]]", tomlkit.dumps(document))
        return RuleText(text, self.name)

    def _document(self) -> tomlkit.TOMLDocument:
        try:
            return tomlkit.parse(self.text)
        except TOMLKitError as fault:
            raise UserError(f"not valid TOML: {fault}", where=self.name) from None

    def set(self, key: str, value: Value) -> RuleText:
        """The same with one setting changed; `None` takes it out, so that its default holds.

        Raises
        ------
        UserError
            When there is no such key, or the value is not allowed.
        """
        return self.set_all([(key, value)])

    def add(self, rule: Mapping[str, Value]) -> RuleText:
        """The same with a rule at the end."""
        document = self._document()
        rows = _rules(document)
        if len(rows) >= RULES_MAX:
            raise UserError(f"{RULES_MAX} rules are enough", where="rule", remedy="remove one")
        fresh = tomlkit.table()
        for name, value in rule.items():
            fresh.add(name, _item(value))
        rows.append(fresh)
        return self._changed(document)

    def remove(self, number: int) -> RuleText:
        """The same without rule `number` (from 1)."""
        document = self._document()
        rows = _rules(document)
        _row(rows, number)
        if len(rows) == 1:
            raise UserError("the last rule stays", where="rule", remedy="switch it off instead")
        del rows[number - 1]
        return self._changed(document)

    def move(self, number: int, to: int) -> RuleText:
        """The same with rule `number` in place `to` (both from 1)."""
        document = self._document()
        rows = _rules(document)
        _row(rows, number)
        _row(rows, to)
        order = [*rows]
        order.insert(to - 1, order.pop(number - 1))
        fresh = tomlkit.aot()
        for row in order:
            fresh.append(row)
        document["rule"] = fresh
        return self._changed(document)

    def switch(self, number: int, on: bool) -> RuleText:
        """The same with rule `number` switched on or off."""
        document = self._document()
        row = _row(_rules(document), number)
        weight = row.get("weight")
        if not on:
            before = 1.0 if weight is None else float(weight)
            if before > 0:
                zero = tomlkit.float_(0.0)
                zero.comment(f"switched off; it weighed {before:g}")
                row["weight"] = zero
            return self._changed(document)
        back = _weighed(row)
        if back == 1.0:
            row.remove("weight")
        else:
            row["weight"] = tomlkit.float_(back)
        return self._changed(document)


def _change(document: tomlkit.TOMLDocument, key: str, value: Value) -> None:
    place, last = _place(document, key, value is not None)
    if value is not None:
        _put(place, last, value)
    elif last in place:
        del place[last]


def _weighed(row: Table) -> float:
    """What a rule that is switched off weighed before; 1 where its comment does not say."""
    weight = row.get("weight")
    if weight is None or float(weight) > 0:
        return 1.0 if weight is None else float(weight)
    found = _OFF.search(weight.trivia.comment) if isinstance(weight, Item) else None
    return float(found[1]) if found else 1.0


def _rules(document: tomlkit.TOMLDocument) -> AoT:
    rows = document["rule"]
    if not isinstance(rows, AoT):
        raise UserError(
            "rules are written as one list", where="rule", remedy="write each below [[rule]]"
        )
    return rows


def _row(rows: AoT, number: int) -> Table:
    if not 1 <= number <= len(rows):
        raise UserError(f"no rule {number}", where="rule", remedy=f"there are {len(rows)}")
    return rows[number - 1]


def _place(
    document: tomlkit.TOMLDocument, key: str, make: bool
) -> tuple[MutableMapping[str, object], str]:
    """The table that a key stands in, made where it is not there yet, and the key's last name."""
    *way, last = key.split(".")
    if not 1 <= len(way) + 1 <= 5 or not all(re.fullmatch(r"[a-z_0-9]+", name) for name in way):
        raise UserError(f"no setting '{key}'", remedy="name it like rule.1.stretch")
    place: Item | tomlkit.TOMLDocument = document
    for name in way:
        if name.isdigit() and isinstance(place, AoT):
            place = _row(place, int(name))
        elif name.isdigit() or not isinstance(place, _TABLES):
            raise UserError(f"no setting '{key}'", remedy="name it like rule.1.stretch")
        elif name in place:
            place = place[name]
        elif make:
            # Within a rule its conditions stand on one line, as they do in the shipped sets.
            place[name] = tomlkit.inline_table() if name == "when" else tomlkit.table()
            place = place[name]
        else:
            return {}, last
    if not isinstance(place, _TABLES):
        raise UserError(f"no setting '{key}'", remedy="name it like rule.1.stretch")
    return place, last


def _put(place: MutableMapping[str, object], name: str, value: Value) -> None:
    """Set a value and keep the comment behind the old one, if there is one."""
    fresh = _item(value)
    old = place.get(name)
    if isinstance(old, Item) and not _OFF.search(old.trivia.comment):
        fresh.trivia.comment, fresh.trivia.comment_ws = old.trivia.comment, old.trivia.comment_ws
    place[name] = fresh


def _item(value: object) -> Item:
    if isinstance(value, dict):
        table = tomlkit.inline_table()
        for name, inner in value.items():
            table.add(name, _item(inner))
        return table
    if isinstance(value, list):
        row = tomlkit.array()
        for inner in value:
            row.append(_item(inner))
        return row
    return tomlkit.item(value)

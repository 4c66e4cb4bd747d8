"""Instruments by what they are, so that one rule set serves any palette.

Wherever a rule names a striker or a turner, it may say what is wanted instead:

===================== ==========================================================
``any``               every striker (for a turner: the first there is)
``any pitched``       those with a strike pitch; so ``any unpitched``
``any block``         those of a kind: tube, bar, bell, plate, block, box; of
                      turners: shaker, wound, fan
``lowest 2``          the two lowest with a strike pitch; so ``highest 3``,
                      and ``lowest`` for one
``lowest unpitched``  the lowest of those without, or of a kind
===================== ==========================================================

A name that the palette has always means that instrument. What is asked for and
not there is told (`missing`), and what a set named after one machine becomes on
another, and loses, too (`carried`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import msgspec

from callresp.io.wording import counted
from callresp.palette.model import Palette, Striker, Turner
from callresp.reply.mapping import cents
from callresp.reply.rules import Rule, RuleSet

_ASKED = re.compile(
    r"(?P<which>any|lowest|highest)(?: (?P<count>[1-9]\d?))?"
    r"(?: (?P<what>pitched|unpitched|tube|bar|bell|plate|block|box|shaker|wound|fan))?"
)
_KEYS = re.compile(r'\b(strikers|unpitched|striker|turner)\s*=\s*(\[[^\]]*\]|"[^"]*")')


def strikers_for(text: str, palette: Palette) -> list[Striker]:
    """The strikers that a name or a wish stands for, lowest first; none where there are none."""
    if (named := palette.striker_named(text)) is not None:
        return [named]
    asked = _ASKED.fullmatch(text)
    if asked is None:
        return []
    what = asked["what"] or ("any" if asked["which"] == "any" else "pitched")
    found = sorted(
        (item for item in palette.striker if _is(item, what)), key=lambda item: item.reference_hz
    )
    if asked["which"] == "any":
        return found
    count = int(asked["count"] or 1)
    return found[:count] if asked["which"] == "lowest" else found[-count:]


def _is(striker: Striker, what: str) -> bool:
    if what in ("pitched", "unpitched"):
        return (striker.pitch_hz is not None) == (what == "pitched")
    return what in ("any", striker.kind)


def turner_for(text: str, palette: Palette) -> Turner | None:
    """The turner that a name or a wish stands for."""
    if (named := palette.turner_named(text)) is not None:
        return named
    asked = _ASKED.fullmatch(text)
    if asked is None or asked["which"] != "any":
        return None
    fitting = (item for item in palette.turner if asked["what"] in (None, item.kind))
    return next(fitting, None)


def bound(rules: RuleSet, palette: Palette) -> RuleSet:
    """The rule set with a palette's own names in place of wishes.

    What the palette has not stays as it is written, so that it plays nothing.
    """
    return msgspec.structs.replace(rules, rule=tuple(_bound(rule, palette) for rule in rules.rule))


def _bound(rule: Rule, palette: Palette) -> Rule:
    turner = turner_for(rule.turner, palette)
    rows = []
    for row in rule.table:
        found = strikers_for(row.striker, palette)
        rows.append(msgspec.structs.replace(row, striker=found[0].name) if found else row)
    return msgspec.structs.replace(
        rule,
        strikers=_names(rule.strikers, palette),
        unpitched=_names(rule.unpitched, palette),
        turner=turner.name if turner else rule.turner,
        table=tuple(rows),
    )


def _names(wanted: Sequence[str], palette: Palette) -> tuple[str, ...]:
    names: list[str] = []
    for text in wanted:
        found = strikers_for(text, palette)
        names += [item.name for item in found if item.name not in names] if found else [text]
    return tuple(names)


def _wanted(rule: Rule) -> Iterable[str]:
    yield from rule.strikers
    yield from rule.unpitched
    yield from (row.striker for row in rule.table)


def missing(rules: RuleSet, palette: Palette) -> list[str]:
    """What the rules ask for and the palette lacks, a line each."""
    told = []
    for rule in rules.rule:
        lacks = [(text, "striker") for text in _wanted(rule) if not strikers_for(text, palette)]
        if rule.turner and turner_for(rule.turner, palette) is None:
            lacks.append((rule.turner, "turner"))
        for text, sort in dict.fromkeys(lacks):
            wish = _ASKED.fullmatch(text) is not None
            asks = f"asks for a {sort}, '{text}'" if wish else f"names '{text}'"
            told.append(f"rule '{rule.name}' {asks}, which {palette.name} has not")
    return told


@dataclass(frozen=True, slots=True)
class Counterparts:
    """What each name becomes on another palette, and what is lost by it, a line each."""

    names: dict[str, str]
    told: tuple[str, ...]


def carried(rules: RuleSet, old: Palette, new: Palette) -> Counterparts:
    """Find the nearest counterparts of the instruments that a rule set names.

    A pitched striker goes to the one of the same rank from low to high; one
    without pitch to the nearest of its kind, or else of any without; a turner
    to one of its kind, or to any.

    Parameters
    ----------
    rules
        A rule set that names instruments.
    old, new
        The palette that it was made for, and the one to go to.
    """
    names: dict[str, str] = {}
    told: list[str] = []
    for text in dict.fromkeys(
        name for rule in rules.rule for name in (*_wanted(rule), rule.turner)
    ):
        if not text or strikers_for(text, new) or turner_for(text, new):
            continue
        striker, turner = old.striker_named(text), old.turner_named(text)
        if striker is not None:
            found = _counterpart(striker, old, new)
            if found is not None:
                names[text] = found.name
                told.append(f"'{text}' becomes '{found.name}'{_off(striker, found)}")
                continue
        elif turner is not None and (
            other := turner_for(f"any {turner.kind}", new) or turner_for("any", new)
        ):
            names[text] = other.name
            told.append(f"'{text}' becomes '{other.name}'{_unlike(turner.kind, other.kind)}")
            continue
        told.append(f"'{text}' has no counterpart: {new.name} has nothing like it")
    return Counterparts(names, (*told, *_merged(names), *_fewer(rules, old, new)))


def _counterpart(striker: Striker, old: Palette, new: Palette) -> Striker | None:
    if striker.pitch_hz is None:
        able = [item for item in new.striker if item.pitch_hz is None]
        able = [item for item in able if item.kind == striker.kind] or able
        reference = striker.reference_hz
        return min(able, key=lambda s: abs(cents(reference, s.reference_hz)), default=None)
    before, after = strikers_for("any pitched", old), strikers_for("any pitched", new)
    if not after:
        return None
    rank = before.index(striker) / max(len(before) - 1, 1)
    return after[round(rank * (len(after) - 1))]


def _off(striker: Striker, found: Striker) -> str:
    if striker.pitch_hz is None or found.pitch_hz is None:
        return _unlike(striker.kind, found.kind)
    moved = cents(striker.pitch_hz, found.pitch_hz)
    way = "higher" if moved > 0 else "lower"
    return f", {abs(moved):.0f} cents {way}{_unlike(striker.kind, found.kind)}"


def _unlike(before: str, after: str) -> str:
    return "" if before == after else f", a {after} for a {before}"


def _merged(names: dict[str, str]) -> Iterable[str]:
    """Names that two instruments had and one has now."""
    for name in dict.fromkeys(names.values()):
        both = [f"'{old}'" for old, new in names.items() if new == name]
        if len(both) > 1:
            yield f"{' and '.join(both)} are no longer apart: all play '{name}'"


def _fewer(rules: RuleSet, old: Palette, new: Palette) -> Iterable[str]:
    """Lines that had more pitches to go to, and voices that strikers no longer have."""
    before, after = (len(strikers_for("any pitched", one)) for one in (old, new))
    if after < before:
        pitches = counted(after, "pitch", "pitches")
        yield f"lines fall on {pitches} that fell on {before}"
    damped, able = (any(s.damper for s in one.striker) for one in (old, new))
    if damped and not able and any(rule.damping != "ring" for rule in rules.rule):
        yield f"{new.name} has no dampers: every note rings"


def renamed(text: str, names: dict[str, str]) -> str:
    """The text of a rule file with instruments renamed, and nothing else touched."""

    def within(found: re.Match[str]) -> str:
        return re.sub(r'"([^"]*)"', lambda name: f'"{names.get(name[1], name[1])}"', found[0])

    return _KEYS.sub(within, text)

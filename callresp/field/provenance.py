"""The palette and the rules of a day, found again by what its log says of them.

A log tells names and a fingerprint. They are looked for among the shipped ones
and among the TOML files beside the log and where the command is run.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from callresp.errors import UserError
from callresp.field.day import FieldDay
from callresp.io.resources import shipped
from callresp.palette.files import fingerprint, load_palette
from callresp.palette.model import Palette
from callresp.reply.rules import RuleSet, load_rules


def palette_of(day: FieldDay) -> tuple[Palette | None, bool]:
    """The palette that a day was played on.

    Returns
    -------
    palette, same
        `None` where none of that name is at hand; `same` is False where the one
        at hand was changed since.
    """
    run = next((run for run in day.runs if run.palette), None)
    if run is None:
        return None, True
    near: Palette | None = None
    for name in _candidates(run.palette, "palettes", day):
        try:
            found = load_palette(name)
        except UserError:
            continue
        if run.palette_sha256 and fingerprint(found) == run.palette_sha256:
            return found, True
        if found.name == run.palette or Path(name).stem == Path(run.palette).stem:
            near = near or found
    return near, near is None or not run.palette_sha256


def rules_of(day: FieldDay) -> dict[str, RuleSet | None]:
    """The rule sets that a day was played by, by name; `None` for one not at hand."""
    found: dict[str, RuleSet | None] = {}
    for name in dict.fromkeys(run.rules for run in day.runs if run.rules):
        found[name] = next(_rules_named(name, day), None)
    return found


def _rules_named(name: str, day: FieldDay) -> Iterator[RuleSet]:
    for candidate in _candidates(name, "rules", day):
        try:
            found = load_rules(candidate)
        except UserError:
            continue
        if found.name == name or candidate == name:
            yield found


def _candidates(name: str, kind: str, day: FieldDay) -> Iterator[str]:
    """Shipped ones of that name first, then files at hand."""
    alike = (name, name.lower(), name.lower().replace(" ", "-"))
    yield from dict.fromkeys(one for one in alike if one in shipped(kind))
    files = [Path(name)] if name.endswith(".toml") else []
    for folder in (day.path.parent, Path()):
        files += sorted(folder.glob("*.toml"))
    yield from dict.fromkeys(str(path) for path in files if path.is_file())

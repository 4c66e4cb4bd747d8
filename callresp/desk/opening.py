"""What the desk needs before anybody looks: the source, and the palette and rules it starts with.

Whatever is wrong with what the user named is told from here, before the page's address is. It is
kept apart from session and chorus, so that little has to be loaded until then.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from callresp.desk.rule_text import RuleText
from callresp.desk.source import Source, open_source
from callresp.io.files import read_text
from callresp.io.resources import find, shipped
from callresp.palette.files import load_palette
from callresp.palette.model import Palette


@dataclass(frozen=True, slots=True)
class Opening:
    """What a session starts with.

    Attributes
    ----------
    source
        What was opened.
    palette_name, palette
        As the user or the source names it.
    rules, rules_file
        The rule set; its file if it lies in the source's folder, else "".
    """

    source: Source
    palette_name: str
    palette: Palette
    rules: RuleText
    rules_file: str


def open_job(path: Path, palette: str = "", rules: str = "") -> Opening:
    """Open a source with a palette and a rule set.

    Parameters
    ----------
    path
        A file, or a folder, of which the first job is opened.
    palette, rules
        What the user names; else what the source says, else the shipped ones.

    Raises
    ------
    UserError
        When one of them can't be opened.
    """
    source = open_source(path)
    name, own = _palette_of(source, palette)
    text, file = _rules_of(source, rules)
    return Opening(source, name, own, text, file)


def _palette_of(source: Source, named: str) -> tuple[str, Palette]:
    if named:
        return named, load_palette(named)
    told = source.palette
    for name in (told, told.lower()):
        if name and name in shipped("palettes"):
            return name, load_palette(name)
        own = source.folder / name
        if name and own.suffix == ".toml" and own.is_file():
            return own.name, load_palette(own)
    return "fettle", load_palette("fettle")


def _rules_of(source: Source, named: str) -> tuple[RuleText, str]:
    name = named or (source.rules if source.rules in shipped("rules") else "answer")
    path = find("rules", name)
    own = path.resolve().parent == source.folder
    return RuleText(read_text(path), path.name), path.name if own else ""

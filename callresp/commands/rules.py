"""``callresp rules``: the shipped rule sets, and a copy of one to make your own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from callresp.commands import ui
from callresp.errors import UserError

if TYPE_CHECKING:
    from callresp.reply.rules import RuleSet

PATH = click.Path(path_type=Path)


@click.command(name="rules")
@click.argument("name", required=False)
@click.option("--copy", "target", type=PATH, help="Copy the rule set to a file of your own.")
@click.option("--for", "palette", help="The palette that it is to be played on: name or TOML file.")
@click.option("--from", "old", help="The palette that it was made for: carry it from there.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(
    name: str | None, target: Path | None, palette: str | None, old: str | None, as_json: bool
) -> None:
    """List the shipped rule sets, show or check one, or copy it to change it.

    With --for it tells which instruments of a palette each rule plays. With
    --from as well, a set that names one machine's instruments is carried to
    another: each name becomes its counterpart there, and what is lost is told.

    \b
    Examples:
      callresp rules                              one line each
      callresp rules shadow --copy mine.toml      then change three settings
      callresp rules mine.toml                    is it sound?
      callresp rules undertow --for pocket        what plays it there?
      callresp rules mine.toml --from fettle --for pocket --copy mine-pocket.toml
    """
    from callresp.io.files import read_text, write_text
    from callresp.io.resources import find, shipped
    from callresp.reply.rules import load_rules

    if name is None:
        sets = [load_rules(each) for each in shipped("rules")]
        for rules in sets:
            if as_json:
                ui.emit({"name": rules.name, "description": rules.description})
            else:
                ui.say(f"{rules.name:14}{rules.description}")
        return
    rules = load_rules(name)
    if old is not None and palette is None:
        raise UserError("says whence, not whither", where="--from", remedy="give --for as well")
    if target is not None:
        if target.exists():
            raise UserError("there already", where=str(target), remedy="choose another name")
        text = read_text(find("rules", name))
        if old is not None and palette is not None:
            text = _carried(rules, text, old, palette)
        write_text(target, text)
        ui.say(f"wrote {target}")
        ui.say(f"next: change it, then callresp audition YOUR.wav --rules {target} --rules {name}")
    elif palette is not None:
        _print_summary(rules, old, palette, as_json)
    elif as_json:
        ui.emit(msgspec.to_builtins(rules))
    else:
        ui.say(read_text(find("rules", name)).rstrip())


def _carried(rules: RuleSet, text: str, old: str, palette: str) -> str:
    """The rule file's text with the new palette's names; tells what becomes of each."""
    from callresp.palette.files import load_palette
    from callresp.reply.selection import carried, renamed

    found = carried(rules, load_palette(old), load_palette(palette))
    for line in found.told:
        ui.say(f"  {line}")
    return renamed(text, found.names)


def _print_summary(rules: RuleSet, old: str | None, palette: str, as_json: bool) -> None:
    """Which instruments of a palette each rule plays, and what the set loses there."""
    from callresp.palette.files import load_palette
    from callresp.reply.selection import bound, carried, missing

    machine = load_palette(palette)
    lost = carried(rules, load_palette(old), machine).told if old is not None else ()
    every = [item.name for item in machine.striker]
    plays = {}
    for rule in bound(rules, machine).rule:
        named = (*rule.strikers, *rule.unpitched, *(row.striker for row in rule.table))
        able = [name for name in dict.fromkeys(named) if name in every]
        turner = [rule.turner] if machine.turner_named(rule.turner) else []
        plays[rule.name] = (able if named else every) + turner
    if as_json:
        ui.emit({"plays": plays, "missing": missing(rules, machine), "lost": lost})
        return
    for name, instruments in plays.items():
        ui.say(f"{name}: {', '.join(instruments) or 'nothing'}")
    for line in (*missing(rules, machine), *lost):
        ui.say(f"  {line}")

"""``callresp rules``, ``callresp fit``: rule sets to list and copy; which mapping suits."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from callresp.commands import options, ui
from callresp.commands.options import PATH
from callresp.errors import UserError

if TYPE_CHECKING:
    from callresp.reply.rules import RuleSet


@click.command(name="rules")
@click.argument("name", required=False)
@click.option("--copy", "target", type=PATH, help="Copy the rule set to a file of your own.")
@click.option("--for", "palette", help="The palette that it is to be played on: name or TOML file.")
@click.option("--from", "old", help="The palette that it was made for: carry it from there.")
@options.json("Print JSON.")
def rules_command(
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


@click.command(name="fit")
@click.argument("heard", type=PATH)
@options.palette
@click.option("--voice", help="Only this voice's phrases.")
@click.option("--most", type=click.IntRange(1, 100), default=6, show_default=True)
@options.json("One JSON object a mapping.")
def fit_command(heard: Path, palette: str, voice: str | None, most: int, as_json: bool) -> None:
    """Search for the mapping and transposition that keep most of the calls.

    Each is scored 0 to 1: 0.6 of the contour kept, 0.25 of different pitches
    kept apart, 0.15 of strikers near the heard pitch, octaves aside.

    \b
    Examples:
      callresp fit dawn.heard.jsonl
      callresp fit dawn.heard.jsonl --palette mine.toml --voice B
    """
    from callresp.io.score import phrases, read_heard
    from callresp.palette.files import load_palette
    from callresp.reply.mapping import fits

    machine = load_palette(palette)
    notes = [n for n in read_heard(heard, ui.look).notes if voice is None or n.voice == voice]
    found = fits(phrases(notes), machine.striker)[:most]
    if not found:
        raise UserError(
            "no pitched note, or no pitched striker", where=str(heard), remedy="try another palette"
        )
    for one in found:
        if as_json:
            ui.emit(asdict(one))
            continue
        ui.say(
            f"{one.fit:.3f}  {one.mapping:8}{one.transpose_cents:+6.0f} cents   contour"
            f" {one.contour:.2f}, apart {one.distinct:.2f}, near {one.near:.2f},"
            f" on {one.strikers} strikers"
        )
    if not as_json:
        best = found[0]
        ui.say("in a rule:")
        ui.say(f'  pitch = "{best.mapping}"')
        ui.say(f"  transpose_cents = {best.transpose_cents:.0f}")
        ui.say(f"lost: {1 - best.contour:.0%} of the contour, {1 - best.distinct:.0%} of the steps")

"""``callresp rules``, ``callresp fit``: rule sets to list and copy; which mapping suits."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import msgspec

from callresp.commands import ui
from callresp.errors import UserError
from callresp.io.files import read_text, write_text
from callresp.io.resources import find, shipped
from callresp.io.score import phrases
from callresp.io.score_files import read_heard
from callresp.io.setting_guide import as_lines, as_markdown, named, settings_of
from callresp.io.wording import counted
from callresp.palette.files import load_palette
from callresp.reply.compose import playable
from callresp.reply.mapping import fits
from callresp.reply.rules import RuleSet, load_rules
from callresp.reply.selection import bound, carried, missing, renamed


def run_rules(
    name: str | None,
    target: Path | None,
    palette: str | None,
    old: str | None,
    key: str | None,
    output: Path | None,
    as_json: bool,
) -> None:
    """List the shipped rule sets, show or check one, or copy it to change it."""
    if key is not None:
        if name or target or palette or old:
            raise UserError("goes with no rule set", where="--settings", remedy="give it alone")
        _tell_settings(key, output, as_json)
        return
    if output is not None:
        raise UserError("nothing to write", where="-o", remedy="give --settings, or --copy FILE")
    if name is None:
        for option, given in (("--for", palette), ("--from", old), ("--copy", target)):
            if given is not None:
                raise UserError(
                    "no rule set is named",
                    where=option,
                    remedy="name one of callresp rules",
                )
        _list_shipped(as_json)
        return
    rules = load_rules(name)
    if old is not None and palette is None:
        raise UserError("says whence, not whither", where="--from", remedy="give --for as well")
    if target is not None:
        _copy(
            name, rules, target, None if old is None or palette is None else (old, palette), as_json
        )
    elif palette is not None:
        _print_summary(rules, old, palette, as_json)
    elif as_json:
        ui.emit(msgspec.to_builtins(rules))
    else:
        ui.say(read_text(find("rules", name)).rstrip())


def _list_shipped(as_json: bool) -> None:
    """The shipped rule sets, one line each."""
    for rules in [load_rules(each) for each in shipped("rules")]:
        if as_json:
            ui.emit({"name": rules.name, "description": rules.description})
        else:
            ui.say(f"{rules.name:14}{rules.description}")


def _tell_settings(key: str, output: Path | None, as_json: bool) -> None:
    """What a rule file may hold, shown or written as a page."""
    found = named(settings_of(RuleSet), key)
    if output is not None:
        if output.suffix != ".md":
            raise UserError("a page is Markdown", where=str(output), remedy="end its name in .md")
        ui.target(output, writes="guide to settings")
        write_text(output, as_markdown("Settings of a rule file", found))
        ui.say(f"wrote {output}")
        return
    for setting in found:
        if as_json:
            ui.emit(setting)
        else:
            ui.say("\n".join(as_lines(setting)))


def _copy(
    name: str, rules: RuleSet, target: Path, machines: tuple[str, str] | None, as_json: bool
) -> None:
    """Write the set as it is, or with the names of the second machine for those of the first."""
    ui.refuse_existing(target)
    text, changes = read_text(find("rules", name)), tuple[str, ...]()
    if machines is not None:
        found = carried(rules, *map(load_palette, machines))
        text, changes = renamed(text, found.names), tuple(found.told)
    write_text(target, text)
    if as_json:
        ui.emit({"written": [str(target)], "changes": changes})
        return
    for line in changes:
        ui.say(f"  {line}")
    ui.say(f"wrote {target}")
    own, other = ui.typed(target), ui.typed(name)
    ui.say(f"next: change it, then callresp audition YOUR.wav --rules {own} --rules {other}")


def _print_summary(rules: RuleSet, old: str | None, palette: str, as_json: bool) -> None:
    """Which instruments of a palette each rule plays, and what the set loses there."""
    machine = load_palette(palette)
    lost = carried(rules, load_palette(old), machine).told if old is not None else ()
    plays = {}
    for rule in bound(rules, machine).rule:
        turner = [rule.turner] if machine.turner_named(rule.turner) else []
        plays[rule.name] = [item.name for item in playable(rule, machine)] + turner
    if as_json:
        ui.emit({"plays": plays, "missing": missing(rules, machine), "lost": lost})
        return
    for name, instruments in plays.items():
        ui.say(f"{name}: {', '.join(instruments) or 'nothing'}")
    for line in (*missing(rules, machine), *lost):
        ui.say(f"  {line}")


def run_fit(heard: Path, palette: str, voice: str | None, most: int, as_json: bool) -> None:
    """Search for the mapping and transposition that keep most of the calls."""
    machine = load_palette(palette)
    notes = read_heard(heard, ui.look).notes
    if voice is not None:
        known = sorted({note.voice for note in notes})
        notes = tuple(note for note in notes if note.voice == voice)
        if not notes:
            raise UserError(
                f"has no voice {voice}", where=str(heard), remedy=f"voices are {', '.join(known)}"
            )
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
            f" on {counted(one.strikers, 'striker')}"
        )
    if not as_json:
        best = found[0]
        ui.say("in a rule:")
        ui.say(f'  pitch = "{best.mapping}"')
        ui.say(f"  transpose_cents = {best.transpose_cents:.0f}")
        ui.say(f"lost: {1 - best.contour:.0%} of the contour, {1 - best.distinct:.0%} of the steps")

"""``callresp rules``: the shipped rule sets, and a copy of one to make your own."""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from callresp.commands import ui
from callresp.errors import UserError

PATH = click.Path(path_type=Path)


@click.command(name="rules")
@click.argument("name", required=False)
@click.option("--copy", "target", type=PATH, help="Copy the rule set to a file of your own.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(name: str | None, target: Path | None, as_json: bool) -> None:
    """List the shipped rule sets, show or check one, or copy it to change it.

    \b
    Examples:
      callresp rules                              one line each
      callresp rules shadow --copy mine.toml      then change three settings
      callresp rules mine.toml                    is it sound?
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
    if target is not None:
        if target.exists():
            raise UserError("there already", where=str(target), remedy="choose another name")
        write_text(target, read_text(find("rules", name)))
        ui.say(f"wrote {target}")
        ui.say(f"next: change it, then callresp audition YOUR.wav --rules {target} --rules {name}")
    elif as_json:
        ui.emit(msgspec.to_builtins(rules))
    else:
        ui.say(read_text(find("rules", name)).rstrip())

"""``callresp rules``, ``callresp fit``: rule sets to list and copy; which mapping suits."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="rules")
@click.argument("name", required=False)
@click.option("--copy", "target", type=PATH, help="Copy the rule set to a file of your own.")
@click.option("--for", "palette", help="The palette that it is to be played on: name or TOML file.")
@click.option("--from", "old", help="The palette that it was made for: carry it from there.")
@click.option(
    "--settings", "key", is_flag=False, flag_value="", help="Tell every setting, or those of a KEY."
)
@options.output("With --settings: the page to write (.md).")
@options.json("Print JSON.")
def rules_command(**given: object) -> None:
    """List the shipped rule sets, show or check one, or copy it to change it.

    With --for it tells which instruments of a palette each rule plays. With
    --from as well, a set that names one machine's instruments is carried to
    another: each name becomes its counterpart there, and what is lost is told.
    With --settings it tells what a rule file may hold: meaning, unit, range,
    default, an example and what that sounds like.

    \b
    Examples:
      callresp rules                              one line each
      callresp rules shadow --copy mine.toml      then change three settings
      callresp rules mine.toml                    is it sound?
      callresp rules undertow --for pocket        what plays it there?
      callresp rules mine.toml --from fettle --for pocket --copy mine-pocket.toml
      callresp rules --settings damping           what can it be, and how does it sound?
      callresp rules --settings -o settings.md    all of them, as a page
    """
    options.call("rules.run_rules", given)


@click.command(name="fit")
@click.argument("heard", type=PATH)
@options.palette
@click.option("--voice", help="Only this voice's phrases.")
@options.whole("--most", (1, 100), default=6)
@options.json("One JSON object a mapping.")
def fit_command(**given: object) -> None:
    """Search for the mapping and transposition that keep most of the calls.

    Each is scored 0 to 1: 0.6 of the contour kept, 0.25 of different pitches
    kept apart, 0.15 of strikers near the heard pitch, octaves aside.

    \b
    Examples:
      callresp fit dawn.heard.jsonl
      callresp fit dawn.heard.jsonl --palette mine.toml --voice B
    """
    options.call("rules.run_fit", given)

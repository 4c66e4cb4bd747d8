"""``callresp try``: one channel after another, each after a yes."""

from __future__ import annotations

import sys

import click

from callresp.commands import options, ui
from callresp.commands.stream import port_of
from callresp.errors import UserError
from callresp.io.score import ReplyHeader, ReplyNote, ReplyScore
from callresp.link.stream import stream
from callresp.palette.files import load_palette
from callresp.plan.planner import make_plan


@click.command(name="try")
@click.option("--port", required=True, help="A serial port, or 'simulated'.")
@options.palette
@click.option("--only", multiple=True, help="Only this instrument; may be given again.")
@options.yes
@options.json("One JSON object a channel.")
def command(port: str, palette: str, only: tuple[str, ...], yes: bool, as_json: bool) -> None:
    """Strike, lift or turn one channel after another, softly, each after a yes.

    What is tried is planned and checked like any plan. Status 1 when the board
    refused something.

    \b
    Examples:
      callresp try --port /dev/ttyACM0 --palette mine.toml
      callresp try --port /dev/ttyACM0 --only "tube 3"
      callresp try --port simulated --yes
    """
    machine = load_palette(palette)
    names = [item.name for item in machine.striker] + [item.name for item in machine.turner]
    unknown = [name for name in only if name not in names]
    if unknown:
        raise UserError(
            f"no '{unknown[0]}' in {machine.name}",
            where="--only",
            remedy=f"one of {', '.join(names)}",
        )
    if port != "simulated":
        ui.confirm(yes)
    elif not yes and not ui.is_terminal(sys.stdin):
        raise UserError("nobody is there to say yes", remedy="add --yes")
    refused = 0
    with port_of(port, machine) as url:
        for name in only or names:
            if not yes and not click.confirm(f"{name}?", default=True, err=True):
                continue
            note = ReplyNote(
                id=0, onset_s=0.5, offset_s=1.3, instrument=name, force=0.2, phrase=0,
                heard=None, heard_phrase=0, rule="try",
            )  # fmt: skip
            checked = make_plan(ReplyScore(header=ReplyHeader(), notes=(note,)), machine)
            report = stream(checked, url).report
            well = report.played == report.commands > 0
            refused += not well
            if as_json:
                ui.emit({"instrument": name, "fates": dict(report.outcomes), "well": well})
            else:
                ui.say(f"{name}: {'done' if well else dict(report.outcomes)}")
    click.get_current_context().exit(1 if refused else 0)

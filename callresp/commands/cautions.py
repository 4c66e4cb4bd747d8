"""The usual cautions, shown where something is about to move, heat or sound."""

from __future__ import annotations

import sys

import click

from callresp.commands import ui
from callresp.errors import UserError
from callresp.link.stream import CAUTIONS


def confirm(yes: bool) -> None:
    """Show the cautions before the first strike, and ask to go on.

    Raises
    ------
    UserError
        When nobody can be asked, or the answer is no.
    """
    for caution in CAUTIONS:
        click.echo(f"caution: {caution}", err=True)
    if yes:
        return
    if not ui.is_terminal(sys.stdin):
        raise UserError("nobody is there to confirm", remedy="read the cautions, then add --yes")
    if not click.confirm("Is the machine clear?", err=True):
        raise UserError("not confirmed, nothing was sent")

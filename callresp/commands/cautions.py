"""The usual cautions, shown where something is about to move, heat or sound."""

from __future__ import annotations

import sys

import click

from callresp.commands import ui
from callresp.errors import UserError

BEFORE_STRIKING = (
    "coils get hot, and strikers and turners move without warning: keep hands, hair and cloth off",
    "fuse the battery at its terminal; stay beside a machine that you run for the first time",
    "bells at arm's length can hurt ears: protect yours",
    "do not disturb wildlife: ask for the permits of the place, keep away from nests, keep quiet"
    " hours; local codes and licensed practice go before anything said here",
)


def confirm(yes: bool) -> None:
    """Show the cautions before the first strike, and ask to go on.

    Raises
    ------
    UserError
        When nobody can be asked, or the answer is no.
    """
    for caution in BEFORE_STRIKING:
        click.echo(f"caution: {caution}", err=True)
    if yes:
        return
    if not ui.is_terminal(sys.stdin):
        raise UserError("nobody is there to confirm", remedy="read the cautions, then add --yes")
    if not click.confirm("Is the machine clear?", err=True):
        raise UserError("not confirmed, nothing was sent")

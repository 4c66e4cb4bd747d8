"""How the scripts of tools/ end: one line and status 2 on a mistake, 130 on Ctrl-C."""

from __future__ import annotations

import os
import sys

import click

from callresp.errors import UserError


def run(command: click.Command) -> None:
    """Run a click command as a script."""
    try:
        command.main(standalone_mode=False)
    except UserError as fault:
        click.echo(f"{command.name}: {fault}", err=True)
        sys.exit(2)
    except click.ClickException as fault:
        fault.show()
        sys.exit(2)
    except (click.Abort, KeyboardInterrupt):
        sys.exit(130)
    except BrokenPipeError:
        # The reader went away (as in `| head`): nothing is wrong.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)

"""What the scripts of tools/ share: plain tables, and how they end."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass, field

import click

from callresp.errors import UserError
from callresp.io.wording import table

Cell = str | float | int | None


@dataclass(slots=True)
class Table:
    """One table; `places` is the number of decimals of its floats."""

    title: str
    header: tuple[str, ...]
    rows: list[tuple[Cell, ...]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    places: int = 3

    def add(self, *cells: Cell) -> None:
        """Add a row."""
        self.rows.append(cells)

    def text(self) -> str:
        """The table as text, the first column to the left and the rest to the right."""
        body = [[_shown(cell, self.places) for cell in row] for row in self.rows]
        under = ["-" * max(map(len, column)) for column in zip(self.header, *body, strict=True)]
        lines = ["", self.title, *table(self.header, under, *body)]
        return "\n".join([*lines, *(f"  {note}" for note in self.notes)])

    def plain(self) -> dict[str, object]:
        """The table for machines."""
        rows = [dict(zip(self.header, row, strict=True)) for row in self.rows]
        return {"title": self.title, "rows": rows, "notes": self.notes}


def run(command: click.Command) -> None:
    """Run a click command as a script: one line and status 2 on a mistake, 130 on Ctrl-C."""
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


def _shown(cell: Cell, places: int) -> str:
    if cell is None:
        return "-"
    if isinstance(cell, float):
        return f"{cell:.{places}f}"
    return str(cell)

"""What the commands share: progress on standard error, plain tables, JSON out."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

import click
import msgspec


class Advance(Protocol):
    """Called with the share done, 0 to 1."""

    def __call__(self, share: float) -> None:
        """Report progress."""


@contextmanager
def progress(label: str) -> Iterator[Advance]:
    """A progress bar on standard error; silent where that is not a terminal."""
    if not sys.stderr.isatty():
        yield lambda share: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def emit(value: object) -> None:
    """Print one JSON object on one line of standard output."""
    click.echo(msgspec.json.encode(value).decode())


def say(text: str = "") -> None:
    """Print a line for a person on standard output."""
    click.echo(text)


def warn(text: str) -> None:
    """Print a warning on standard error."""
    click.echo(f"callresp: note: {text}", err=True)

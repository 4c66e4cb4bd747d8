"""What the commands share: progress on standard error, plain tables, JSON out."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

import click
import msgspec

if TYPE_CHECKING:
    from callresp.link.session import Session


class Advance(Protocol):
    """Called with the share done, 0 to 1, and a note for the end of the line."""

    def __call__(self, share: float, note: str = "") -> None:
        """Report progress."""


class Watch(Protocol):
    """Called with a session of the link and its time."""

    def __call__(self, session: Session, now_s: float) -> None:
        """Look on."""


@contextmanager
def progress(label: str) -> Iterator[Advance]:
    """A progress bar on standard error; silent where that is not a terminal."""
    if not sys.stderr.isatty():
        yield lambda share, note="": None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TimeRemainingColumn(),
        TextColumn("{task.fields[note]}"),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=1.0, note="")
        yield lambda share, note="": bar.update(task, completed=share, note=note)


def emit(value: object) -> None:
    """Print one JSON object on one line of standard output."""
    click.echo(msgspec.json.encode(value).decode())


def say(text: str = "") -> None:
    """Print a line for a person on standard output."""
    click.echo(text)


def warn(text: str) -> None:
    """Print a warning on standard error."""
    click.echo(f"callresp: note: {text}", err=True)

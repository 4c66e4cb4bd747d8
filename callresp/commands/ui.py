"""What the commands share: progress on standard error, cautions, lines and JSON out."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol, TextIO

import click
import msgspec

from callresp.errors import UserError
from callresp.io.kinds import Kind, kind_of, promised_by

# Where a command's context keeps that something needs a look.
LOOK = "callresp.look"


class Advance(Protocol):
    """Called with the share done, 0 to 1, and a note for the end of the line."""

    def __call__(self, share: float, note: str = "") -> None:
        """Report progress."""


@contextmanager
def progress(label: str) -> Iterator[Advance]:
    """A progress bar on standard error; silent where that is not a terminal."""
    if not is_terminal(sys.stderr):
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


def target(output: Path, *inputs: Path | str | None, writes: Kind) -> Path:
    """Look at a file to be written before any work is done for it.

    `inputs` are what the command reads, and what else it writes.

    Raises
    ------
    UserError
        When it is one of `inputs`, a folder, in no folder, not to be written, or
        a file of another kind: nothing is written over but what can be made anew.
    """
    for given in inputs:
        if given is not None and _same(output, Path(given)):
            raise UserError(
                "would write over a file that this command needs",
                where=str(output),
                remedy="give another name",
            )
    if output.is_dir():
        raise UserError("is a folder", where=str(output), remedy="name a file in it")
    if output == Path("-"):
        raise UserError("is no file", where="-", remedy="name one, or print by --json")
    _in_a_folder(output)
    _of_its_kind(output, writes)
    return output


def folder(path: Path) -> None:
    """Make a folder to write into, before any work is done for it."""
    path.mkdir(parents=True, exist_ok=True)
    _may_write(path, path)


def refuse_existing(copy: Path) -> None:
    """A copy to be changed by hand never replaces a file, nor is a folder made for it."""
    if copy.exists():
        raise UserError("there already", where=str(copy), remedy="choose another name")
    _in_a_folder(copy)


def _in_a_folder(output: Path) -> None:
    parent = output.parent
    if not parent.is_dir():
        raise UserError(f"there is no folder {parent}", where=str(output), remedy="make it first")
    _may_write(parent, output)


def _may_write(inside: Path, where: Path) -> None:
    if not os.access(inside, os.W_OK | os.X_OK):
        raise UserError(
            "can't write here", where=str(where), remedy="choose a folder that you may write to"
        )


def _of_its_kind(output: Path, writes: Kind) -> None:
    if output.exists() and not output.is_file():
        raise UserError("is no ordinary file", where=str(output), remedy="give another name")
    held = kind_of(output)
    if output.exists() and output.stat().st_size and held != writes:
        raise UserError(
            f"is a {held or 'file of another kind'}, which a {writes} would write over",
            where=str(output),
            remedy="give another name",
        )
    promised = promised_by(output)
    if writes == "sound file" and output.suffix.lower() != ".wav":
        raise UserError("only WAV is written", where=str(output), remedy="end its name in .wav")
    if writes == "picture" and "picture" not in promised:
        raise UserError(
            f"can't draw a '{output.suffix or output.name}' picture",
            where=str(output),
            remedy="end its name in .png, .svg or .pdf",
        )
    if promised and writes not in promised:
        kind = promised[-1] if len(promised) > 1 else promised[0]
        raise UserError(
            f"a {writes} is no {kind}", where=str(output), remedy="give its name another ending"
        )


def _same(first: Path, second: Path) -> bool:
    try:
        return first.samefile(second)
    except OSError:
        return first.resolve() == second.resolve()


def is_terminal(stream: TextIO | None) -> bool:
    """Whether a standard stream is a terminal; one that was closed before we began is `None`."""
    return stream is not None and stream.isatty()


def confirm(yes: bool) -> None:
    """Show the cautions before the first strike, and ask to go on.

    Raises
    ------
    UserError
        When nobody can be asked, or the answer is no.
    """
    from callresp.link.stream import CAUTIONS

    for caution in CAUTIONS:
        click.echo(f"caution: {caution}", err=True)
    if yes:
        return
    if not is_terminal(sys.stdin):
        raise UserError("nobody is there to confirm", remedy="read the cautions, then add --yes")
    if not click.confirm("Is the machine clear?", err=True):
        raise UserError("not confirmed, nothing was sent")


def emit(value: object) -> None:
    """Print one JSON object on one line of standard output."""
    click.echo(msgspec.json.encode(value).decode())


def say(text: str = "") -> None:
    """Print a line for a person on standard output."""
    click.echo(text)


def typed(word: Path | str) -> str:
    """A file's name as a shell takes it, and not for an option, where a line says what to type."""
    return shlex.quote(f"./{word}" if str(word).startswith("-") else str(word))


def look(text: str) -> None:
    """Print what needs a look on standard error; the command then ends with status 1."""
    click.get_current_context().meta[LOOK] = True
    warn(text)


def warn(text: str) -> None:
    """Print a remark on standard error."""
    click.echo(f"callresp: note: {text}", err=True)

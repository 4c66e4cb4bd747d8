"""Scores as JSON Lines that a person can open and read: a header first, then notes by onset.

A file without its header is still a score: notes alone, as ``callresp transcribe`` prints
them, can be read back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import chain
from pathlib import Path
from typing import TypeVar

import msgspec

from callresp.errors import UserError
from callresp.io.files import read_text, whole_file
from callresp.io.score import (
    VERSION,
    HeardHeader,
    HeardScore,
    Note,
    ReplyHeader,
    ReplyNote,
    ReplyScore,
    Unanswered,
)
from callresp.io.wording import counted

T = TypeVar("T")


def line(value: object) -> str:
    """One value as one line of JSON, without the line feed."""
    return msgspec.json.encode(value).decode()


Header = TypeVar("Header", bound=msgspec.Struct)

_NO_TEXT = "give a score; 'callresp transcribe' makes one of a recording"
_NAMES = {"heard": "a heard score", "reply": "a reply score", "plan": "a plan"}


def write_score(path: Path, header: msgspec.Struct, rows: Iterable[object], count: int) -> None:
    """Write a header and `count` rows as JSON Lines, whole or not at all, a line at a time.

    A day's score is some hundred megabytes: it is never held as one text.

    Parameters
    ----------
    path
        Where to.
    header
        The first line; the count of rows is written into it.
    rows
        The other lines, one value each.
    count
        How many rows there are.

    Raises
    ------
    UserError
        When it can't be written.
    """
    with whole_file(path) as part, part.open("wb") as out:
        for value in chain((msgspec.structs.replace(header, lines=count),), rows):
            out.write(msgspec.json.encode(value) + b"\n")


def read_objects(path: Path) -> list[tuple[str, dict[str, object]]]:
    """Every JSON object of a file with its place ("file, line n").

    Raises
    ------
    UserError
        Names the line that holds none.
    """
    found = []
    for number, text in enumerate(read_text(path, _NO_TEXT).split("\n"), start=1):
        if not text.strip():
            continue
        where = f"{path}, line {number}"
        try:
            value = msgspec.json.decode(text)
        except (msgspec.DecodeError, RecursionError) as fault:
            raise UserError(
                f"not JSON ({fault})", where=where, remedy="give a score in JSON Lines"
            ) from None
        if not isinstance(value, dict):
            raise UserError("not a JSON object", where=where, remedy="give a score in JSON Lines")
        found.append((where, value))
    return found


def convert_line(kind: type[T], value: dict[str, object], where: str) -> T:
    """One line as a value of its kind.

    Parameters
    ----------
    kind
        What it is to be.
    value
        The line, parsed.
    where
        File and line, for errors.

    Raises
    ------
    UserError
        Names the line, and what is wrong in it.
    """
    try:
        return msgspec.convert(value, kind)
    except (msgspec.ValidationError, ValueError) as fault:
        raise UserError(str(fault), where=where, remedy="mend the line or make it anew") from None


def _header(kind: type[Header], value: dict[str, object], want: str, where: str) -> Header:
    own = value.get("score")
    if own != want:
        told = _NAMES.get(str(own), f"'{own}'")
        raise UserError(f"this is {told}", where=where, remedy=f"give {_NAMES[want]}")
    header = convert_line(kind, value, where)
    version = value.get("version", VERSION)
    if isinstance(version, int) and version > VERSION:
        raise UserError("made by a newer callresp", where=where, remedy="update callresp")
    return header


def read_score(
    path: Path,
    want: str,
    kind: type[Header],
    take: Callable[[str, dict[str, object], Header | None], None],
) -> Header | None:
    """Read a score line by line.

    Parameters
    ----------
    path
        The file.
    want
        What it is to be: ``"heard"``, ``"reply"`` or ``"plan"``.
    kind
        The header's type.
    take
        Given each other line: its place ("file, line n"), what it holds, and the header so far.

    Returns
    -------
    msgspec.Struct or None
        The header, where there is one.

    Raises
    ------
    UserError
        When it is something else or of a later version, holds nothing, or lines are missing.
    """
    header, rows = None, 0
    for where, value in read_objects(path):
        if "score" in value:
            header = _header(kind, value, want, where)
        else:
            take(where, value, header)
            rows += 1
    if header is None:
        if not rows:
            raise UserError(
                "holds no score: no header, nor anything else",
                where=str(path),
                remedy="make it again with the command that writes it",
            )
        return None
    promised = getattr(header, "lines", None)
    if promised is not None and rows < promised:
        raise UserError(
            f"holds {rows} of {counted(promised, 'line')}: it was cut",
            where=str(path),
            remedy="make it anew; or, if you took lines out, take 'lines' out of its header",
        )
    return msgspec.structs.replace(header, lines=None)


def write_heard(path: Path, heard: HeardScore) -> None:
    """Write a heard score as JSON Lines, whole or not at all."""
    write_score(path, heard.header, heard.notes, len(heard.notes))


def _unlike(found: dict[int, str], number: int, where: str) -> None:
    """Two notes of one number could not be told apart by what answers or plays them."""
    if number in found:
        raise UserError(
            f"note {number} stands already at {found[number]}", where=where, remedy="number it anew"
        )
    found[number] = where


def read_heard(path: Path, remark: Callable[[str], None] | None = None) -> HeardScore:
    """Read a heard score; `remark` is told what is odd about one that can be used.

    Raises
    ------
    UserError
        Names the file and line that is wrong.
    """
    notes: list[Note] = []
    numbers = dict[int, str]()

    def take(where: str, value: dict[str, object], header: HeardHeader | None) -> None:
        notes.append(convert_line(Note, value, where))
        _unlike(numbers, notes[-1].id, where)
        if header is not None and 0 < header.duration_s < notes[-1].onset_s - 1.0:
            raise UserError(
                f"onset_s {notes[-1].onset_s:g} lies past the recording's end at"
                f" {header.duration_s:g} s",
                where=where,
                remedy="mend the line or make it anew",
            )

    found = read_score(path, "heard", HeardHeader, take)
    if found is None and remark is not None:
        remark(f"{path}: has no header: took the recording to end with its last note")
    header = found or HeardHeader()
    notes.sort(key=lambda note: (note.onset_s, note.id))
    if header.duration_s == 0.0 and notes:
        last = max(note.offset_s for note in notes)
        header = msgspec.structs.replace(header, duration_s=last)
    return HeardScore(header=header, notes=tuple(notes))


def write_reply(path: Path, reply: ReplyScore) -> None:
    """Write a reply score as JSON Lines, whole or not at all."""
    rows = chain(reply.notes, reply.unanswered)
    write_score(path, reply.header, rows, len(reply.notes) + len(reply.unanswered))


def read_reply(path: Path) -> ReplyScore:
    """Read a reply score.

    Raises
    ------
    UserError
        Names the file and line that is wrong.
    """
    notes: list[ReplyNote] = []
    unanswered: list[Unanswered] = []
    numbers = dict[int, str]()

    def take(where: str, value: dict[str, object], header: ReplyHeader | None) -> None:
        if "unanswered" in value:
            unanswered.append(convert_line(Unanswered, value, where))
        else:
            notes.append(convert_line(ReplyNote, value, where))
            _unlike(numbers, notes[-1].id, where)

    header = read_score(path, "reply", ReplyHeader, take) or ReplyHeader()
    notes.sort(key=lambda note: (note.onset_s, note.id))
    return ReplyScore(header=header, notes=tuple(notes), unanswered=tuple(unanswered))

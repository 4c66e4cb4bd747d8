"""Marks made by hand, to hold a detector against.

Goal
----
Let users measure how well a detector does at their own site: they mark some
minutes by hand in any audio editor, and score against that.

Conventions
-----------
Marks are CSV with a header row naming ``onset_s``, ``offset_s`` (or ``start_s``,
``end_s``) and, if wanted, ``label``. An audio editor's label track also reads:
no header, and onset, offset and label between tabs. Spans are the stretches
that were marked at all (same columns); without them the whole recording
counts. Only what starts inside a span, with `MARGIN_S` to either side, is
scored: sound outside was not marked, so finding it is no mistake.

Published sets of marked Bengalese finch song differ in what a mark means:

- Koumura & Okanoya (2016), PLoS ONE 11(7), e0159188, doi
  10.1371/journal.pone.0159188: notes in stretches picked from each recording,
  given as sample positions and lengths; the stretches are the spans.
- Nicholson, Queen & Sober (2017), Bengalese Finch Song Repository, figshare
  4805749: whole bouts of four birds, every syllable marked by hand in a tool
  that first cuts by an amplitude threshold (that last is from memory).

Marks by amplitude threshold open and close a note later and earlier than
marks drawn on a spectrogram, by some milliseconds; at ±10 ms that shows.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from callresp.errors import UserError
from callresp.io.files import read_text
from callresp.io.score import Note

MARGIN_S = 0.1

# What else the two columns may be called.
_NAMES = {"onset_s": ("start_s", "onset", "start"), "offset_s": ("end_s", "offset", "end")}


@dataclass(frozen=True, slots=True)
class Mark:
    """A stretch of a recording, with what was written beside it."""

    onset_s: float
    offset_s: float
    label: str = ""


Timed = Mark | Note
T = TypeVar("T", bound=Timed)


def read_marks(path: Path) -> tuple[Mark, ...]:
    """Read marks (or spans) in order of onset.

    Parameters
    ----------
    path
        CSV or a label track; see the module.

    Raises
    ------
    UserError
        Names the file and line that is wrong.
    """
    rows = list(_rows(path))
    if not rows:
        raise UserError("holds no marks", where=str(path), remedy="give onset_s,offset_s rows")
    return tuple(sorted(rows, key=lambda mark: (mark.onset_s, mark.offset_s)))


def _rows(path: Path) -> Iterator[Mark]:
    text = read_text(path).lstrip("﻿")
    tabs = "\t" in text.split("\n", 1)[0]
    reader = csv.reader(text.splitlines(), delimiter="\t" if tabs else ",")
    columns: dict[str, int] | None = None
    for number, row in enumerate(reader, start=1):
        cells = [cell.strip() for cell in row]
        if not any(cells) or cells[0].startswith(("#", "\\")):
            continue
        where = f"{path}, line {number}"
        if columns is None:
            columns = _columns(cells, where)
            if not _is_number(cells[0]):
                continue
        yield _mark(cells, columns, where)


def _columns(cells: list[str], where: str) -> dict[str, int]:
    if _is_number(cells[0]):
        return {"onset_s": 0, "offset_s": 1, "label": 2}
    written = {name.lower(): place for place, name in enumerate(cells)}
    found = {"label": written.get("label", len(cells))}
    for name, others in _NAMES.items():
        known = [other for other in (name, *others) if other in written]
        if not known:
            raise UserError(
                f"no column '{name}'",
                where=where,
                remedy="head it onset_s,offset_s,label, or put tabs between begin, end and label",
            )
        found[name] = written[known[0]]
    return found


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _mark(cells: list[str], columns: dict[str, int], where: str) -> Mark:
    try:
        onset_s, offset_s = (float(cells[columns[name]]) for name in ("onset_s", "offset_s"))
    except (ValueError, IndexError):
        raise UserError(
            "needs two numbers, onset and offset in seconds", where=where, remedy="mend the line"
        ) from None
    if not (math.isfinite(onset_s) and math.isfinite(offset_s) and 0 <= onset_s <= offset_s):
        raise UserError(
            f"{onset_s:g} to {offset_s:g} s is no stretch of time",
            where=where,
            remedy="give seconds from the start, onset before offset",
        )
    place = columns["label"]
    return Mark(onset_s, offset_s, cells[place] if place < len(cells) else "")


def inside(things: Iterable[T], spans: Iterable[Mark] | None) -> list[T]:
    """Those that start in a span or at most `MARGIN_S` beside one; all without spans."""
    things = list(things)
    if spans is None:
        return things
    wide = [(span.onset_s - MARGIN_S, span.offset_s + MARGIN_S) for span in spans]
    return [thing for thing in things if any(low <= thing.onset_s <= high for low, high in wide)]

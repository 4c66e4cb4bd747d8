"""When a recording began.

Goal
----
Recorders write the time into the name of a file or into its header, each in its own way. A
user may also say it. Without any of these the time of day is unknown, and says so by
`None`.

Conventions
-----------
- What is stated goes first, then the name, then the header: a header is often left as it
  was by a copy, a name is what its owner sees. `header_start` gives the header's own word.
- A time without a zone is the recorder's clock, whatever that was set to.

Sources
-------
Names such as ``SITE_20260512_041500.wav``, ``260512-041500.wav`` and ``2026-05-12 04-15-00``:
common practice, no source. The `bext` chunk's origination date and time: EBU Tech 3285
(2011). Comments ``… at 04:15:00 12/05/2026 (UTC+1) …`` in the INFO list, and the `guan` chunk
with its line ``Timestamp:``: from memory.
"""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

from callresp.errors import UserError
from callresp.io.wav_header import chunks

_NAMES = (
    (re.compile(r"(?<!\d)(\d{8})[_T-](\d{6})(?!\d)"), "%Y%m%d%H%M%S"),
    (
        re.compile(r"(?<!\d)(\d{4}-\d\d-\d\d)[ _T](\d\d[-.:h]\d\d[-.:m]\d\d)(?!\d)"),
        "%Y%m%d%H%M%S",
    ),
    (re.compile(r"(?<!\d)(\d{6})[_T-](\d{6})(?!\d)"), "%y%m%d%H%M%S"),
)
_COMMENT = re.compile(rb"(\d\d:\d\d:\d\d) (\d\d/\d\d/\d{4}) \(UTC([+-]\d{1,2})?(?::?(\d\d))?\)")
_GUANO = re.compile(rb"(?m)^Timestamp: *(\S+)")
# The calendar has no years 0 and 10000: a time close to its ends can't be moved by a day.
_YEARS = range(2, 9999)
# Chunks before the sound that may be long and are not looked into.
_LARGEST_CHUNK = 65536


def start_of(recording: Path, stated: str | None = None) -> datetime | None:
    """Start of a recording: as stated (ISO 8601), else from its name, else from its header.

    Examples
    --------
    >>> from pathlib import Path
    >>> start_of(Path("carr_20260512_041500.wav")).isoformat()
    '2026-05-12T04:15:00'
    >>> start_of(Path("2026-05-12 04-15-00.wav")).isoformat()
    '2026-05-12T04:15:00'

    Raises
    ------
    UserError
        When what was stated is not a time.
    """
    if stated is not None:
        try:
            return read_start(stated)
        except ValueError as fault:
            raise UserError(
                str(fault), argument="start", remedy="write it like 2026-05-12T04:15:00+01:00"
            ) from None
    found = name_start(Path(recording)) or header_start(Path(recording))
    return found if found is None or found.year in _YEARS else None


def read_start(text: str) -> datetime:
    """A start as the headers of scores have it (ISO 8601).

    Raises
    ------
    ValueError
        When it is no time, or one at an end of the calendar.
    """
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"'{text}' is not a time") from None
    if found.year not in _YEARS:
        raise ValueError(f"'{text}' is not in the years {_YEARS[0]} to {_YEARS[-1]}")
    return found


def name_start(recording: Path) -> datetime | None:
    """The time that stands in a file's name."""
    for pattern, form in _NAMES:
        if found := pattern.search(recording.stem):
            digits = re.sub(r"\D", "", found[1] + found[2])
            try:
                return datetime.strptime(digits, form)
            except ValueError:
                continue
    return None


def header_start(recording: Path) -> datetime | None:
    """The time that stands in a WAV file's header; `None` where there is none."""
    try:
        if not recording.is_file():  # a pipe would be waited for
            return None
        with recording.open("rb") as source:
            head = source.read(12)
            if head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
                return None
            for name, length in chunks(source):
                if name in (b"bext", b"LIST", b"guan") and length <= _LARGEST_CHUNK:
                    if found := _in_chunk(name, source.read(length)):
                        return found
                elif name == b"data" and length in (0, 0xFFFFFFFF):
                    return None
    except OSError:
        # A file that can't be read is told where it is opened.
        return None
    return None


def _in_chunk(name: bytes, body: bytes) -> datetime | None:
    try:
        if name == b"bext":
            # After description, originator and its reference: yyyy-mm-dd, hh-mm-ss.
            text = body[320:338].decode("ascii")
            return datetime.strptime(re.sub(r"\D", "", text), "%Y%m%d%H%M%S")
        if name == b"guan" and (found := _GUANO.search(body)):
            return datetime.fromisoformat(found[1].decode("ascii"))
        if name == b"LIST" and (found := _COMMENT.search(body)):
            clock, day, hours, minutes = (part or b"" for part in found.groups())
            zone = f"{int(hours or b'0'):+03d}:{int(minutes or b'0'):02d}"
            text = f"{day.decode()} {clock.decode()} {zone}"
            return datetime.strptime(text, "%d/%m/%Y %H:%M:%S %z")
    except ValueError:
        return None
    return None

"""Places, the recordings made there, and whether their clocks can be believed.

A folder of folders is a place each; a ``places.toml`` gives them names, coordinates, the
zone of the recorder's clock, and how far that clock was ahead::

    [[place]]
    name = "Carr"
    folder = "carr"
    latitude = 54.2
    longitude = -2.8
    zone = "Europe/London"

Findings
--------
Doubled files are left out. Gaps, overlaps, clocks that were never set or jump, and clocks
that followed daylight saving, or did not, are told and left as they are: what a clock
really showed is the owner's to say, by `clock_ahead_s` or by names.
"""

from __future__ import annotations

import hashlib
import itertools
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec

from callresp.errors import UserError
from callresp.io.audio import Recording
from callresp.io.files import named_in_utf8
from callresp.io.kinds import SOUNDS
from callresp.io.settings import load
from callresp.io.starttime import header_start, name_start
from callresp.io.wording import counted, lasting
from callresp.scout.sun import Site

PLACES_FILE = "places.toml"
# A recorder's clock before this was never set.
NEVER_SET = 2005
DISAGREE_S = 120.0
OVERLAP_S = 2.0
PIECE = 65536


class Place(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One place: `clock_ahead_s` is by how much its recorder's clock was fast."""

    name: Annotated[str, msgspec.Meta(min_length=1, max_length=60)]
    folder: str = ""
    latitude: Annotated[float, msgspec.Meta(ge=-90.0, le=90.0)] | None = None
    longitude: Annotated[float, msgspec.Meta(ge=-180.0, le=180.0)] | None = None
    zone: str | None = None
    clock_ahead_s: Annotated[float, msgspec.Meta(ge=-1e9, le=1e9)] = 0.0

    def __post_init__(self) -> None:
        if (self.latitude is None) != (self.longitude is None):
            raise ValueError("'latitude' and 'longitude' go together")
        if "/" in self.name or self.name in (".", ".."):
            raise ValueError("a place's name becomes a folder: leave out '/'")

    @property
    def site(self) -> Site | None:
        """Its coordinates, where they are known."""
        if self.latitude is None or self.longitude is None:
            return None
        return Site(self.latitude, self.longitude)

    @property
    def clock_zone(self) -> tzinfo:
        """The zone of its clock; this computer's where none is given."""
        if self.zone is not None:
            return ZoneInfo(self.zone)
        own = datetime.now().astimezone().tzinfo
        return own or UTC


class _Places(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    place: Annotated[tuple[Place, ...], msgspec.Meta(min_length=1)]


@dataclass(frozen=True, slots=True)
class Source:
    """A recording of a place; `start` has a zone, or is `None` where no time is known."""

    place: Place
    path: Path
    start: datetime | None
    duration_s: float
    fault: str = ""


def load_places(given: Path) -> tuple[tuple[Place, Path], ...]:
    """Places with their folders, from a folder or from a ``places.toml``.

    Raises
    ------
    UserError
        When there are none, or the file is wrong; names file, line and key.
    """
    if given.is_dir() and (given / PLACES_FILE).is_file():
        given = given / PLACES_FILE
    if given.is_file():
        read, source = load(given, _Places)
        for number, place in enumerate(read.place):
            try:
                _ = place.clock_zone
            except (ZoneInfoNotFoundError, ValueError):
                raise source.fault_at(
                    ("place", number, "zone"), f"no zone '{place.zone}'", "write Europe/London"
                ) from None
        doubled = [name for name, n in Counter(p.name for p in read.place).items() if n > 1]
        if doubled:
            raise UserError(f"two places are called '{doubled[0]}'", where=str(given))
        return tuple((place, given.parent / (place.folder or place.name)) for place in read.place)
    if not given.is_dir():
        raise UserError("is no folder", where=str(given), remedy="name a folder of places")
    inside = sorted(one for one in given.iterdir() if one.is_dir() and sounds_in(one))
    if inside:
        return tuple((Place(name=one.name), one) for one in inside)
    if sounds_in(given):
        return ((Place(name=given.resolve().name), given),)
    raise UserError(
        "holds no sound files", where=str(given), remedy="give a folder with a folder a place"
    )


def sounds_in(folder: Path) -> list[Path]:
    """Sound files of a folder and those below it, in order of their names.

    Also those that can't be read here, to be told of; not the companions, named "._" and as
    the file itself, that some computers leave on cards (from memory).

    Raises
    ------
    UserError
        When a name is not in UTF-8: after hours of looking it could not be written down.
    """
    found = (one for one in folder.rglob("*") if one.suffix.lower() in SOUNDS and one.is_file())
    return sorted(named_in_utf8(one) for one in found if not one.name.startswith("._"))


def sound_files(given: Iterable[Path]) -> list[Path]:
    """Sound files, those of folders in order of their names.

    Raises
    ------
    UserError
        When a folder holds none, or a name is not in UTF-8.
    """
    files: list[Path] = []
    for path in given:
        if not path.is_dir():
            files.append(named_in_utf8(path))
            continue
        inside = sounds_in(path)
        if not inside:
            raise UserError("holds no sound files", where=str(path), remedy="name another folder")
        files += inside
    return files


def sources(place: Place, folder: Path) -> list[Source]:
    """The recordings of a place in order of time; those that can't be read have a `fault`.

    Raises
    ------
    UserError
        When the folder is not there.
    """
    if not folder.is_dir():
        raise UserError(f"no folder of place '{place.name}'", where=str(folder))
    found = [_source(place, path) for path in sounds_in(folder)]
    last = datetime.max.replace(tzinfo=UTC)
    return sorted(found, key=lambda one: (one.start or last, one.path))


def _source(place: Place, path: Path) -> Source:
    start = name_start(path) or header_start(path)
    if start is not None:
        start = start if start.tzinfo is not None else start.replace(tzinfo=place.clock_zone)
        start -= timedelta(seconds=place.clock_ahead_s)
    try:
        return Source(place, path, start, Recording(path).duration_s)
    except UserError as fault:
        return Source(place, path, start, 0.0, str(fault))


def without_doubles(found: Iterable[Source]) -> tuple[list[Source], list[str]]:
    """Recordings without those that hold the same sound as another, and what was left out."""
    kept: dict[tuple[int, str], Source] = {}
    told = []
    for one in found:
        key = _content(one.path) if not one.fault else (-len(kept) - 1, str(one.path))
        if key in kept:
            told.append(f"{one.path}: holds the same as {kept[key].path}: left out")
        else:
            kept[key] = one
    return list(kept.values()), told


def _content(path: Path) -> tuple[int, str]:
    """Size, and a digest of the beginning, the middle and the end."""
    size = path.stat().st_size
    digest = hashlib.blake2b(digest_size=16)
    with path.open("rb") as source:
        for at in (0, size // 2, max(0, size - PIECE)):
            source.seek(at)
            digest.update(source.read(PIECE))
    return size, digest.hexdigest()


def findings(found: Sequence[Source], now: datetime | None = None) -> list[str]:
    """What is odd about the clocks and the coverage of one place's recordings."""
    now = now or datetime.now(UTC)
    told = [line for one in found for line in _of_one(one, now)]
    dated = [one for one in found if one.start is not None and _believable(one.start, now)]
    undated = sum(one.start is None and not one.fault for one in found)
    if undated:
        told.append(f"{found[0].place.name}: {counted(undated, 'recording')} without a time of day")
    lengths = sorted(one.duration_s for one in dated)
    usual_s = lengths[len(lengths) // 2] if lengths else 0.0
    pauses = [_pause_s(a, b) for a, b in itertools.pairwise(dated)]
    usual_pause_s = sorted(pauses)[(len(pauses) - 1) // 2] if pauses else 0.0
    for one, following, pause_s in zip(dated, dated[1:], pauses, strict=False):
        told += _between(one, following, pause_s, usual_pause_s, usual_s)
    return told


def _pause_s(one: Source, following: Source) -> float:
    assert one.start is not None
    assert following.start is not None
    # Both in UTC: differences within one zone would leave a change of its clocks out.
    begins = following.start.astimezone(UTC)
    return (begins - one.start.astimezone(UTC)).total_seconds() - one.duration_s


def _believable(start: datetime, now: datetime) -> bool:
    return start.year >= NEVER_SET and start <= now + timedelta(days=1)


def _of_one(one: Source, now: datetime) -> list[str]:
    told = [f"passed over: {one.fault}"] if one.fault else []
    if one.start is None:
        return told
    if one.start.year < NEVER_SET:
        told.append(f"{one.path}: its clock says {one.start:%Y}: it was never set")
    elif not _believable(one.start, now):
        told.append(f"{one.path}: its clock says {one.start:%Y-%m-%d}, which is yet to come")
    named, headed = name_start(one.path), header_start(one.path)
    if named is not None and headed is not None:
        zone = one.place.clock_zone
        apart_s = (
            headed if headed.tzinfo else headed.replace(tzinfo=zone)
        ).timestamp() - named.replace(tzinfo=zone).timestamp()
        if abs(apart_s) > DISAGREE_S:
            told.append(f"{one.path}: name and header are {lasting(abs(apart_s), days=True)} apart")
    return told


def _between(
    one: Source, following: Source, pause_s: float, usual_pause_s: float, usual_s: float
) -> list[str]:
    assert one.start is not None
    assert following.start is not None
    long_s = max(60.0, 2 * usual_pause_s, usual_s)
    jump = following.start.utcoffset() != one.start.utcoffset()
    # A recorder that sleeps between recordings pauses by an hour more or less than it does.
    more_s = pause_s - usual_pause_s
    at = f"{one.place.name}, {following.start:%Y-%m-%d %H:%M}"
    if jump and abs(abs(more_s) - 3600) < max(120.0, long_s / 10):
        return [
            f"{at}: an hour {'missing' if more_s > 0 else 'doubled'} where daylight saving"
            " changed: the recorder's clock did not follow it; give a zone without it, such as"
            " 'Etc/GMT'"
        ]
    if pause_s < -OVERLAP_S:
        return [
            f"{at}: begins {lasting(-pause_s, days=True)} before {one.path.name} has ended: a clock"
            " was set, or two recorders are in one folder"
        ]
    if pause_s > long_s:
        return [f"{at}: nothing for {lasting(pause_s, days=True)} before"]
    return []

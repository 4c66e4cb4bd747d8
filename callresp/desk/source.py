"""What the desk is opened on: a recording, a score, a plan, a field log, or a folder of them.

Whatever it is, a source comes to what was heard, the recording if it is there, and the
palette and rules that it was answered with, if it says so. Nothing outside its folder is
read or written for the page.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import msgspec

from callresp.errors import UserError
from callresp.io.audio import Recording, open_recording
from callresp.io.kinds import Kind, kind_of
from callresp.io.resources import find, shipped
from callresp.io.score import HeardScore
from callresp.io.score_files import read_heard, read_reply
from callresp.io.starttime import start_of
from callresp.plan.files import read_plan
from callresp.synthesis.job_files import SAME_S, beside, find_recording, sibling, stem_of

OPENED: tuple[Kind, ...] = ("sound file", "heard score", "reply score", "plan", "field log")
LISTED_MAX = 500


@dataclass(frozen=True, slots=True)
class Source:
    """What is opened, before anything is heard.

    Attributes
    ----------
    path, folder, name
        The file, the folder that nothing leaves, and the name that the job's files share.
    recording
        `None` where it is not there.
    heard
        The heard score, if one lies beside; `None` to listen anew, or for a field log.
    palette, rules
        Names, "" where the source says nothing of them.
    """

    path: Path
    folder: Path
    name: str
    kind: Kind
    recording: Recording | None
    heard: HeardScore | None
    palette: str
    rules: str


def jobs_in(folder: Path) -> list[Path]:
    """What can be opened in a folder, one file a job: its recording, else what there is of it."""
    found: dict[str, tuple[int, Path]] = {}
    for path in sorted(folder.iterdir())[: 4 * LISTED_MAX]:
        if not path.is_file() or path.name.startswith(".") or ".rehearsal." in path.name:
            continue
        kind = kind_of(path)
        if kind not in OPENED:
            continue
        rank = OPENED.index(kind)
        stem = stem_of(path)
        if stem not in found or rank < found[stem][0]:
            found[stem] = (rank, path)
    return [path for _, path in found.values()][:LISTED_MAX]


def open_source(path: Path) -> Source:
    """Find out what a source is.

    Parameters
    ----------
    path
        A file, or a folder, of which the first job is opened.

    Raises
    ------
    UserError
        When nothing there can be opened.
    """
    if path.is_dir():
        jobs = jobs_in(path)
        if not jobs:
            raise UserError(
                "holds nothing to open",
                where=str(path),
                remedy="give a folder with recordings, scores, plans or field logs",
            )
        path = jobs[0]
    kind = kind_of(path)
    if kind is None or kind == "sound file" or not path.exists():
        return _recorded(path)
    if kind not in OPENED:
        raise UserError(
            f"is a {kind}, which the desk can't open",
            where=str(path),
            remedy="give a recording, a score, a plan, a field log or a folder",
        )
    if kind == "field log":
        return _source(path, kind, None, None, "", "")
    return _scored(path, kind)


def _source(
    path: Path,
    kind: Kind,
    recording: Path | None,
    heard: HeardScore | None,
    palette: str,
    rules: str,
) -> Source:
    sound = None if recording is None else open_recording(recording)
    folder = path.resolve().parent
    return Source(path, folder, stem_of(path), kind, sound, heard, palette, rules)


def _recorded(path: Path) -> Source:
    recording = open_recording(path)
    heard = sibling(path, ".heard.jsonl")
    known = None
    if heard.is_file() and kind_of(heard) == "heard score":
        known = read_heard(heard)
        if abs(known.header.duration_s - recording.duration_s) >= SAME_S:
            known = None
    return _source(path, "sound file", path, known, "", "")


def _scored(path: Path, kind: Kind) -> Source:
    near: Path | None = path
    palette = rules = ""
    known = None
    if kind == "heard score":
        known = read_heard(path)
        name = known.header.recording
    elif kind == "reply score":
        reply = read_reply(path).header
        name, palette, rules = reply.recording, reply.palette, reply.rules
        near = beside(path, reply.heard_file, ".heard.jsonl")
    else:
        plan = read_plan(path).header
        name, palette = plan.recording, plan.palette
        near = beside(path, plan.heard_file, ".heard.jsonl")
        replied = beside(path, plan.reply_file, ".reply.jsonl")
        rules = read_reply(replied).header.rules if replied else ""
    recording = find_recording(path, name)
    if known is None and near is not None:
        known = read_heard(near)
    if known is None and recording is None:
        raise UserError(
            "neither the heard score nor the recording that it came from is beside it",
            where=str(path),
            remedy="put one of them there",
        )
    return _source(path, kind, recording, known, palette, rules)


def hear(source: Source, progress: Callable[[float], None]) -> HeardScore:
    """What was heard: read, or heard now."""
    if source.kind == "field log":
        from callresp.field.day_reader import read_day
        from callresp.field.scores import heard_score

        return heard_score(read_day(source.path))
    if source.heard is not None:
        return source.heard
    assert source.recording is not None
    from callresp.listen.offline import transcribe

    heard = transcribe(source.recording, progress=progress)
    began = start_of(source.recording.path, None)
    if began is None:
        return heard
    header = msgspec.structs.replace(heard.header, start=began.isoformat())
    return msgspec.structs.replace(heard, header=header)


def named_beside(folder: Path, kind: str, name: str) -> str:
    """A rule set or a palette by the name that the page gives: shipped, or a file of the folder.

    Raises
    ------
    UserError
        When there is none, or it lies outside the folder.
    """
    if name in shipped(kind):
        return str(find(kind, name))
    path = inside(folder, name, ".toml")
    if not path.is_file():
        raise UserError(
            f"no '{name}' here", where=kind, remedy=f"shipped are {', '.join(shipped(kind))}"
        )
    return str(path)


def inside(folder: Path, name: str, ending: str) -> Path:
    """A file of the folder by its bare name.

    Raises
    ------
    UserError
        When the name is more than a name, points elsewhere, or has another ending.
    """
    path = folder / name
    plain = Path(name).name == name and not name.startswith(".") and len(name) <= 120
    if not plain or path.suffix != ending or path.resolve().parent != folder.resolve():
        raise UserError(
            f"'{name[:120]}' is no name of a file here",
            remedy=f"give a name without folders that ends in {ending}",
        )
    return path


def toml_files(folder: Path, kind: Kind) -> list[str]:
    """Names of a folder's own files of a kind."""
    found = [path for path in sorted(folder.glob("*.toml"))[:LISTED_MAX] if path.is_file()]
    return [path.name for path in found if kind_of(path) == kind]

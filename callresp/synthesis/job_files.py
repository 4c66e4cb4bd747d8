"""What belongs to a plan or a score, found beside it.

A job's files share a stem: ``dawn.wav``, ``dawn.heard.jsonl``,
``dawn.reply.jsonl``, ``dawn.plan.jsonl``. Given one of them, the others are
looked for in its folder; what the user names goes before what is found.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from callresp.errors import UserError
from callresp.io.audio import open_recording
from callresp.io.files import read_text
from callresp.io.kinds import SOUNDS, Kind, kind_of
from callresp.io.resources import shipped
from callresp.io.score import HeardScore, ReplyScore
from callresp.io.score_files import read_heard, read_reply
from callresp.palette.files import fingerprint, load_palette
from callresp.palette.model import Palette
from callresp.plan.checked_plan import check, require_palette
from callresp.plan.files import read_plan
from callresp.plan.model import Plan

Stage = Literal["heard", "reply", "plan"]
_STAGE_OF: dict[Kind | None, Stage] = {
    "heard score": "heard",
    "reply score": "reply",
    "plan": "plan",
}
_STAGES = ("heard", "reply", "plan", "rehearsal")
# Two lengths this near are one recording's.
SAME_S = 0.5


def stem_of(path: Path) -> str:
    """The name that a job's files share.

    Examples
    --------
    >>> stem_of(Path("a/dawn.plan.jsonl"))
    'dawn'
    """
    name = path.name.removesuffix(".jsonl")
    for stage in _STAGES:
        name = name.removesuffix(f".{stage}")
    return name if path.suffix == ".jsonl" else path.stem


def sibling(path: Path, ending: str) -> Path:
    """The job's file of another kind, beside `path`."""
    return path.with_name(f"{stem_of(path)}{ending}")


def named_after(path: Path, stage: Stage, ending: str) -> Path:
    """What a command writes beside the file that it takes.

    A file of another stage keeps its whole name: it can't be written over
    before it is read, and refused.

    Parameters
    ----------
    path
        The file that the command takes.
    stage
        The stage of the job that it should be of.
    ending
        What the name ends in, in place of the stage's own ending.

    Returns
    -------
    Path
        In the same folder.

    Examples
    --------
    >>> str(named_after(Path("dawn.heard.jsonl"), "heard", ".reply.jsonl"))
    'dawn.reply.jsonl'
    """
    stem = path.name.removesuffix(".jsonl").removesuffix(f".{stage}")
    return path.with_name(f"{stem}{ending}")


def stage_of(path: Path) -> Stage:
    """Whether a file is a heard score, a reply score or a plan.

    Raises
    ------
    UserError
        When it is none of them.
    """
    stage = _STAGE_OF.get(kind_of(path))
    if stage is None:
        read_text(path)  # says what is wrong with a file that can't be read
        raise UserError(
            "no heard score, reply score or plan",
            where=str(path),
            remedy="give a *.jsonl of callresp",
        )
    return stage


def beside(path: Path, named: str, ending: str) -> Path | None:
    """A file of the same job: the one that a header names, or the one of the same stem.

    Parameters
    ----------
    path
        A file of the job.
    named
        What its header names; "" for nothing.
    ending
        Of the file of the same stem.

    Returns
    -------
    Path or None
        `None` where neither is there.
    """
    places = [path.parent / named] if named else []
    places += [sibling(path, ending)]
    return next((place for place in places if place.is_file()), None)


def of_one_recording(path: Path, recording: str, own: str) -> None:
    """Refuse a file that is of another recording than what it is used with.

    Parameters
    ----------
    path
        The file that may not belong.
    recording, own
        Names of the recordings of that file, and of the job; "" where unknown.

    Raises
    ------
    UserError
        When both are known and differ.
    """
    if recording and own and Path(recording).name != Path(own).name:
        raise UserError(
            f"is of '{Path(recording).name}', not of '{Path(own).name}'",
            where=str(path),
            remedy="give files of one job",
        )


@dataclass(frozen=True)
class Job:
    """A plan with what belongs to it; `None` for what isn't there."""

    plan: Plan
    palette: Palette
    recording: Path | None
    heard: HeardScore | None
    reply: ReplyScore | None


def load_job(
    path: Path,
    palette: str | None = None,
    recording: Path | None = None,
    heard: Path | None = None,
    reply: Path | None = None,
) -> Job:
    """Read a plan and what belongs to it.

    The plan is checked again: a rehearsal must not sound better than what the
    board would be let do.

    Parameters
    ----------
    path
        The plan.
    palette
        In place of the one that it was made for: a shipped name or a file.
    recording, heard, reply
        In place of those that lie beside it.

    Returns
    -------
    Job
        All that is there.

    Raises
    ------
    UserError
        For a file that is named but can't be read or is of another recording,
        an unknown palette, or a plan that breaks a limit.
    """
    plan = read_plan(path)
    own = plan.header.recording
    score = sounds = None
    if near := reply or beside(path, plan.header.reply_file, ".reply.jsonl"):
        score = read_reply(near)
        of_one_recording(near, score.header.recording, own)
    if near := heard or beside(path, plan.header.heard_file, ".heard.jsonl"):
        sounds = read_heard(near)
        of_one_recording(near, sounds.header.recording, own)
    if recording is not None:
        _is_the_recording(recording, plan, path)
    machine = find_palette(palette, path, plan, score)
    return Job(
        plan=check(plan, machine).plan,
        palette=machine,
        recording=recording or find_recording(path, own),
        heard=sounds,
        reply=score,
    )


def _is_the_recording(recording: Path, plan: Plan, path: Path) -> None:
    """Refuse a recording of another length than that which the plan was made for."""
    wanted_s = plan.header.duration_s
    lasts_s = open_recording(recording).duration_s
    # Of the same name it may say more than it holds: a recorder that lost power leaves that.
    renamed = recording.name != Path(plan.header.recording).name
    if wanted_s and (lasts_s < wanted_s - SAME_S or (renamed and lasts_s > wanted_s + SAME_S)):
        raise UserError(
            f"is not the recording of {path.name}: it lasts {lasts_s:.1f} s, not {wanted_s:.1f} s",
            where=str(recording),
            remedy="give the one that was answered",
        )


def find_palette(
    named: str | None, path: Path, plan: Plan | None, reply: ReplyScore | None
) -> Palette:
    """The palette that the user names, or the one that a plan or reply was made for.

    Parameters
    ----------
    named
        By the user: a shipped name or a file.
    path
        Of the plan or reply. The palette that it names may be a file in this folder or beside it,
        or a shipped one; a file of a shipped palette's name counts last, unless the plan is its.
    plan, reply
        What was made for it.

    Returns
    -------
    Palette
        The plan's own to the letter, or one that has the reply's instruments, where there is such
        a one.

    Raises
    ------
    UserError
        When it can't be found, or is not the one that the plan was made for.
    """
    if named:
        palette = load_palette(named)
        if plan is not None:
            require_palette(plan, palette)
        return palette
    told = [reply.header.palette if reply else "", plan.header.palette if plan else ""]
    names = [name for text in told if text for name in (text, text.lower())]
    wanted = plan.header.palette_sha256 if plan else ""
    other: Palette | None = None
    for name in dict.fromkeys(names):
        own = [one for one in (Path(name), path.parent / name) if one.suffix == ".toml"]
        found = [str(one) for one in own if one.is_file()]
        found += [name] * (name in shipped("palettes"))
        beside_it = path.parent / f"{name}.toml"
        found += [str(beside_it)] * beside_it.is_file()
        for one in found:
            palette = load_palette(one)
            suits = fingerprint(palette) == wanted if wanted else not _lacking(palette, reply)
            if suits:
                return palette
            other = other or palette
    if other is not None:
        # Of that name, but altered since: the check of the plan says so.
        return other
    which = f"palette '{names[0]}'" if names else "the palette that it was made for"
    raise UserError(
        f"can't find {which}", where=str(path), remedy="name its file", argument="palette"
    )


def refuse_lacking(palette: Palette, path: Path, reply: ReplyScore | None) -> None:
    """Refuse a palette that lacks a reply's instruments.

    Parameters
    ----------
    palette
        That was named or found.
    path
        Of the reply.
    reply
        What is to be played on it.

    Raises
    ------
    UserError
        When it lacks any.
    """
    if lacks := _lacking(palette, reply):
        raise UserError(
            f"{palette.name} has no '{lacks[0]}'",
            where=str(path),
            remedy="give the palette that it was made for",
        )


def find_recording(path: Path, name: str) -> Path | None:
    """The recording of a plan: by the name in its header, or by the stem."""
    places = [Path(name), path.parent / name, path.parent / Path(name).name] if name else []
    places += [sibling(path, ending) for ending in SOUNDS]
    return next((place for place in places if place.is_file()), None)


def _lacking(palette: Palette, reply: ReplyScore | None) -> list[str]:
    """The instruments of a reply that a palette has not."""
    known = {one.name for one in palette.striker} | {one.name for one in palette.turner}
    asked = [note.instrument for note in reply.notes] if reply is not None else []
    return [name for name in asked if name not in known]

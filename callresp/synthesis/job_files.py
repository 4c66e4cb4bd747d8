"""What belongs to a plan or a score, found beside it.

A job's files share a stem: ``dawn.wav``, ``dawn.heard.jsonl``,
``dawn.reply.jsonl``, ``dawn.plan.jsonl``. Given one of them, the others are
looked for in its folder; what the user names goes before what is found.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import msgspec

from callresp.errors import UserError
from callresp.io.files import read_text
from callresp.io.resources import shipped
from callresp.io.score import HeardScore, ReplyScore, read_heard, read_reply
from callresp.palette.files import fingerprint, load_palette
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan, check
from callresp.plan.files import read_plan
from callresp.plan.model import Plan

Kind = Literal["heard", "reply", "plan"]
_STAGES = ("heard", "reply", "plan", "rehearsal")
_SOUNDS = (".wav", ".flac", ".ogg", ".mp3", ".aif", ".aiff", ".w64")


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


def kind_of(path: Path) -> Kind:
    """Whether a file is a heard score, a reply score or a plan, by its header.

    Raises
    ------
    UserError
        When it is none of them.
    """
    for text in read_text(path).splitlines():
        if not text.strip():
            continue
        try:
            value = msgspec.json.decode(text)
        except msgspec.DecodeError:
            break
        found = value.get("score", "heard" if "level_db" in value else None)
        if found in ("heard", "reply", "plan"):
            return found  # type: ignore[no-any-return]
        break
    raise UserError(
        "no heard score, reply score or plan", where=str(path), remedy="give a *.jsonl of callresp"
    )


@dataclass(frozen=True)
class Job:
    """A plan with what belongs to it; `None` for what isn't there."""

    plan: Plan | CheckedPlan
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

    Raises
    ------
    UserError
        For a file that is named but can't be read, an unknown palette, or a
        plan that breaks a limit.
    """
    plan = read_plan(path)
    near_reply = reply or _if_there(sibling(path, ".reply.jsonl"))
    near_heard = heard or _if_there(sibling(path, ".heard.jsonl"))
    score = read_reply(near_reply) if near_reply else None
    machine = find_palette(palette, path, plan, score)
    return Job(
        plan=check(plan, machine),
        palette=machine,
        recording=recording or find_recording(path, plan.header.recording),
        heard=read_heard(near_heard) if near_heard else None,
        reply=score,
    )


def find_palette(
    named: str | None, path: Path, plan: Plan | None, reply: ReplyScore | None
) -> Palette:
    """The palette that the user names, or the one that a plan or reply was made for."""
    if named:
        return load_palette(named)
    told = [reply.header.palette if reply else "", plan.header.palette if plan else ""]
    names = [name for text in told if text for name in (text, text.lower())]
    wanted = plan.header.palette_sha256 if plan else ""
    changed: Palette | None = None
    for name in dict.fromkeys(names):
        own = [Path(name), path.parent / name, path.parent / f"{name}.toml"]
        found = next((item for item in own if item.suffix == ".toml" and item.is_file()), None)
        if found is None and name not in shipped("palettes"):
            continue
        palette = load_palette(found or name)
        if not wanted or fingerprint(palette) == wanted:
            return palette
        changed = changed or palette
    if changed is not None:
        # Of that name, but altered since: the check of the plan says so.
        return changed
    which = f"palette '{names[0]}'" if names else "the palette that it was made for"
    raise UserError(
        f"can't find {which}", where=str(path), remedy="name its file", argument="palette"
    )


def find_recording(path: Path, name: str) -> Path | None:
    """The recording of a plan: by the name in its header, or by the stem."""
    places = [Path(name), path.parent / name, path.parent / Path(name).name] if name else []
    places += [sibling(path, ending) for ending in _SOUNDS]
    return next((place for place in places if place.is_file()), None)


def _if_there(path: Path) -> Path | None:
    return path if path.is_file() else None

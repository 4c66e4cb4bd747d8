"""``callresp voices``: the singers of a heard score, put right by hand."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import msgspec
import numpy as np

from callresp.commands import ui
from callresp.errors import UserError
from callresp.io.score import HeardHeader, HeardScore, Note, phrases
from callresp.io.score_files import read_heard, write_heard
from callresp.io.wording import counted
from callresp.listen.notes import FEATURES, NOTE, voice_name
from callresp.listen.profile import load_profile
from callresp.listen.voices.phrases import phrased
from callresp.synthesis.job_files import named_after

Notes = tuple[Note, ...]


def run(
    heard: Path,
    merge: tuple[tuple[str, str], ...],
    split: tuple[str, ...],
    output: Path | None,
    profile: str | None,
    as_json: bool,
) -> None:
    """List the singers of a heard score, or merge two voices or split one."""
    score = read_heard(heard)
    if output is not None:
        ui.target(output, heard, profile, writes="heard score")
    if merge or split:
        score = closed_by(score, profile)
        score = _changed(score, merge, split, str(heard))
        kept = None if output is not None else kept_beside(heard)
        write_heard(output or heard, score)
        if not as_json:
            ui.say(f"wrote {output or heard}" + (f"; the old one is {kept}" if kept else ""))
    rows = _rows(score)
    if as_json:
        ui.emit([{"voice": name, "notes": n, "phrases": bouts} for name, n, bouts in rows])
        return
    for name, notes, bouts in rows:
        ui.say(f"  voice {name}: {counted(notes, 'note')} in {counted(bouts, 'phrase')}")
    for change in score.header.by_hand:
        ui.say(f"  by hand: {change}")


def _rows(score: HeardScore) -> list[tuple[str, int, int]]:
    """Each voice with its notes and phrases, in the order of names."""
    notes = Counter(note.voice for note in score.notes)
    bouts = Counter(phrase.voice for phrase in phrases(score.notes))
    names = sorted(notes, key=lambda name: (len(name), name))
    return [(name, notes[name], bouts[name]) for name in names]


def _changed(
    score: HeardScore,
    merge: Sequence[tuple[str, str]],
    split: Sequence[str],
    where: str,
) -> HeardScore:
    notes, told = score.notes, list(score.header.by_hand)
    for one, other in merge:
        _known(notes, (one, other), where)
        if one == other:
            raise UserError(f"voice {one} can't be merged with itself", where=where)
        notes = tuple(
            msgspec.structs.replace(note, voice=one) if note.voice == other else note
            for note in notes
        )
        told.append(f"merged {other} into {one}")
    for name in split:
        _known(notes, (name,), where)
        notes, new = _split(notes, name, where)
        told.append(f"split {name} into {name} and {new}")
    header = msgspec.structs.replace(score.header, by_hand=tuple(told))
    return HeardScore(header=header, notes=phrased(notes, header.rest_s, header.longest_phrase_s))


def closed_by(score: HeardScore, profile: str | None) -> HeardScore:
    """The score, its phrases to be closed as another profile says, or as before."""
    if profile is None:
        return score
    given = load_profile(profile)
    header = msgspec.structs.replace(
        score.header, rest_s=given.rest_s, longest_phrase_s=given.longest_phrase_s
    )
    return msgspec.structs.replace(score, header=header)


def kept_beside(path: Path) -> Path:
    """Copy a heard score to a name that is free, beside it, before it is written over."""
    names = (named_after(path, "heard", f".{number}.heard.jsonl") for number in itertools.count(1))
    kept = next(name for name in names if not name.exists())
    kept.write_bytes(path.read_bytes())
    return kept


def kept_if_corrected(path: Path) -> Path | None:
    """Keep a heard score that was corrected by hand, where another is about to replace it."""
    if not path.exists() or not path.stat().st_size:
        return None
    with path.open("rb") as lines:
        header = msgspec.json.decode(lines.readline(), type=HeardHeader)
    return kept_beside(path) if header.by_hand else None


def _known(notes: Notes, names: Sequence[str], where: str) -> None:
    known = {note.voice for note in notes}
    for name in names:
        if name not in known:
            there = ", ".join(sorted(known, key=lambda voice: (len(voice), voice))) or "none"
            raise UserError(f"has no voice {name}", where=where, remedy=f"voices are {there}")


def _split(notes: Notes, name: str, where: str) -> tuple[Notes, str]:
    from callresp.listen.voices.assign import split

    own = [n for n, note in enumerate(notes) if note.voice == name]
    if len(own) < 2:
        raise UserError(f"voice {name} has one note only", where=where)
    rows, features = np.zeros(len(own), NOTE), np.zeros(len(own), FEATURES)
    for row, feature, n in zip(rows, features, own, strict=True):
        note = notes[n]
        for key in ("onset_s", "offset_s", "level_db", "snr_db", "low_hz", "high_hz", "tonality"):
            row[key] = getattr(note, key)
        row["pitch_hz"] = np.nan if note.pitch_hz is None else note.pitch_hz
        feature["start_hz"] = note.track[0][1] if note.track else np.nan
        feature["end_hz"] = note.track[-1][1] if note.track else np.nan
    taken = {note.voice for note in notes}
    new = next(v for v in map(voice_name, range(len(taken) + 1)) if v not in taken)
    parts = {n for n, part in zip(own, split(rows, features).tolist(), strict=True) if part}
    return tuple(
        msgspec.structs.replace(note, voice=new) if n in parts else note
        for n, note in enumerate(notes)
    ), new

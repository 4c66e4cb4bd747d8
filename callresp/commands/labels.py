"""``callresp labels``: a heard score out to an editor of labels, and back."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import msgspec

from callresp.commands import ui
from callresp.commands.voices import closed_by, kept_beside
from callresp.evaluate.annotations import read_marks
from callresp.evaluate.labels import Measure, corrected, labels_of
from callresp.io.audio import level_db, open_recording, stretch_of
from callresp.io.files import write_text
from callresp.io.score import HeardScore
from callresp.io.score_files import read_heard, write_heard
from callresp.io.wording import counted
from callresp.listen.voices.phrases import phrased
from callresp.synthesis.job_files import find_recording, named_after


def run(
    heard: Path,
    labels: Path | None,
    recording: Path | None,
    output: Path | None,
    profile: str | None,
    as_json: bool,
) -> None:
    """Write a heard score as a label track for any audio editor, and take corrections back."""
    score = read_heard(heard)
    if labels is None:
        _write(heard, score, output, as_json)
    else:
        _apply(heard, score, labels, recording, output, profile, as_json)


def _write(heard: Path, score: HeardScore, output: Path | None, as_json: bool) -> None:
    target = ui.target(
        output or named_after(heard, "heard", ".labels.txt"), heard, writes="label track"
    )
    write_text(target, labels_of(score))
    if as_json:
        ui.emit({"labels": str(target), "notes": len(score.notes)})
        return
    ui.say(f"wrote {target}: {counted(len(score.notes), 'label')}")
    ui.say(f"next: callresp labels {ui.typed(heard)} --apply {ui.typed(target)}")


def _apply(
    heard: Path,
    score: HeardScore,
    labels: Path,
    recording: Path | None,
    output: Path | None,
    profile: str | None,
    as_json: bool,
) -> None:
    if output is not None:
        ui.target(output, heard, labels, profile, recording, writes="heard score")
    source = recording or find_recording(heard, score.header.recording)
    measure = None if source is None else level_meter(source)
    mended, done = corrected(score, read_marks(labels), str(labels), measure)
    changed = any(asdict(done).values())
    kept = None
    if changed:
        mended = closed_by(mended, profile)
        notes = phrased(mended.notes, mended.header.rest_s, mended.header.longest_phrase_s)
        mended = msgspec.structs.replace(mended, notes=notes)
        kept = None if output is not None else kept_beside(heard)
    target = output or heard
    if changed or output is not None:
        write_heard(target, mended)
    if as_json:
        ui.emit({"heard": str(target), **asdict(done), "kept": None if kept is None else str(kept)})
        return
    ui.say(f"{labels}: {done}")
    if changed or output is not None:
        ui.say(f"wrote {target}" + (f"; the old one is {kept}" if kept else ""))
        ui.say(f"next: callresp reply {ui.typed(target)}")


def level_meter(recording: Path) -> Measure:
    """Level of stretches of a recording, in dB re a full-scale sine."""
    source = open_recording(recording)
    return lambda from_s, until_s: level_db(stretch_of(source, from_s, until_s))

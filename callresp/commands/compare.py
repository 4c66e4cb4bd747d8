"""``callresp compare``: what several detectors hear in one recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from callresp.commands import ui
from callresp.errors import UserError
from callresp.evaluate.annotations import read_marks
from callresp.evaluate.scoring import WINDOWS_S
from callresp.io.audio import Recording, open_recording
from callresp.io.score_files import write_heard
from callresp.io.wording import counted, table
from callresp.listen.profile import load_profile

if TYPE_CHECKING:
    from callresp.evaluate.compare import Comparison

LONGEST_PICTURE_S = 30.0
SHORTEST_PICTURE_S = 0.05


def run(
    recording: Path | None,
    names: tuple[str, ...],
    as_list: bool,
    labels: Path | None,
    spans: Path | None,
    profile: str | None,
    channel: int | None,
    from_s: float | None,
    to_s: float | None,
    keep: bool,
    output: Path | None,
    as_json: bool,
) -> None:
    """Hear a recording with several detectors: count and draw how they agree."""
    from callresp.evaluate.compare import as_json as to_json
    from callresp.evaluate.compare import compare, default_detectors

    if as_list:
        list_detectors(as_json)
        return
    if recording is None:
        raise UserError("no recording named", remedy="try: callresp compare dawn.wav")
    if spans is not None and labels is None:
        raise UserError("--span without --labels", remedy="give the marks too")
    source = open_recording(recording, channel)
    marks = read_marks(labels) if labels else None
    marked = read_marks(spans) if spans else None
    if output is None and not as_json:
        output = recording.with_suffix(".compare.png")
    if output is not None:
        stretch = _stretch(source, from_s, to_s)
        ui.target(output, recording, labels, spans, profile, writes="picture")
    with ui.progress(f"comparing on {recording.name}") as advance:
        found = compare(
            source, names or default_detectors(), load_profile(profile), marks, marked, advance
        )
    for text in dict.fromkeys(w for own in found.heard for w in own.score.header.warnings):
        (ui.look if text in source.warnings else ui.warn)(f"{recording}: {text}")
    if keep:
        _keep(found, recording)
    if output is not None:
        _draw(output, source, found, stretch)
    if as_json:
        ui.emit(to_json(found))
        return
    print_summary(found, source.duration_s)
    ui.say(f"drew {output}")


def list_detectors(as_json: bool) -> None:
    """Say which detectors there are, and why any is missing."""
    from callresp.listen.detectors.registry import detectors

    for found in detectors():
        if as_json:
            ui.emit(found)
            continue
        ui.say(f"{found.name:<12}{found.about}")
        if found.licence:
            ui.say(f"{'':<12}licence: {found.licence}")
        if found.missing:
            ui.say(f"{'':<12}missing: {found.missing}")


def _keep(found: Comparison, recording: Path) -> None:
    for own in found.heard:
        path = recording.with_suffix(f".{own.name}.heard.jsonl")
        write_heard(path, own.score)
        ui.warn(f"wrote {path}")


def _stretch(
    source: Recording, from_s: float | None, to_s: float | None
) -> tuple[float, float] | None:
    """What is to be drawn; `None` for where detectors differ most.

    Raises
    ------
    UserError
        When there is nothing, told before any detector is run.
    """
    lasts_s = source.duration_s
    if lasts_s < SHORTEST_PICTURE_S:
        raise UserError(
            f"lasts {1000 * lasts_s:.2f} ms, too short to draw",
            where=str(source.path),
            remedy="compare a longer one, or leave the picture out (--json)",
        )
    if from_s is None and to_s is None:
        return None
    start_s = from_s or 0.0
    end_s = min(lasts_s, start_s + LONGEST_PICTURE_S if to_s is None else to_s)
    if end_s - start_s < SHORTEST_PICTURE_S:
        raise UserError(
            f"nothing to draw from {start_s:g} to {end_s:g} s",
            where="--from, --to",
            remedy=f"the recording has {lasts_s:.1f} s",
        )
    return start_s, end_s


def _draw(
    output: Path, source: Recording, found: Comparison, stretch: tuple[float, float] | None
) -> None:
    from callresp.evaluate.compare import telling_stretch
    from callresp.plots.compare import draw_comparison

    stretch = stretch or telling_stretch(found, LONGEST_PICTURE_S, source.duration_s)
    draw_comparison(output, source, found, stretch)


def print_summary(found: Comparison, duration_s: float) -> None:
    """Print a comparison for a person."""
    rows = [
        (
            own.name,
            f"{len(own.score.notes)}",
            f"{alone}",
            f"{duration_s / max(own.taken_s, 1e-6):.1f}",
        )
        for own, alone in zip(found.heard, found.alone, strict=True)
    ]
    for line in table(("detector", "notes", "alone", "times real time"), *rows):
        ui.say(line)
    if len(found.heard) > 1:
        ui.say("\nagreement with each other (F at " + _windows() + ")")
        for a, own in enumerate(found.heard):
            for b in range(a + 1, len(found.heard)):
                figures = "  ".join(f"{table[a, b]:.3f}" for table in found.pairwise)
                ui.say(f"  {own.name} and {found.heard[b].name}: {figures}")
    if found.marks is None:
        return
    ui.say(f"\nagainst {counted(len(found.marks), 'mark')} by hand (F at {_windows()})")
    for own in found.heard:
        if own.against is None:
            continue
        figures = "  ".join(f"{score.f:.3f}" for score in own.against.onsets[: len(WINDOWS_S)])
        text = f"  {own.name}: {figures}; with offsets {own.against.notes.f:.3f}"
        if own.against.bias_ms is not None:
            text += f"; onsets {own.against.bias_ms:+.1f} ms off their marks (median)"
        ui.say(text)


def _windows() -> str:
    return ", ".join(f"±{1000 * window:.0f}" for window in WINDOWS_S) + " ms"

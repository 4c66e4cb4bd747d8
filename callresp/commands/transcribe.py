"""``callresp transcribe``: a recording in, its heard score out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from statistics import median

import click
import msgspec

from callresp.commands import ui
from callresp.commands.voices import kept_if_corrected
from callresp.errors import UserError
from callresp.io.audio import open_recording
from callresp.io.score import HeardHeader, Note
from callresp.io.score_files import line, write_score
from callresp.io.starttime import start_of
from callresp.io.wording import band, counted, lasting
from callresp.levels.a_weighting import note_a_level_db
from callresp.levels.calibration import load_calibration
from callresp.listen.profile import load_profile


def run(
    recording: Path,
    output: Path | None,
    as_json: bool,
    detector: str,
    profile: str | None,
    singers: str | None,
    most_singers: int | None,
    channel: int | None,
    start: str | None,
    calibration: Path | None,
) -> None:
    """Hear a recording: write its notes as a heard score."""
    source = open_recording(recording, channel)
    if output is not None or not as_json:
        output = output or recording.with_suffix(".heard.jsonl")
        ui.target(output, recording, profile, calibration, writes="heard score")
    began = start_of(recording, start)
    settings = load_profile(profile)
    if singers is not None or most_singers is not None:
        if singers == "one" and (most_singers or 1) > 1:
            raise UserError(
                f"one singer can't be up to {most_singers}", remedy="leave out --most-singers"
            )
        settings = msgspec.structs.replace(
            settings,
            singers=singers or settings.singers,
            most_singers=most_singers or (1 if singers == "one" else settings.most_singers),
        )
    from callresp.listen.offline import transcribe_lazily

    with ui.progress(f"hearing {recording.name}") as advance:
        header, notes = transcribe_lazily(source, settings, detector, advance)
    if began is not None:
        header = msgspec.structs.replace(header, start=began.isoformat())
    for warning in header.warnings:
        # A licence is told, too; what is wrong with the recording needs a look.
        (ui.look if warning in source.warnings else ui.warn)(f"{recording}: {warning}")
    if output is not None:
        if kept := kept_if_corrected(output):
            ui.warn(f"{output} was corrected by hand; kept as {kept}")
        write_score(output, header, notes, len(notes))
    if as_json:
        for note in notes:
            click.echo(line(note))
        return
    print_summary(header, notes, output, calibration)


class _VoiceSummary:
    """What the summary tells of a voice."""

    def __init__(self) -> None:
        self.phrases: set[int] = set()
        self.pitches_hz: list[float] = []
        self.levels_db: list[float] = []
        self.weighted_db: list[float] = []


def print_summary(
    header: HeardHeader, notes: Sequence[Note], output: Path | None, calibration: Path | None
) -> None:
    """Tell a person what was heard."""
    offset_db = None
    if calibration is not None:
        offset_db = load_calibration(calibration).offset_db
    ui.say(f"{header.recording}: {lasting(header.duration_s)}, {counted(len(notes), 'note')}")
    voices = _by_voice(notes, offset_db is not None)
    for name in sorted(voices, key=lambda name: (len(name), name)):
        own = voices[name]
        count = len(own.phrases)
        ui.say(
            f"  voice {name}: {counted(len(own.levels_db), 'note')} in {counted(count, 'phrase')},"
            f" {band(own.pitches_hz)}, median level {_median_level(own, offset_db)}"
        )
    if output is not None:
        ui.say(f"wrote {output}")
        if not notes:
            ui.say("nothing was heard: try another --profile, or see why with callresp explain")
            return
        ui.say(f"next: callresp reply {ui.typed(output)}")


def _by_voice(notes: Sequence[Note], weighted: bool) -> dict[str, _VoiceSummary]:
    voices: dict[str, _VoiceSummary] = defaultdict(_VoiceSummary)
    for note in notes:
        voice = voices[note.voice]
        voice.phrases.add(note.phrase)
        voice.levels_db.append(note.level_db)
        if note.pitch_hz is not None:
            voice.pitches_hz.append(note.pitch_hz)
        if weighted:
            voice.weighted_db.append(note_a_level_db(note))
    return voices


def _median_level(own: _VoiceSummary, offset_db: float | None) -> str:
    """The median level of notes as text: of full scale, or as sound pressure and A-weighted."""
    plain = median(own.levels_db)
    if offset_db is None:
        return f"{plain:.0f} dB re full scale"
    weighted = median(own.weighted_db)
    return f"{plain + offset_db:.0f} dB SPL, {weighted + offset_db:.0f} dB(A)"

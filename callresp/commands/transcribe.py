"""``callresp transcribe``: a recording in, its heard score out."""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from callresp.commands import ui
from callresp.score import HeardScore, Note, line, phrases, write_heard
from callresp.sound import open_recording
from callresp.starttime import start_of


@click.command(name="transcribe")
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Heard score to write.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a note, nothing else.")
@click.option("--detector", default="native", show_default=True, help="A second opinion's name.")
@click.option("--profile", help="Listening profile: a shipped name or a TOML file.")
@click.option("--channel", type=click.IntRange(1), help="Listen to this channel only.")
@click.option("--start", help="When the recording began (ISO 8601); else from its file name.")
@click.option(
    "--calibration",
    type=click.Path(path_type=Path),
    help="File from 'callresp calibrate': adds sound pressure levels to the summary.",
)
def command(
    recording: Path,
    output: Path | None,
    as_json: bool,
    detector: str,
    profile: str | None,
    channel: int | None,
    start: str | None,
    calibration: Path | None,
) -> None:
    """Hear a recording: write its notes as a heard score.

    Each note has onset_s, offset_s, pitch_hz (null where it has no pitch),
    level_db (re a full-scale sine), voice, phrase and its pitch track.

    \b
    Examples:
      callresp transcribe dawn.wav                    writes dawn.heard.jsonl
      callresp transcribe dawn.wav --profile frog
      callresp transcribe dawn.wav --json | jq .pitch_hz
      callresp transcribe dawn.wav --detector superflux -o second.heard.jsonl
    """
    from callresp.listen import hear, load_profile

    source = open_recording(recording, channel)
    if output is not None or not as_json:
        output = output or recording.with_suffix(".heard.jsonl")
        ui.target(output, recording, profile, calibration)
    began = start_of(recording, start)
    settings = load_profile(profile) if profile else None
    with ui.progress(f"hearing {recording.name}") as advance:
        heard = hear(source, profile=settings, detector=detector, progress=advance)
    if began is not None:
        header = msgspec.structs.replace(heard.header, start=began.isoformat())
        heard = msgspec.structs.replace(heard, header=header)
    for warning in heard.header.warnings:
        ui.warn(f"{recording}: {warning}")
    if output is not None:
        write_heard(output, heard)
    if as_json:
        for note in heard.notes:
            click.echo(line(note))
        return
    summarise(heard, output, calibration)


def summarise(heard: HeardScore, output: Path | None, calibration: Path | None) -> None:
    """Tell a person what was heard."""
    notes = heard.notes
    offset_db = None
    if calibration is not None:
        from callresp.listen.calibration import load_calibration

        offset_db = load_calibration(calibration).offset_db
    ui.say(f"{heard.header.recording}: {heard.header.duration_s:.1f} s, {len(notes)} notes")
    for voice in sorted({note.voice for note in notes}):
        own = [note for note in notes if note.voice == voice]
        pitched = sorted(note.pitch_hz for note in own if note.pitch_hz is not None)
        band = f"{pitched[0]:.0f} to {pitched[-1]:.0f} Hz" if pitched else "unpitched"
        ui.say(
            f"  voice {voice}: {len(own)} notes in {len(phrases(own))} phrases, {band},"
            f" median level {_median_level(own, offset_db)}"
        )
    if output is not None:
        ui.say(f"wrote {output}")
        ui.say(f"next: callresp reply {output}")


def _median_level(notes: list[Note], offset_db: float | None) -> str:
    """The median level of notes as text: of full scale, or as sound pressure and A-weighted."""
    from statistics import median

    plain = median(note.level_db for note in notes)
    if offset_db is None:
        return f"{plain:.0f} dB re full scale"
    from callresp.listen.weighting import note_a_level_db

    weighted = median(note_a_level_db(note) for note in notes)
    return f"{plain + offset_db:.0f} dB SPL, {weighted + offset_db:.0f} dB(A)"

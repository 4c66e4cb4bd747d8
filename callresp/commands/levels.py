"""``callresp levels``: how loud a recording is, plain and A-weighted."""

from __future__ import annotations

from pathlib import Path

import click

from callresp.commands import options, ui
from callresp.commands.options import PATH
from callresp.io.audio import open_recording


@click.command(name="levels")
@click.argument("recording", type=PATH)
@options.calibration
@options.channel
@options.json()
def command(recording: Path, calibration: Path | None, channel: int | None, as_json: bool) -> None:
    """Measure a recording's mean level, plain and A-weighted (IEC 61672-1).

    Levels are dB re a full-scale sine (AES17), meaned by energy over the whole
    recording. With a calibration they are sound pressure levels too, dB re
    20 µPa and dB(A). For anything that must stand up before an authority, have
    it measured by somebody licensed for it.

    \b
    Examples:
      callresp levels dawn.wav
      callresp levels dawn.wav --calibration tone.calibration.toml
    """
    from callresp.levels.a_weighting import recording_levels_db
    from callresp.levels.calibration import level_report, load_calibration

    chain = load_calibration(calibration) if calibration else None
    source = open_recording(recording, channel)
    with ui.progress(f"measuring {recording.name}") as advance:
        report = level_report(recording_levels_db(source, advance), chain)
    for warning in source.warnings:
        ui.warn(f"{recording}: {warning}")
    if as_json:
        ui.emit(report)
        return
    ui.say(
        f"{recording}: {report['level_dbfs']:.1f} dB of full scale,"
        f" {report['a_level_dbfs']:.1f} dB A-weighted"
    )
    if chain is not None:
        ui.say(
            f"sound pressure: {report['level_db_spl']:.1f} dB SPL, {report['level_dba']:.1f} dB(A)"
        )

"""``callresp levels``, ``callresp calibrate``: how loud a recording is, also as sound pressure."""

from __future__ import annotations

import math
from pathlib import Path

import msgspec

from callresp.commands import ui
from callresp.io.audio import open_recording
from callresp.levels.a_weighting import recording_levels_db
from callresp.levels.calibration import calibrate, level_report, load_calibration, write_calibration


def run_levels(
    recording: Path, calibration: Path | None, channel: int | None, as_json: bool
) -> None:
    """Measure a recording's mean level, plain and A-weighted (IEC 61672-1)."""
    chain = load_calibration(calibration) if calibration else None
    source = open_recording(recording, channel)
    mixed = f"the energy mean of {source.channels} channels" if source.channels > 1 else ""
    if channel is None and chain is not None and source.channels >= (chain.channel or math.inf):
        source = open_recording(recording, chain.channel)
        mixed = f"channel {chain.channel}, the one that was calibrated"
    elif channel is not None:
        mixed = f"channel {channel}"
        if chain is not None and chain.channel not in (None, channel):
            ui.warn(f"channel {chain.channel} was calibrated, not {channel}")
    with ui.progress(f"measuring {recording.name}") as advance:
        report = level_report(recording_levels_db(source, advance), chain)
    for warning in source.warnings:
        ui.look(f"{recording}: {warning}")
    if as_json:
        ui.emit(report)
        return
    ui.say(
        f"{recording}: {report['level_dbfs']:.1f} dB of full scale,"
        f" {report['a_level_dbfs']:.1f} dB A-weighted{f' ({mixed})' if mixed else ''}"
    )
    if chain is not None:
        ui.say(
            f"sound pressure: {report['level_db_spl']:.1f} dB SPL, {report['level_dba']:.1f} dB(A)"
        )


def run_calibrate(
    tone: Path,
    level: float,
    frequency: float,
    about: str,
    channel: int | None,
    output: Path | None,
    as_json: bool,
) -> None:
    """Learn sound pressure from a calibrator's tone recorded through your chain."""
    output = ui.target(output or tone.with_suffix(".calibration.toml"), tone, writes="calibration")
    source = open_recording(tone, channel)
    found = calibrate(source, level, frequency, about)
    write_calibration(output, found)
    if as_json:
        ui.emit(msgspec.structs.asdict(found))
        return
    ui.say(
        f"{tone}: {found.tone_hz:.1f} Hz, steady for {found.steady_s:.1f} s"
        f" within {found.spread_db:.2f} dB"
    )
    ui.say(
        f"{found.tone_level_db:.2f} dB of full scale is {level:g} dB SPL:"
        f" add {found.offset_db:.2f} dB"
    )
    if found.channel is not None:
        ui.say(f"it holds for channel {found.channel} of {source.channels}, where the tone is")
    ui.say(f"wrote {output}")
    ui.say(f"next: callresp transcribe RECORDING --calibration {ui.typed(output)}")

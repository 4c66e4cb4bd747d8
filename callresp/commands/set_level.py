"""``callresp set-level``: a meter for the microphone, before the day begins."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click
import msgspec

from callresp.commands import ui
from callresp.commands.listening import source_of
from callresp.io.audio import Samples
from callresp.io.wording import counted
from callresp.levels.level_meter import LevelMeter, MeterReading
from callresp.listen.profile import load_profile
from callresp.live.sources import AudioSource, SoundInput

if TYPE_CHECKING:
    from callresp.listen.note_stream import NoteStream

TOLD_EVERY_S = 0.2
BAR_FROM_DB, BAR_CELLS = -60.0, 20


def run(
    source: str,
    device: str | None,
    rate: int,
    channels: int,
    channel: int | None,
    profile: str | None,
    plain: bool,
    seconds: float | None,
    as_json: bool,
) -> None:
    """Set the microphone's gain: too quiet, good or clipping, and what to change."""
    listens = load_profile(profile)
    sound = source_of(SoundInput(source, device, rate, channels, channel, speed=0.0))
    meter = LevelMeter(sound.sample_rate_hz, (listens.band_low_hz, listens.band_high_hz))
    engine = None
    if not plain:
        from callresp.listen.note_stream import NoteStream

        engine = NoteStream(sound.sample_rate_hz, listens)
    try:
        lost = _follow(sound, meter, engine, seconds)
    finally:
        sound.close()
    reading = meter.reading()
    if as_json:
        ui.emit({"input": source, "lost_samples": lost, **msgspec.to_builtins(reading)})
    else:
        print_summary(reading, lost)
    click.get_current_context().exit(0 if reading.word == "good" else 1)


def _follow(
    sound: AudioSource, meter: LevelMeter, engine: NoteStream | None, seconds: float | None
) -> int:
    """Meter the sound until it ends, its time is over, or Ctrl-C; returns samples lost."""
    import numpy as np

    lost, told_s = 0, 0.0
    live = ui.is_terminal(sys.stderr)
    waiting: list[Samples] = []
    try:
        for block in sound.blocks():
            meter.push(block.samples)
            lost += block.lost
            waiting.append(block.samples)
            now_s = block.at_s + len(block.samples) / sound.sample_rate_hz
            if now_s - told_s < TOLD_EVERY_S and (seconds is None or now_s < seconds):
                continue
            told_s = now_s
            _listen(meter, engine, np.concatenate(waiting))
            waiting.clear()
            if live:
                click.echo(f"\r\x1b[2K{line(meter.reading())}", nl=False, err=True)
            if seconds is not None and now_s >= seconds:
                break
    except KeyboardInterrupt:
        # A meter is looked at until one has seen enough: that is its ordinary end.
        pass
    if waiting:
        _listen(meter, engine, np.concatenate(waiting))
    if engine is not None:
        for found in engine.push(np.zeros(0, np.float32), last=True):
            meter.heard(found.notes.notes["snr_db"])
    if live:
        click.echo("\r\x1b[2K", nl=False, err=True)
    return lost


def _listen(meter: LevelMeter, engine: NoteStream | None, samples: Samples) -> None:
    if engine is None:
        return
    for found in engine.push(samples):
        meter.heard(found.notes.notes["snr_db"])


def line(reading: MeterReading) -> str:
    """The meter as one line.

    Examples
    --------
    >>> from callresp.levels.level_meter import MeterReading
    >>> line(MeterReading(
    ...     word="good", seconds=3.0, peak_db=-15.0, highest_db=-15.0, level_db=-40.0,
    ...     floor_db=-62.0, low_db=-50.0, clipped=0, notes=4, over_floor_db=22.0, gain_db=0.0,
    ...     advice=()))
    '[###############·····]  peak  -15.0 dB  floor  -62 dB  4 notes, 22 dB over it  good'
    """
    share = (reading.peak_db - BAR_FROM_DB) / -BAR_FROM_DB
    cells = round(BAR_CELLS * min(max(share, 0.0), 1.0))
    floor = "   ?" if reading.floor_db is None else f"{reading.floor_db:4.0f}"
    notes = counted(reading.notes, "note")
    if reading.over_floor_db is not None:
        notes += f", {reading.over_floor_db:.0f} dB over it"
    change = "" if reading.gain_db == 0 else f": gain {reading.gain_db:+.0f} dB"
    return (
        f"[{'#' * cells}{'·' * (BAR_CELLS - cells)}]  peak {reading.peak_db:6.1f} dB"
        f"  floor {floor} dB  {notes}  {reading.word}{change}"
    )


def print_summary(reading: MeterReading, lost: int) -> None:
    """Tell a person what the meter found."""
    ui.say(f"{reading.word}: peak {reading.peak_db:.1f} dB of full scale, {reading.seconds:.0f} s")
    if reading.highest_db > reading.peak_db + 0.5:
        ui.say(f"  highest peak of all {reading.highest_db:.1f} dB")
    if reading.floor_db is not None:
        ui.say(f"  floor of the place {reading.floor_db:.0f} dB in the listening band")
    if reading.clipped:
        ui.say(f"  {counted(reading.clipped, 'clipped sample')}")
    if reading.over_floor_db is not None:
        ui.say(
            f"  {counted(reading.notes, 'note')} heard, {reading.over_floor_db:.0f} dB over the"
            " floor"
        )
    elif reading.word != "no sound":
        ui.say("  no notes heard: judged by what else there is; look again when somebody sings")
    for text in reading.advice:
        ui.say(f"  {text}")
    if lost:
        ui.warn(
            f"{counted(lost, 'sample')} lost on the way: the machine is busy with something else"
        )

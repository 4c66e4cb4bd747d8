"""``callresp self-test``: strike each striker once, listen, and compare with the palette."""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from callresp.commands import options, ui
from callresp.commands.listening import PlayedAndHeard, Recorder, play_and_record
from callresp.errors import UserError
from callresp.field.self_test import judge, measure
from callresp.field.self_test.judge import Verdict
from callresp.field.self_test.schedule import self_test_schedule
from callresp.io.audio import write_wav
from callresp.io.wording import lasting
from callresp.live.sources import SoundInput
from callresp.palette.files import load_palette
from callresp.palette.model import Palette
from callresp.plan.checked_plan import CheckedPlan, check
from callresp.plan.files import write_plan
from callresp.strike_test.capture import read_capture

# Sound after the last stroke, so that it is heard out.
AFTER_S = 2.0
# How well host and sound card are known to each other: buffers on the way.
UNSURE_S = 0.3


def run(
    palette: str,
    port: str | None,
    source: str,
    device: str | None,
    rate: int,
    channels: int,
    recording: Path | None,
    channel: int | None,
    plan_file: Path | None,
    keep: Path | None,
    only: tuple[str, ...],
    yes: bool,
    as_json: bool,
) -> None:
    """Strike each striker once, listen for it, and compare it with the palette."""
    machine = load_palette(palette)
    _known(machine, only)
    checked = check(self_test_schedule(machine, only, palette), machine)
    if plan_file is not None:
        _write_plan(plan_file, palette, checked, as_json)
        return
    if (port is None) == (recording is None):
        raise UserError("give a --port to strike on, or a --recording to judge", where="self-test")
    if keep is not None:
        ui.target(keep, palette, recording, writes="sound file")
    if recording is not None:
        with ui.progress(f"reading {recording.name}"):
            taken = PlayedAndHeard(read_capture(recording, channel), None, 0)
    else:
        assert port is not None
        if port != "simulated":
            ui.confirm(yes)
        sound = SoundInput(source, device, rate, channels, channel, speed=0.0)
        taken = play_and_record(checked, machine, port, Recorder(sound), AFTER_S)
    if keep is not None:
        write_wav(keep, taken.capture.samples, taken.capture.rate_hz)
    began_s = taken.began_s
    about = None if began_s is None else (began_s - UNSURE_S, began_s + UNSURE_S)
    with ui.progress("listening"):
        heard = measure.measure_strokes(taken.capture, checked.plan, machine, about)
        found = judge.judge(heard, machine)
    _print_summary(machine, found, taken, as_json)
    well = all(one.well for one in found) and not taken.refused
    click.get_current_context().exit(0 if well else 1)


def _known(machine: Palette, only: tuple[str, ...]) -> None:
    names = [striker.name for striker in machine.striker]
    if not names:
        raise UserError(f"{machine.name} has no strikers", remedy="add a [[striker]]")
    options.check_only(only, names, machine.name, "striker ")


def _write_plan(path: Path, palette: str, checked: CheckedPlan, as_json: bool) -> None:
    ui.target(path, palette, writes="plan")
    write_plan(path, checked.plan)
    duration_s = checked.plan.header.duration_s
    if as_json:
        ui.emit({"plan": str(path), "duration_s": duration_s})
        return
    ui.say(f"wrote {path}: {lasting(duration_s)}")
    ui.say(f"next: start a recorder, then callresp stream {ui.typed(path)} --port PORT")
    ui.say(f"then: callresp self-test --palette {ui.typed(palette)} --recording RECORDING")


def _print_summary(
    machine: Palette, found: list[Verdict], taken: PlayedAndHeard, as_json: bool
) -> None:
    if as_json:
        strikers = [{**msgspec.to_builtins(one), "well": one.well} for one in found]
        ui.emit(
            {
                "palette": machine.name,
                "recording": taken.capture.name,
                "not_played": taken.refused,
                "strikers": strikers,
            }
        )
        return
    wide = max(len(one.striker) for one in found)
    for one in found:
        ui.say(f"{one.striker.ljust(wide)}  {'well' if one.well else 'LOOK'}  {figures(one)}")
        for fault in one.faults:
            ui.say(f"{' ' * wide}  {fault.kind}: {fault.text}")
    odd = [one.striker for one in found if not one.well]
    ui.say(f"look at {', '.join(odd)}" if odd else "all as the palette knows them")
    for warning in taken.capture.warnings:
        ui.warn(warning)


def figures(one: Verdict) -> str:
    """A striker's figures in a line."""
    parts = []
    if one.pitch_off_cents is not None:
        parts.append(f"{_signed(one.pitch_off_cents, 0)} cents")
    if one.level_db is not None:
        parts.append(f"{_signed(one.level_db, 1)} dB")
    if one.t60_s is not None and one.t60_known_s is not None:
        parts.append(f"T60 {one.t60_s:.2g} of {one.t60_known_s:.2g} s")
    if one.late_ms is not None:
        parts.append(f"{_signed(one.late_ms, 1)} ms")
    return ", ".join(parts)


def _signed(value: float, digits: int) -> str:
    rounded = round(value, digits)
    return f"{rounded:+.{digits}f}" if rounded else f"{0.0:.{digits}f}"

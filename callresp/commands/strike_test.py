"""``callresp strike-test``, ``callresp measure``: the plan of a strike test; its recording."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import click
import msgspec

from callresp.commands import options, ui
from callresp.errors import UserError
from callresp.io.files import read_text, whole_file, write_text
from callresp.io.resources import find
from callresp.io.wording import counted, lasting
from callresp.palette.files import load_palette, palette_of
from callresp.plan.files import read_plan, write_plan
from callresp.plots.strike_test import draw_strike_test
from callresp.strike_test import manual
from callresp.strike_test.analysis import FULL_SCALE_DB, RecordingConditions, measure
from callresp.strike_test.capture import Capture, read_capture, switch_edges
from callresp.strike_test.draft import (
    SAFE_RESTRIKE_MS,
    CoilSupply,
    WiredStriker,
    draft,
    for_test,
    is_draft,
    kinds_given,
)
from callresp.strike_test.protocol import StrikeTestSettings, plan_strike_test
from callresp.strike_test.results import StrikeTestResult
from callresp.strike_test.toml_update import json_report as whole_report
from callresp.strike_test.toml_update import update_palette
from callresp.synthesis.job_files import named_after


def run_strike_test(
    palette: str | None,
    channels: str | None,
    dampers: str | None,
    dampers_off: bool,
    names: str | None,
    volts: float,
    ohms: float,
    damper_ohms: float,
    repeats: int,
    pulses: int,
    runs: int,
    output: Path | None,
    as_json: bool,
) -> None:
    """Write a strike test: every striker soft and hard, slow and fast, free and damped."""
    if (palette is None) == (channels is None):
        raise UserError("give --palette, or --channels if you have none", where="strike-test")
    output = output or Path("strike-test.plan.jsonl")
    beside = named_after(output, "plan", ".toml")
    ui.target(output, palette, writes="plan")
    ui.target(beside, palette, output, writes="palette")
    if palette is not None:
        text = _of_palette(palette, beside)
    else:
        power = CoilSupply(volts=volts, ohms=ohms, damper_ohms=damper_ohms)
        text = _of_channels(channels or "", dampers, names, power, rests_off=dampers_off)
    machine = palette_of(text, beside)
    settings = StrikeTestSettings(
        repeats=repeats, pulses=pulses, runs=runs, known=not is_draft(text)
    )
    known = load_palette(find("palettes", palette)) if palette is not None else machine
    checked, settings = plan_strike_test(known, machine, settings, str(beside))
    # Neither is of use without the other: the palette takes its name once the plan is there.
    with whole_file(beside) as part:
        part.write_text(text, encoding="utf-8")
        write_plan(output, checked.plan)
    plan = checked.plan
    if as_json:
        ui.emit(
            {
                "plan": str(output),
                "palette": str(beside),
                "duration_s": plan.header.duration_s,
                "commands": len(plan.commands),
                "pace": settings.pace,
            }
        )
        return
    ui.say(
        f"{counted(len(machine.striker), 'striker')}, {lasting(plan.header.duration_s)},"
        " all within the limits"
    )
    if settings.pace > 1:
        ui.say(f"  slowed {settings.pace:g} times, so that no coil gets too hot")
    ui.say(f"wrote {output} and {beside}")
    ui.warn("keep hands, hair and cloth off the machine; coils get hot; bells at arm's length hurt")
    ui.say(f"next: start a recorder, then callresp stream {ui.typed(output)} --port PORT")
    ui.say(f"then: callresp measure RECORDING --plan {ui.typed(output)} -o my-palette.toml")


def _of_palette(palette: str, beside: Path) -> str:
    path = find("palettes", palette)
    if not load_palette(path).striker:
        raise UserError("has no strikers to test", where=str(path), remedy="add a [[striker]]")
    if beside.exists() and beside.samefile(path):
        raise UserError(
            "the test's palette would overwrite it", where=str(path), remedy="give another -o"
        )
    return for_test(read_text(path))


def _of_channels(
    channels: str, dampers: str | None, names: str | None, power: CoilSupply, *, rests_off: bool
) -> str:
    numbers = [_channel(part, "--channels") for part in channels.split(",")]
    held = [
        None if p.strip() == "-" else _channel(p, "--dampers")
        for p in (dampers or "").split(",")
        if p.strip()
    ]
    called = [part.strip() for part in (names or "").split(",") if part.strip()]
    for given, option, what in ((held, "--dampers", "dampers"), (called, "--names", "names")):
        if given and len(given) != len(numbers):
            raise UserError(
                f"{len(given)} {what} for {counted(len(numbers), 'channel')}",
                where=option,
                remedy="give one for each" + (", - for none" if what == "dampers" else ""),
            )
    rest = "off" if rests_off else "on"
    wired = [
        WiredStriker(
            name=called[n] if called else f"striker {n + 1}",
            channel=number,
            damper=held[n] if held else None,
            damper_rests=rest,
        )
        for n, number in enumerate(numbers)
    ]
    return draft("my machine", wired, power)


def _channel(part: str, where: str) -> int:
    try:
        number = int(part)
    except ValueError:
        number = -1
    if not 0 <= number <= 63:
        raise UserError(f"'{part.strip()}' is no channel", where=where, remedy="give 0 to 63")
    return number


def run_measure(
    recording: Path,
    plan: Path | None,
    palette: str | None,
    output: Path | None,
    picture: Path | None,
    report: Path | None,
    channel: int | None,
    switch_channel: int | None,
    latency: str | None,
    distance: float,
    full_scale: float | None,
    calibration: Path | None,
    keep: tuple[str, ...],
    as_json: bool,
) -> None:
    """Measure the strikers in a recorded strike test and write their palette."""
    output = output or recording.with_suffix(".palette.toml")
    picture = picture or output.with_suffix(".png")
    report = report or output.with_suffix(".measured.json")
    # The palette that is measured anew may be written over: its comments and values are kept.
    ui.target(output, recording, plan, writes="palette")
    ui.target(picture, recording, plan, output, writes="picture")
    ui.target(report, recording, plan, output, picture, writes="report of measurements")
    own = channel
    if switch_channel is not None and channel is None:
        own = 1 if switch_channel != 1 else 2
    capture = read_capture(recording, own)
    full_scale_db = options.full_scale_db(full_scale, calibration)
    with ui.progress("measuring") as advance:
        if plan is not None:
            known = RecordingConditions(full_scale_db, distance, known_latency=_latency(latency))
            if switch_channel is not None:
                switches = switch_edges(read_capture(recording, switch_channel))
                known = replace(known, switches=switches)
            found, text = _from_plan(capture, plan, palette, known, advance)
        else:
            found, text = _from_hand(capture, palette, full_scale_db, distance, advance)
    written = update_palette(_text_of(output, text), found, str(output), keep)
    write_text(output, written.text)
    whole = whole_report(found, written)
    write_text(report, msgspec.json.format(msgspec.json.encode(whole)).decode() + "\n")
    draw_strike_test(picture, found, output.name)
    grave = any(finding.grave for finding in found.findings)
    if as_json:
        ui.emit({"palette": str(output), "picture": str(picture), **whole})
    else:
        print_summary(found, written.kept)
        if written.absent:
            ui.warn(f"not in {output}, so not written: {', '.join(written.absent)}")
        ui.say(f"wrote {output}, {picture} and {report}")
        ui.say(
            f"next: look at {picture}; callresp sheet {ui.typed(output)} draws the workshop sheet"
        )
    click.get_current_context().exit(1 if grave else 0)


def _text_of(output: Path, text: str) -> str:
    """The palette to fill in: the one that is written over, so that nothing of it is lost."""
    if not output.exists():
        return text
    try:
        load_palette(output)
    except UserError as fault:
        raise UserError(
            f"is no palette that could be filled in: {fault}",
            where=str(output),
            remedy="give another -o",
        ) from None
    return read_text(output)


def _from_plan(
    capture: Capture,
    plan: Path,
    palette: str | None,
    known: RecordingConditions,
    advance: Callable[[float, str], None],
) -> tuple[StrikeTestResult, str]:
    played = read_plan(plan)
    path = _palette_of(plan, palette or played.header.palette)
    text = read_text(path)
    known = replace(known, drafted=is_draft(text), kinds_given=kinds_given(text))
    return measure(capture, played, load_palette(path), known, advance), text


def _palette_of(plan: Path, name: str) -> Path:
    """The palette that a plan names, which may lie beside the plan."""
    if not name:
        raise UserError("the plan names no palette", where=str(plan), remedy="give --palette")
    beside = plan.parent / Path(name).name
    if not Path(name).is_file() and beside.is_file():
        return beside
    return find("palettes", name)


def _latency(text: str | None) -> tuple[str, float] | None:
    if text is None:
        return None
    name, _, number = text.rpartition("=")
    try:
        return name.strip(), float(number)
    except ValueError:
        raise UserError(
            f"'{text}' is no latency", where="--latency", remedy="give it as 'tube 1=11.5'"
        ) from None


def _from_hand(
    capture: Capture,
    palette: str | None,
    full_scale_db: float | None,
    distance_m: float,
    advance: Callable[[float, str], None],
) -> tuple[StrikeTestResult, str]:
    level_db = (full_scale_db or FULL_SCALE_DB) + 20 * math.log10(distance_m)
    path = find("palettes", palette) if palette else None
    found = manual.measure(capture, load_palette(path) if path else None, level_db, advance)
    if path is not None:
        return found, read_text(path)
    wired = [WiredStriker(one.name, number) for number, one in enumerate(found.strikers)]
    title = "Struck by hand: sounds are measured, coils and pulses are placeholders"
    return found, draft("my machine", wired, CoilSupply(), title, SAFE_RESTRIKE_MS)


def print_summary(found: StrikeTestResult, kept: list[tuple[str, str, str]]) -> None:
    """Tell a person what was measured."""
    if not found.by_hand:
        ui.say(
            f"the plan starts {found.offset_s:.3f} s into the recording; clocks differ by"
            f" {found.clock_skew_ppm:.1f} parts in a million"
        )
        ui.say(f"latencies: from {found.latency_from}; levels: {found.level_from}")
    for one in found.strikers:
        parts = [f"{one.name} ({one.kind}):"]
        if one.pitch_hz is not None:
            parts.append(f"{one.pitch_hz.value:.2f} Hz,")
        parts.append(f"{counted(len(one.partials), 'partial')},")
        if one.t60_s is not None:
            parts.append(f"rings {one.t60_s.value:.2f} s,")
        if one.damper is not None and one.damper.damped_t60_s is not None:
            parts.append(f"damped {one.damper.damped_t60_s.value:.2f} s,")
        if one.latency_ms is not None:
            parts.append(f"late by {one.latency_ms.value:.2f} ms,")
        if one.restrike_ms is not None:
            parts.append(f"again after {one.restrike_ms.value:.0f} ms,")
        ui.say("  " + " ".join(parts).rstrip(",:"))
    for finding in found.findings:
        when = "" if finding.at_s is None else f"{finding.at_s:.2f} s: "
        ui.say(f"  {'!' if finding.grave else '-'} {when}{finding.text}")
    for striker, key, measured in kept:
        ui.say(f"  - {striker}: {key} kept by hand; measured {measured}")

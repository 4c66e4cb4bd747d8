"""``callresp check``: a reply score in, a plan out, and what the limits changed."""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from callresp.commands import ui
from callresp.io.score_files import read_reply
from callresp.io.wording import counted
from callresp.plan.files import write_plan
from callresp.plan.model import Change
from callresp.plan.planner import make_plan
from callresp.plan.summary import ChangeGroup, HottestCoil, Summary, grouped, summarise
from callresp.synthesis.job_files import find_palette, named_after


def run(
    reply: Path, palette: str | None, output: Path | None, as_json: bool, list_changes: bool
) -> None:
    """Hold a reply against the machine: make a plan, list what changed."""
    output = ui.target(
        output or named_after(reply, "reply", ".plan.jsonl"), reply, palette, writes="plan"
    )
    asked = read_reply(reply)
    machine = find_palette(palette, reply, None, asked)
    with ui.progress("planning") as advance:
        checked = make_plan(asked, machine, advance)
    header = msgspec.structs.replace(checked.plan.header, reply_file=reply.name)
    write_plan(output, msgspec.structs.replace(checked.plan, header=header))
    figures = summarise(checked)
    if as_json:
        groups = msgspec.to_builtins(grouped(checked.plan.changes))
        ui.emit({"plan": str(output), **msgspec.to_builtins(figures), "groups": groups})
    else:
        print_summary(figures, checked.plan.changes, list_changes)
        ui.say(f"wrote {output}")
        ui.say(f"next: callresp rehearse {ui.typed(output)}")
    click.get_current_context().exit(1 if checked.plan.changes else 0)


def print_summary(figures: Summary, changes: tuple[Change, ...], every: bool) -> None:
    """Tell a person what the plan asks of the machine."""
    ui.say(
        f"{figures.palette}: {counted(figures.strikes, 'strike')},"
        f" {counted(figures.holds, 'damper move')},"
        f" {counted(figures.turns, 'turn')} in {_clock(figures.duration_s)}"
    )
    for name, count in figures.strikes_by_instrument.items():
        ui.say(f"  {name}: {count}")
    if every:
        for change in changes:
            ui.say(f"  {describe(change)}")
    elif changes:
        for group in grouped(changes):
            ui.say(f"  {group.count} {group.change}: {_group(group)}")
    else:
        ui.say("  all as asked")
    if changes and all(change.limit == "striker.name" for change in changes):
        ui.warn("this reply was made for other strikers: answer anew, callresp reply --palette")
    ui.say(
        f"  peak {figures.peak_current_a:.2f} A; {figures.energy_wh:.3f} Wh,"
        f" {figures.strike_j:.2f} J a strike"
    )
    _print_battery(figures)
    if figures.hottest is not None:
        _print_hottest(figures.hottest)
    ui.warn("coils, batteries and moving parts can hurt: see the cautions in the README")


def _group(group: ChangeGroup) -> str:
    text = group.why
    if group.largest is not None and group.change != "dropped":
        text += f", by up to {_amount(group.largest, group.unit)}"
    return f"{text}, first at {_clock(group.first_s)} [{group.limit}]"


def _amount(value: float, unit: str) -> str:
    if unit == "s" and value < 1:
        return f"{value * 1000:.3g} ms"
    return f"{value:.3g} {unit}"


def _print_battery(figures: Summary) -> None:
    if figures.battery_hours is None:
        return
    after = ""
    if figures.duration_s > 600:
        after = f", {figures.hours_left:.1f} h left after it, at {figures.end_v:.1f} V"
    ui.say(f"  battery: {figures.battery_hours:.1f} h at this pace{after}")
    if figures.stop_s is not None:
        ui.say(
            f"  the battery must stop at {_clock(figures.stop_s)}: what comes later is dropped;"
            " change or charge it before"
        )


def _clock(seconds: float) -> str:
    if seconds < 600:
        return f"{seconds:.1f} s"
    minutes = int(seconds // 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def _print_hottest(hot: HottestCoil) -> None:
    softer = f", {hot.force_loss_db:.1f} dB softer" if hot.force_loss_db >= 0.05 else ""
    ui.say(
        f"  hottest coil: {hot.instrument}, {hot.temperature_c:.0f} of {hot.limit_c:.0f} °C{softer}"
    )
    if hot.hot_to_touch:
        ui.warn("that coil burns skin: let the machine stand for some minutes before you touch it")


def describe(change: Change) -> str:
    """One change in one line."""
    text = f"{change.at_s:.3f} s, note {change.reply} {change.change}: {change.why}"
    if change.asked is not None and change.given is not None:
        verb = "allowed" if change.change == "dropped" else "given"
        text += f" (asked {change.asked:g} {change.unit}, {verb} {change.given:g} {change.unit})"
    return f"{text} [{change.limit}]"

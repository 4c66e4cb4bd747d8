"""``callresp check``: a reply score in, a plan out, and what the limits changed."""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from callresp.commands import ui
from callresp.plan.model import Change
from callresp.plan.planner import PREFERENCE
from callresp.plan.summary import Summary


@click.command(name="check", epilog=PREFERENCE)
@click.argument("reply", type=click.Path(path_type=Path))
@click.option("--palette", help="A shipped name or a TOML file; else the reply's own.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Plan to write.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option("--changes", "list_changes", is_flag=True, help="List every change, not the sums.")
def command(
    reply: Path, palette: str | None, output: Path | None, as_json: bool, list_changes: bool
) -> None:
    """Hold a reply against the machine: make a plan, list what changed.

    Ends with status 0 when all is played as asked, 1 when something had to be
    changed or dropped.

    \b
    Examples:
      callresp check dawn.reply.jsonl                 writes dawn.plan.jsonl
      callresp check dawn.reply.jsonl --palette mine.toml --changes
      callresp check dawn.reply.jsonl --json | jq .battery_hours
    """
    from callresp.palette import load_palette
    from callresp.plan import make_plan, write_plan
    from callresp.plan.summary import summarise
    from callresp.score import read_reply

    asked = read_reply(reply)
    machine = load_palette(palette or asked.header.palette or "fettle")
    checked = make_plan(asked, machine)
    output = output or _beside(reply)
    write_plan(output, checked.plan)
    figures = summarise(checked)
    if as_json:
        ui.emit({"plan": str(output), **msgspec.to_builtins(figures)})
    else:
        tell(figures, checked.plan.changes, list_changes)
        ui.say(f"wrote {output}")
        ui.say(f"next: callresp rehearse {output}")
    click.get_current_context().exit(1 if checked.plan.changes else 0)


def _beside(reply: Path) -> Path:
    stem = reply.name.removesuffix(".jsonl").removesuffix(".reply")
    return reply.with_name(f"{stem}.plan.jsonl")


def tell(figures: Summary, changes: tuple[Change, ...], every: bool) -> None:
    """Tell a person what the plan asks of the machine."""
    ui.say(
        f"{figures.palette}: {figures.strikes} strikes, {figures.holds} damper moves,"
        f" {figures.turns} turns in {figures.duration_s:.0f} s"
    )
    for name, count in figures.strikes_by_instrument.items():
        ui.say(f"  {name}: {count}")
    if every:
        for change in changes:
            ui.say(f"  {account(change)}")
    elif changes:
        for kind, count in figures.changes.items():
            ui.say(f"  {count} {kind}")
    else:
        ui.say("  all as asked")
    life = "" if figures.battery_hours is None else f", {figures.battery_hours:.1f} h at this pace"
    ui.say(f"  peak {figures.peak_current_a:.2f} A, {figures.energy_wh:.3f} Wh{life}")
    if figures.hottest is not None:
        hot = figures.hottest
        weaker = f", {hot.force_loss_db:.1f} dB weaker" if hot.force_loss_db >= 0.05 else ""
        ui.say(
            f"  hottest coil: {hot.instrument}, {hot.temperature_c:.0f} of"
            f" {hot.limit_c:.0f} °C{weaker}"
        )
    ui.warn("coils, batteries and moving parts can hurt: see the cautions in the README")


def account(change: Change) -> str:
    """One change in one line."""
    text = f"{change.at_s:.3f} s, note {change.reply} {change.change}: {change.why}"
    if change.asked is not None and change.given is not None:
        verb = "allowed" if change.change == "dropped" else "given"
        text += f" (asked {change.asked:g} {change.unit}, {verb} {change.given:g} {change.unit})"
    return f"{text} [{change.limit}]"

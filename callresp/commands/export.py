"""``callresp export``: scores and plans in, a Standard MIDI File out."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from callresp.commands import options, ui
from callresp.commands.options import PATH
from callresp.errors import UserError


@click.command(name="export")
@click.argument("scores", type=PATH, nargs=-1, required=True)
@options.output("MIDI file to write; else beside the first score.")
@options.own_palette("plan's or reply's")
@click.option(
    "--tuning",
    type=click.Choice(["bend", "mts"]),
    default="bend",
    show_default=True,
    help="Reach the strikers' pitches by pitch bend or by MIDI Tuning Standard.",
)
@click.option("--alone", is_flag=True, help="Only what is named: take nothing from beside it.")
@options.json()
def command(
    scores: tuple[Path, ...],
    output: Path | None,
    palette: str | None,
    tuning: str,
    alone: bool,
    as_json: bool,
) -> None:
    """Write scores as a Standard MIDI File.

    Give a heard score, a reply or a plan, or several of one recording; to a
    plan or reply given alone the heard score beside it is added. A beat is a
    second. Each voice and each striker has its own track; a damped note ends
    where its damper falls, a free one rings its time.

    \b
    Examples:
      callresp export dawn.plan.jsonl                 writes dawn.mid, heard notes too
      callresp export dawn.heard.jsonl -o heard.mid
      callresp export dawn.plan.jsonl --alone --tuning mts
    """
    from callresp.io.score import read_heard, read_reply
    from callresp.midi.file import write_midi
    from callresp.plan.files import read_plan
    from callresp.plan.model import Plan
    from callresp.synthesis.job_files import find_palette, sibling

    by_kind = _by_kind(scores)
    beside = sibling(scores[0], ".heard.jsonl")
    if not alone and "heard" not in by_kind and beside.is_file():
        by_kind["heard"] = beside
    heard = read_heard(by_kind["heard"]) if "heard" in by_kind else None
    reply = read_reply(by_kind["reply"]) if "reply" in by_kind else None
    plan: Plan | None = read_plan(by_kind["plan"]) if "plan" in by_kind else None
    machine = None
    if reply is not None or plan is not None:
        source = by_kind.get("plan") or by_kind["reply"]
        told = sibling(source, ".reply.jsonl")
        made_from = reply or (read_reply(told) if told.is_file() else None)
        machine = find_palette(palette, source, plan, made_from)
    target = ui.target(output or sibling(scores[0], ".mid"), *by_kind.values(), palette)
    done = write_midi(
        target,
        heard=heard,
        reply=reply,
        plan=plan,
        palette=machine,
        tuning="mts" if tuning == "mts" else "bend",
    )
    if as_json:
        ui.emit(asdict(done))
        return
    ui.say(
        f"wrote {done.path}: {done.heard_notes} heard and {done.reply_notes} played notes on"
        f" {len(done.tracks)} tracks, {done.length_s:.1f} s"
    )


def _by_kind(scores: tuple[Path, ...]) -> dict[str, Path]:
    from callresp.synthesis.job_files import kind_of

    found: dict[str, Path] = {}
    for path in scores:
        kind = kind_of(path)
        if kind in found:
            raise UserError(f"two files of kind {kind}", where=str(path), remedy="give one of each")
        found[kind] = path
    return found

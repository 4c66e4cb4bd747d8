"""``callresp import``: a Standard MIDI File in, a reply score out, held against the machine."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import click
import msgspec

from callresp.commands import ui
from callresp.errors import UserError
from callresp.io.score_files import read_reply, write_reply
from callresp.io.wording import counted
from callresp.midi.imported import Obstacle, import_midi, obstacles_in_plan
from callresp.palette.files import load_palette
from callresp.plan.planner import make_plan


def run(
    piece: Path,
    palette: str,
    output: Path | None,
    within: float | None,
    transpose: float,
    list_all: bool,
    as_json: bool,
) -> None:
    """Read a Standard MIDI File into a reply score, and say what the machine can't do."""
    named, output = output, output or piece.with_name(f"{piece.stem}.reply.jsonl")
    ui.target(output, piece, palette, writes="reply score")
    machine = load_palette(palette)
    done = import_midi(piece, machine, within, transpose)
    if named is None and output.exists():
        _expect_reply_of(done.reply.header.recording, output)
    with ui.progress("planning") as advance:
        checked = make_plan(done.reply, machine, advance)
    obstacles = [*done.obstacles, *obstacles_in_plan(done, checked.plan.changes)]
    obstacles.sort(key=lambda obstacle: obstacle.at_s)
    write_reply(output, done.reply)
    if as_json:
        ui.emit(
            {
                "reply": str(output),
                "notes": len(done.reply.notes),
                "tracks": done.tracks,
                "length_s": round(done.reply.header.duration_s, 3),
                "strikes": len(checked.plan.strikes),
                "remarks": done.remarks,
                "obstacles": msgspec.to_builtins(obstacles),
            }
        )
    else:
        for remark in done.remarks:
            ui.warn(f"{piece}: {remark}")
        _print_summary(done.reply.header.duration_s, [n.instrument for n in done.reply.notes])
        _print_obstacles(obstacles, list_all)
        ui.say(f"wrote {output}")
        ui.say(f"next: callresp check {ui.typed(output)}")
    click.get_current_context().exit(1 if obstacles else 0)


def _expect_reply_of(recording: str, output: Path) -> None:
    """What was exported and changed does not replace the reply that it was made from, unasked."""
    there = read_reply(output).header.recording
    if there != recording:
        raise UserError(
            f"holds the reply to '{there}'",
            where=str(output),
            remedy="name another file by --output",
        )


def _print_summary(length_s: float, instruments: Sequence[str]) -> None:
    ui.say(f"{counted(len(instruments), 'note')} in {length_s:.1f} s")
    for name, count in Counter(instruments).items():
        ui.say(f"  {name}: {count}")


def _print_obstacles(obstacles: Sequence[Obstacle], every: bool) -> None:
    if not obstacles:
        ui.say("  all can be played as written")
        return
    if every:
        for one in obstacles:
            ui.say(f"  {_where(one)}: {one.key} {one.kind}: {one.why}")
        return
    # Planner's reasons hold no numbers of their own; pitches are told key by key.
    groups: dict[tuple[str, str, str], list[Obstacle]] = {}
    for one in obstacles:
        key = one.key if one.kind in ("other pitch", "left out") else ""
        groups.setdefault((one.kind, key, one.why), []).append(one)
    for (kind, key, why), members in groups.items():
        what = f"{key} {kind}" if key else kind
        ui.say(f"  {len(members)} {what}: {why}, first at {_where(members[0])}")


def _where(one: Obstacle) -> str:
    return f"{one.place or f'{one.at_s:.3f} s'}, {one.track}"

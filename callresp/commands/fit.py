"""``callresp fit``: which mapping keeps most of a recording's calls on these strikers."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from callresp.commands import options, ui
from callresp.commands.options import PATH
from callresp.errors import UserError


@click.command(name="fit")
@click.argument("heard", type=PATH)
@options.palette
@click.option("--voice", help="Only this voice's phrases.")
@click.option("--most", type=click.IntRange(1, 100), default=6, show_default=True)
@options.json("One JSON object a mapping.")
def command(heard: Path, palette: str, voice: str | None, most: int, as_json: bool) -> None:
    """Search for the mapping and transposition that keep most of the calls.

    Each is scored 0 to 1: 0.6 of the contour kept, 0.25 of different pitches
    kept apart, 0.15 of strikers near the heard pitch, octaves aside.

    \b
    Examples:
      callresp fit dawn.heard.jsonl
      callresp fit dawn.heard.jsonl --palette mine.toml --voice B
    """
    from callresp.io.score import phrases, read_heard
    from callresp.palette.files import load_palette
    from callresp.reply.mapping import fits

    machine = load_palette(palette)
    notes = [n for n in read_heard(heard).notes if voice is None or n.voice == voice]
    found = fits(phrases(notes), machine.striker)[:most]
    if not found:
        raise UserError(
            "no pitched note, or no pitched striker", where=str(heard), remedy="try another palette"
        )
    for one in found:
        if as_json:
            ui.emit(asdict(one))
            continue
        ui.say(
            f"{one.fit:.3f}  {one.mapping:8}{one.transpose_cents:+6.0f} cents   contour"
            f" {one.contour:.2f}, apart {one.distinct:.2f}, near {one.near:.2f},"
            f" on {one.strikers} strikers"
        )
    if not as_json:
        best = found[0]
        ui.say("in a rule:")
        ui.say(f'  pitch = "{best.mapping}"')
        ui.say(f"  transpose_cents = {best.transpose_cents:.0f}")
        ui.say(f"lost: {1 - best.contour:.0%} of the contour, {1 - best.distinct:.0%} of the steps")

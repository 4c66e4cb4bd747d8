"""``callresp import``: a Standard MIDI File in, a reply score out, held against the machine."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="import")
@click.argument("piece", type=PATH)
@options.palette
@options.output("Reply score to write; else beside the piece.")
@options.number(
    "--within",
    (0, 12000),
    "Leave out what is farther than this from every striker; else the nearest plays it.",
    metavar="CENTS",
)
@options.number(
    "--transpose",
    (-60, 60),
    "Raise (or lower) every pitch first.",
    default=0.0,
    metavar="SEMITONES",
)
@click.option("--list", "list_all", is_flag=True, help="List every obstacle, not the sums.")
@options.json()
def command(**given: object) -> None:
    """Read a Standard MIDI File into a reply score, and say what the machine can't do.

    Keys go to strikers by the palette's [[midi]] tables, by tracks named after them, by drum
    keys on channel 10, else by pitch; tuning messages and pitch bend count. Velocity becomes
    force by each striker's measured curve. The score is planned at once, and what its pitches
    or the limits change is told with bar and beat. Status 0 when all can be played as written,
    1 when not.

    \b
    Examples:
      callresp import piece.mid                       writes piece.reply.jsonl
      callresp import piece.mid --palette mine.toml --within 50 --list
      callresp import piece.mid --transpose 12 --json | jq .obstacles
    """
    options.call("import_midi.run", given)
